"""What limits of drift cost in coverage, and coverage against drift: placements compared, no run splits.

Both ask for as many nozzles as the circuits of the design feed, among the positions that its pumps can serve. Points
are placements: that tubing can feed each of them is not shown.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from hydraulics.mist.dosage import Nozzles
from optimizer.drift import OVER, basis_of, drift_shares
from optimizer.errors import NoDesign
from optimizer.instance import Instance
from optimizer.mist_basis import DriftLimit
from optimizer.placement.place import Placement, place
from optimizer.placement.problem import Drift, FloatArray, PlacementProblem
from optimizer.progress import Stop, silent
from optimizer.solve.posed import mist_weights
from optimizer.solver import Limits

CHECKS = 200  # work limit of each placement, the same on every run
POINT_GAP = 0.01  # at which a point is good enough


@dataclass(frozen=True)
class DriftCost:
    """Weighted m² of the cell model that a placement covers with the limits of drift and, as far as found, without."""

    value_m2: float
    free_m2: float

    @property
    def lost_m2(self) -> float:
        return max(0.0, self.free_m2 - self.value_m2)

    @property
    def lost_share(self) -> float:
        """Of what is covered without the limits."""
        return self.lost_m2 / self.free_m2 if self.free_m2 > 0.0 else 0.0


@dataclass(frozen=True)
class DriftPoint:
    """A placement whose drift over the boundary, all winds together and with the model's bias, is `drift` at most.

    value_m2: weighted m² that it covers; bound_m2: that none of so little drift passes.
    """

    drift: float
    value_m2: float
    bound_m2: float
    nozzle_count: int


@dataclass(frozen=True)
class Calm:
    """What limits of drift cost, None where there is none; and coverage against drift, least drift first."""

    cost: DriftCost | None = None
    points: tuple[DriftPoint, ...] = ()


NO_LIMITS = Calm()


def drift_cost(problem: PlacementProblem, chosen: Sequence[int], value_m2: float, gap: float, stop: Stop) -> DriftCost:
    """What the limits of drift of a placement cost, by a second placement without them."""
    return DriftCost(value_m2, _placed(replace(problem, drifts=()), chosen, gap, stop).value)


def drift_points(
    instance: Instance, problem: PlacementProblem, chosen: Sequence[int], count: int, stop: Stop
) -> tuple[DriftPoint, ...]:
    """Up to `count` placements from little drift to that of the best coverage; () where the drops are not known."""
    basis = basis_of(instance.scenario, instance.option)
    if basis is None or count < 1:
        return ()
    found = instance.candidates
    over = replace(basis, limits=(DriftLimit(OVER, None, None, 1.0, basis.bias_share),))
    share, weight = drift_shares(over, Nozzles(found.x_m, found.y_m, found.height_m))[0], mist_weights(instance)
    free = _placed(replace(problem, drifts=()), chosen, POINT_GAP, stop)
    points = [_point(share, weight, free, basis.bias_share)]
    most, least = _mean(share, weight, free), float(share.min())
    start = free.chosen
    for allowed in np.linspace(most, least, count + 1)[1:-1]:
        if stop():
            break
        held = replace(problem, drifts=(Drift(OVER, weight * (share - float(allowed))),))
        try:
            placed = _placed(held, start, POINT_GAP, stop)
        except NoDesign:
            break
        if placed.chosen:
            points.append(_point(share, weight, placed, basis.bias_share))
        start = placed.chosen
    return tuple(reversed(points))


def _mean(share: FloatArray, weight: FloatArray, placed: Placement) -> float:
    """Over the chosen, by what each mists."""
    chosen = list(placed.chosen)
    return float(np.average(share[chosen], weights=weight[chosen]))


def _point(share: FloatArray, weight: FloatArray, placed: Placement, bias: float) -> DriftPoint:
    drift = min(1.0, _mean(share, weight, placed) + bias)
    return DriftPoint(drift, placed.value, placed.bound, len(placed.chosen))


def _placed(problem: PlacementProblem, start: Sequence[int], gap: float, stop: Stop) -> Placement:
    return place(problem, gap=gap, limits=Limits(checks=CHECKS), start=start, report=silent, stop=stop)
