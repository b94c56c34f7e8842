"""The points of an option's frontier of cost against coverage, with what is told of each."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from optimizer.design import Design
from optimizer.solve.held import held
from optimizer.solve.priced import priced
from optimizer.solve.trade.frontier import Point
from optimizer.solve.trade.goal import weighted_area_m2


@dataclass(frozen=True)
class FrontierPoint:
    """A verified design between a cheap one and the free optimum, cheapest first.

    weighted_area_m2: exact, times the weights of the zones; weighted_share: of the zones' weighted area; price: the
    cost that the option reckons with; bound_weighted_m2: of the cell model, that no design of that price can pass.
    """

    covered_area_m2: float
    weighted_area_m2: float
    weighted_share: float
    installed_cost: float
    service_cost: float | None
    price: float
    nozzle_count: int
    tubing_m: float
    bound_weighted_m2: float
    design: Design


def frontier_points(points: Iterable[Point]) -> tuple[FrontierPoint, ...]:
    """The points whose design keeps the rules of protection too."""
    return tuple(one for one in map(_point, points) if one.design.verification.verified)


def _point(point: Point) -> FrontierPoint:
    found = point.answer
    cost, made = priced(found.trial.layout, found.trial.design), found.trial.layout
    return FrontierPoint(
        covered_area_m2=found.trial.design.verification.covered_area_m2,
        weighted_area_m2=found.exact_m2,
        weighted_share=found.exact_m2 / weighted_area_m2(made.instance),
        installed_cost=cost.installed,
        service_cost=cost.upkeep.cost if cost.upkeep else None,
        price=cost.price,
        nozzle_count=len(made.chosen),
        tubing_m=sum(length for _, length in cost.counted.tubing_m),
        bound_weighted_m2=min(point.value_bound, made.instance.most_value),  # infinite where a stop came before any
        design=held(found.trial),
    )
