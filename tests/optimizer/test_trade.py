"""Coverage traded against cost, on an invented yard: goals met by verified designs, refusals in words, the frontier.

Coverage is measured here by shapely on the design's own footprints, prices by adding up the quantities that are
published; neither reads the search's figures.
"""

from __future__ import annotations

import itertools
import json
from dataclasses import replace
from math import isfinite
from pathlib import Path

import pytest
from shapely import union_all
from shapely.geometry import box as rectangle
from shapely.geometry import shape

from optimizer.design import Design, read_design
from optimizer.progress import Progress, never, silent
from optimizer.publish import publish, study_text
from optimizer.scenario import Scenario
from optimizer.study import Alternative, Study, StudySettings, study
from optimizer.verify import verify
from tests.optimizer.trade_sites import option, scenario

YARD = rectangle(0.25, 0.25, 32.25, 20.25)
LEAST = 0.08


@pytest.fixture(scope="module")
def read(tmp_path_factory: pytest.TempPathFactory) -> Scenario:
    tight = option("tight", "budget = 2480")
    cheap = option("cheap", 'objective = "cost"', f"least_coverage = {LEAST}")
    return scenario(tmp_path_factory.mktemp("yard"), option("free"), tight, cheap)


@pytest.fixture(scope="module")
def answered(read: Scenario) -> dict[str, Alternative]:
    found = study(read, StudySettings(workers=1), silent, never)
    return {one.option: one for one in found.alternatives}


@pytest.fixture(scope="module")
def drawn(read: Scenario) -> Study:
    only = replace(read, options=read.options[:1])
    return study(only, StudySettings(workers=1, frontier=3), silent, never)


def covered_m2(design: Design) -> float:
    return float(union_all([shape(nozzle.footprint) for nozzle in design.nozzles]).intersection(YARD).area)


def price(one: Alternative) -> float:
    return sum(line.amount for line in one.quantities)


def test_the_budget_is_kept_by_a_verified_design_that_covers_less_than_the_free_one(
    answered: dict[str, Alternative],
) -> None:
    free, tight = answered["free"], answered["tight"]
    assert free.design and tight.design
    assert price(free) > 2480 >= price(tight)
    assert tight.verified and verify(tight.design).verified
    assert 0.0 < covered_m2(tight.design) < covered_m2(free.design)


def test_the_least_coverage_is_reached_exactly_and_at_less_than_the_free_price(
    answered: dict[str, Alternative],
) -> None:
    cheap = answered["cheap"]
    assert cheap.design and cheap.verified and verify(cheap.design).verified
    assert covered_m2(cheap.design) >= LEAST * YARD.area
    assert price(cheap) < price(answered["free"])


def test_the_joint_bound_is_stated_with_its_gap(answered: dict[str, Alternative]) -> None:
    tight, cheap = answered["tight"], answered["cheap"]
    assert answered["free"].joint_bound is None and answered["free"].joint_gap is None
    assert tight.joint_bound and tight.objective_value and tight.objective_value <= tight.joint_bound
    assert tight.joint_gap == pytest.approx(1 - tight.objective_value / tight.joint_bound)
    assert cheap.joint_bound and cheap.joint_bound <= price(cheap)
    assert cheap.joint_gap == pytest.approx(1 - cheap.joint_bound / price(cheap))


def test_the_frontier_rises_from_a_cheap_point_to_the_free_design_under_its_bound(
    answered: dict[str, Alternative], drawn: Study
) -> None:
    points = drawn.alternatives[0].frontier
    assert 2 <= len(points) <= 3
    assert [p.price for p in points] == sorted(p.price for p in points)
    assert all(a.weighted_area_m2 < b.weighted_area_m2 for a, b in itertools.pairwise(points))
    assert points[-1].price == pytest.approx(price(answered["free"]))
    for point in points:
        assert verify(point.design).verified
        assert point.weighted_area_m2 == pytest.approx(covered_m2(point.design), rel=1e-6)
        assert point.weighted_share == pytest.approx(covered_m2(point.design) / YARD.area, rel=1e-6)
        assert point.bound_weighted_m2 >= 0.99 * point.weighted_area_m2  # of the cell model, 0.3 % off at most here


def test_points_are_published_each_with_a_design_that_verifies_from_its_file(
    read: Scenario, drawn: Study, tmp_path: Path
) -> None:
    publish(drawn, read, tmp_path)
    (record,) = json.loads((tmp_path / "study.json").read_text())["alternatives"]
    for told, point in zip(record["frontier"], drawn.alternatives[0].frontier, strict=True):
        assert told["price"] == pytest.approx(point.price)
        design = read_design(tmp_path / told["file"])
        assert verify(design).verified and len(design.nozzles) == told["nozzle_count"]
    assert "<svg" in (tmp_path / "frontier.svg").read_text()
    publish(replace(drawn, alternatives=(replace(drawn.alternatives[0], frontier=()),)), read, tmp_path)
    assert not (tmp_path / "frontier.svg").exists() and not list(tmp_path.glob("*/frontier_*.json"))


def test_the_same_seed_gives_the_same_design(answered: dict[str, Alternative], drawn: Study) -> None:
    assert drawn.alternatives[0].design == answered["free"].design


@pytest.mark.parametrize(
    ("asked", "words"),
    [
        (("budget = 2100",), ("the budget of 2100", "the cheapest known costs", "none costs less than")),
        (
            ('objective = "cost"', "least_coverage = 0.95"),
            ("asks for 95.0% of the zones' weighted area", "none can cover more than", "lower least_coverage"),
        ),
    ],
)
def test_what_cannot_be_is_refused_with_what_is_known(
    asked: tuple[str, ...], words: tuple[str, ...], tmp_path: Path
) -> None:
    (one,) = study(scenario(tmp_path, option("one", *asked)), StudySettings(workers=1), silent, never).alternatives
    assert one.status == "no_design" and one.reason
    assert all(word in one.reason for word in words), one.reason


def test_a_budget_that_does_not_bind_changes_nothing(answered: dict[str, Alternative], tmp_path: Path) -> None:
    rich = scenario(tmp_path, option("free", "budget = 100000"))
    (one,) = study(rich, StudySettings(workers=1), silent, never).alternatives
    assert one.design == answered["free"].design


def test_a_stop_during_the_trade_keeps_what_is_known(read: Scenario) -> None:
    trading: list[str] = []

    def report(progress: Progress) -> None:
        if progress.stage == "frontier":
            trading.append(progress.note)

    only = replace(read, options=read.options[:1])
    (one,) = study(only, StudySettings(workers=1, frontier=9), report, lambda: bool(trading)).alternatives
    assert one.verified and trading
    assert 1 <= len(one.frontier) < 9


def test_a_stop_before_the_frontier_leaves_figures_that_can_be_written(tmp_path: Path) -> None:
    """A stop as soon as run splits are searched: the one point keeps a finite bound, that of all cells."""
    heard: list[str] = []
    found = study(
        scenario(tmp_path, option("a")),
        StudySettings(workers=1, frontier=4),
        lambda progress: heard.append(progress.stage),
        lambda: heard.count("run splits") > 4,
    )
    (one,) = found.alternatives
    assert one.frontier and all(isfinite(point.bound_weighted_m2) for point in one.frontier)
    assert study_text(found)
