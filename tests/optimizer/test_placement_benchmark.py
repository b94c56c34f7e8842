"""The benchmark of placement on its smallest case: ours against every peer, and the tables it writes.

References: CP-SAT of OR-Tools 9 (constraint programming, its model written in the benchmark from the problem's arrays)
and spopt 0.7 (PySAL), locate.MCLP, which knows no spacing.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from optimizer.placement.place import place
from optimizer.placement.problem import Row
from tests.benchmarks.placement import table
from tests.benchmarks.placement.cases import CASES, LEAST, ROWS, half_of_saturation, limited, posed, write
from tests.benchmarks.placement.measure import measured
from tests.benchmarks.placement.peers import PEERS, cp_sat, forbidden_pairs, without_spacing

SMOKE = CASES[0]
CAP_S = 60.0  # never reached on the smallest case


@pytest.mark.parametrize("rules", [LEAST, ROWS])
def test_no_peer_beats_the_bound_and_the_exact_ones_agree(rules: str, tmp_path: Path) -> None:
    pytest.importorskip("ortools")
    _, problem = posed(write(SMOKE, rules, tmp_path))
    problem = limited(problem, half_of_saturation(problem))
    ours = place(problem, gap=0.0)
    for name in ("greedy", "HiGHS", "CP-SAT"):
        answer = PEERS[name](problem, 0.0, CAP_S)
        assert answer is not None
        assert ours.value >= answer.value - 1e-9
        assert ours.bound >= answer.value - 1e-9
        assert answer.bound >= ours.value - 1e-9
    exact = cp_sat(problem, 0.0, CAP_S)
    assert exact is not None and exact.value == pytest.approx(exact.bound, abs=1e-9)
    assert ours.value == pytest.approx(exact.value, abs=1e-9)


@pytest.mark.filterwarnings("ignore::DeprecationWarning")
def test_spopt_agrees_where_it_can_state_the_case(tmp_path: Path) -> None:
    pytest.importorskip("spopt")
    _, problem = posed(write(SMOKE, LEAST, tmp_path))
    free = without_spacing(limited(problem, half_of_saturation(problem)))
    answer = PEERS["spopt"](free, 0.0, CAP_S)
    assert answer is not None
    assert place(free, gap=0.0).value == pytest.approx(answer.value, rel=1e-6)


def test_a_table_has_a_row_for_the_case_and_one_for_its_peer() -> None:
    found = measured(SMOKE, ROWS, ["greedy"], CAP_S)
    head, _ = table.head()
    assert table.row(found).count("|") == head.count("|")
    assert found.ours.proven_s[-1] is not None and found.ours.gap <= 0.001
    *_, peers, _ = table.peers_head(CAP_S)
    (row,) = table.peer_rows(found)
    assert row.count("|") == peers.count("|")


def test_a_geographic_site_is_the_local_one(tmp_path: Path) -> None:
    """Both are drawn from one seed; the degrees are rounded to 1e-9, a tenth of a millimetre."""
    case = next(case for case in CASES if case.site.geographic)
    local = replace(case, site=replace(case.site, geographic=False))
    here = [write(one, LEAST, tmp_path / name).site.lines for name, one in (("degrees", case), ("metres", local))]
    lengths = [[float(line.line.length) for line in lines] for lines in here]
    np.testing.assert_allclose(lengths[0], lengths[1], atol=0.005)  # metres are rounded to a millimetre


def test_pairs_of_a_row_that_only_one_between_them_can_allow() -> None:
    """By hand: at most 2 m within a row, 5 m to the next; on a ring of 10 m the last is 3 m before the first."""
    line = Row((7, 8, 9, 6), (0.0, 2.0, 4.0, 7.0), float("inf"), 2.0, 5.0)
    assert list(forbidden_pairs(line)) == [(7, 9, (8,)), (9, 6, ())]
    assert list(forbidden_pairs(replace(line, length_m=10.0))) == [(7, 9, (8,)), (9, 6, ()), (6, 7, ())]
