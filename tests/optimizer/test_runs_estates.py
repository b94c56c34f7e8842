"""The invented estates of run splits: as many nozzles as asked for, all of which tubing can feed."""

from __future__ import annotations

import pytest

from optimizer.runs.budget import budget_pressures_pa
from optimizer.runs.split import split
from tests.optimizer.runs_estates import estate


@pytest.mark.parametrize(
    ("nozzles", "pumps", "circuits", "relief_m"), [(75, 1, 1, 0.0), (81, 2, 1, 0.0), (90, 1, 2, 8.0), (60, 2, 2, 5.0)]
)
@pytest.mark.parametrize("seed", range(3))
def test_estates_can_be_fed(nozzles: int, pumps: int, circuits: int, relief_m: float, seed: int) -> None:
    problem = estate(nozzles, pumps, seed, circuits=circuits, relief_m=relief_m)
    assert problem.nozzles == nozzles and len(problem.circuits) == pumps * circuits
    plan = split(problem, seed=seed, evaluations=100)
    assert budget_pressures_pa(problem, plan).min() >= problem.band_low_pa - 1.0
