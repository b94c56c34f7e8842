"""The smallest lines of the benchmark of one solve, so that it keeps running and its figures keep their meaning."""

from __future__ import annotations

import pytest

from tests.benchmarks.hydraulics.one_solve import measured


@pytest.mark.parametrize("looped", [False, True])
def test_one_solve(looped: bool) -> None:
    found = measured(500, looped, repeats=5)
    assert found.difference < 1e-8
    assert found.iterations <= 6 < found.engine_iterations
    assert 0.6 < found.lowest < 0.95  # tubing no wider than usual
    assert 0 < found.solve_s < found.whole_s
    assert found.solve_s < 2 * found.engine_solve_s  # the benchmark says: less; here other work runs beside
