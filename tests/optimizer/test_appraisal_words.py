"""Appraisals in rankings, tables and remarks, from invented figures."""

from __future__ import annotations

import re
from dataclasses import fields, replace
from pathlib import Path
from typing import cast

from optimizer.appraisal.figures import Appraisal, Cause, Gap, Pitch, ReachCase, Rival, Uncovered
from optimizer.appraisal.ranking import Placing, Ranking, ReachRanking, reach_ranking
from optimizer.appraisal.words import NONE, worth_remarks, worth_rows
from tests.optimizer.drawn_study import example_appraisal

README = Path(__file__).resolve().parents[2] / "README.md"


def case(factor: float, area: float) -> ReachCase:
    return ReachCase(factor, 4.0 * factor, area, {}, 0)


def placing(option: str, cost: float, *areas: float) -> Placing:
    cases = tuple(case(factor, area) for factor, area in zip((0.7, 1.0, 1.3), areas, strict=True))
    return Placing(option, cost, cast(Appraisal, type("Stub", (), {"reach": cases})))


def test_a_ranking_that_stays_says_so() -> None:
    found = reach_ranking([placing("small", 50.0, 50, 100, 150), placing("large", 100.0, 80, 160, 240)])
    assert found is not None and not found.changes and "rank the same" in found.statement
    by_area = [one for one in found.rankings if one.by == "covered area"]
    assert [one.options for one in by_area] == [("large", "small")] * 3
    assert found.rankings[-1].options == ("small", "large") and found.rankings[-1].figures == (3.0, 2.4)


def test_a_ranking_that_changes_names_who_passes_whom() -> None:
    found = reach_ranking([placing("dense", 100.0, 90, 160, 170), placing("wide", 100.0, 60, 150, 240)])
    assert found is not None and found.changes
    assert "by covered area, wide passes dense at reach +30 %" in found.statement
    assert "-30 %" not in found.statement


def test_alternatives_alike_do_not_pass_one_another() -> None:
    found = reach_ranking([placing("a", 100.0, 50.0, 100.0, 150.0), placing("b", 100.0, 50.01, 99.99, 150.0)])
    assert found is not None and not found.changes
    assert reach_ranking([placing("alone", 100.0, 50, 100, 150)]) is None


def test_alternatives_that_cost_nothing_are_ranked_by_area_only() -> None:
    found = reach_ranking([placing("priced", 100.0, 50, 100, 150), placing("free", 0.0, 80, 160, 240)])
    assert found is not None and {one.by for one in found.rankings} == {"covered area"}


def test_an_alternative_that_covers_nothing_at_a_short_reach_is_passed() -> None:
    found = reach_ranking([placing("far", 100.0, 0.0, 160, 200), placing("near", 100.0, 50.0, 100, 120)])
    assert found is not None and "by covered area, near passes far at reach -30 %" in found.statement
    nothing = reach_ranking([placing("a", 100.0, 0.0, 100, 120), placing("b", 100.0, 0.0, 100, 120)])
    assert nothing is not None and not nothing.changes


def test_every_number_has_its_unit_in_either_system() -> None:
    """Source of the factor: NIST SP 811, 1 ft = 0.3048 m."""
    one = example_appraisal(30)
    metric, us = ({name: cell(one) for name, cell in worth_rows(units)} for units in ("metric", "us"))
    assert metric["more than practice, weighted"] == us["more than practice, weighted"] == "+20.0 %"
    assert metric["saved against practice"] == "7 nozzles"
    assert metric["next nozzle, weighted"] == "20.0 m²" and us["next nozzle, weighted"] == "215.3 ft²"
    assert metric["covered area at reach −30 %"] == "550 m²"
    assert us["covered area at reach +30 %"] == "17760 ft²"
    remarks = " / ".join(worth_remarks(one, "metric"))
    assert "200.0 m² of the zones stay uncovered: no line near 150.0 m², nozzle count 50.0 m²" in remarks
    assert "10.0 m, on fence" in remarks and "3 nozzles" in remarks
    assert "efficacy" not in remarks and "mosquito" not in remarks


def test_a_rival_that_cannot_keep_the_rules_has_no_figures() -> None:
    nothing = Rival(30, 0.0, 0.0, None, None)
    one = replace(example_appraisal(30), practice=None, nozzles_saved=None, gaps=None, uncovered=())
    one = replace(one, greedy=nothing, last_nozzle_m2=None)
    cells = {name: cell(one) for name, cell in worth_rows("metric")}
    assert cells["more than practice, area"] == cells["saved against practice"] == NONE
    assert cells["more than greedy, weighted"] == cells["last nozzle, weighted"] == NONE
    assert len(list(worth_remarks(one, "metric"))) == 1


def test_every_member_of_an_appraisal_is_told_in_the_readme() -> None:
    told = set(re.findall(r"`(\w+)`", README.read_text(encoding="utf-8")))
    kinds = (Appraisal, Rival, Pitch, ReachCase, Uncovered, Cause, Gap, ReachRanking, Ranking)
    assert {field.name for kind in kinds for field in fields(kind)} <= told
