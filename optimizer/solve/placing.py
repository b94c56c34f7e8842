"""Placing as many nozzles as circuits can feed and rules find worth their place."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from optimizer.errors import NoDesign
from optimizer.placement.place import Placement, place
from optimizer.placement.problem import PlacementProblem
from optimizer.placement.selection import Cover, Selection
from optimizer.solve.posed import chosen_in, limited, worthless
from optimizer.solve.supply import CircuitLimits, Supply
from optimizer.solve.trial import Effort, Feeder
from optimizer.solver import Limits

VALUE_TIE = 1e-9
MORE = (0.5, 0.25, 0.1)  # of what the circuits could feed besides, tried anew where not all were worth it


@dataclass(frozen=True)
class Search:
    """Gap at which a placement is good enough, its work limits, and the effort of a run split."""

    gap: float
    limits: Limits
    effort: Effort


@dataclass(frozen=True)
class Placed:
    """Candidates chosen for so many nozzles a circuit, and the placement behind them.

    base: the placement with the positions that may be chosen; problem: the same for so many nozzles.
    """

    base: PlacementProblem
    problem: PlacementProblem
    placement: Placement
    chosen: tuple[int, ...]
    limits: CircuitLimits
    note: str = ""

    @property
    def full(self) -> bool:
        """Some circuits feed as many as they can."""
        counts = chosen_in(self.problem, self.chosen)
        return any(count >= limit.most for count, limit in zip(counts, self.problem.limits, strict=True))


def worthwhile(problem: PlacementProblem, chosen: Sequence[int], least_gain_m2: float) -> tuple[int, ...]:
    """The chosen without those that cover less than least_gain_m2 alone, the least first; locked ones and those that
    a continuous line needs stay."""
    selection = Selection(Cover(problem), chosen)
    while (spare := _least(selection)) is not None:
        if selection.value_loss(spare) >= max(least_gain_m2, VALUE_TIE):
            break
        selection.remove(spare)
    return selection.members()


def _least(selection: Selection) -> int | None:
    """The chosen candidate that is missed least, of those that may go."""
    locked = set(selection.problem.locked)
    loose = [j for j in selection.members() if j not in locked and selection.removable(j)]
    return min(loose, key=lambda j: (selection.value_loss(j), j), default=None)


def placed_for(
    feeder: Feeder,
    supply: Supply,
    base: PlacementProblem,
    limits: CircuitLimits,
    search: Search,
    start: Sequence[int] = (),
) -> Placed:
    """A placement of as many nozzles as are worth it: where some are not, fewer are placed anew, then more again as
    long as that covers more. Raises NoDesign where none is worth its place."""
    problem = limited(base, feeder.instance, supply, limits)
    groups, least_gain = len(feeder.instance.candidates.groups), feeder.instance.scenario.rules.least_gain_m2

    def all_worth(problem: PlacementProblem, start: Sequence[int]) -> Placed:
        while True:
            placement = place(
                problem, gap=search.gap, limits=search.limits, start=start, report=feeder.report, stop=feeder.stop
            )
            chosen = worthwhile(problem, placement.chosen, least_gain)
            if not chosen:
                raise worthless(least_gain)
            if len(chosen) == len(placement.chosen) or feeder.stop():
                return Placed(base, problem, placement, chosen, limits)
            problem, start = _at_most(problem, chosen_in(problem, chosen)[:groups]), chosen

    best = all_worth(problem, start)
    most = [limit.most for limit in problem.limits[:groups]]
    for share in MORE if best.problem is not problem else ():
        own = chosen_in(problem, best.chosen)
        more = [n + round(share * (top - n)) for n, top in zip(own, most, strict=False)]
        if feeder.stop() or more == own[:groups]:
            break
        found = all_worth(_at_most(problem, more), best.chosen)
        best = found if found.placement.value > best.placement.value + VALUE_TIE else best
    return best


def _at_most(problem: PlacementProblem, counts: Sequence[int]) -> PlacementProblem:
    """The placement with no more nozzles of each schedule group than so many; their limits come first."""
    fewer = tuple(replace(limit, most=n) for limit, n in zip(problem.limits, counts, strict=False))
    return replace(problem, limits=(*fewer, *problem.limits[len(counts) :]))


def without_least(placed: Placed, count: int, why: str) -> Placed:
    """The placement without the `count` least valuable that may go."""
    selection = Selection(Cover(placed.problem), placed.chosen)
    for _ in range(count):
        spare = _least(selection)
        if spare is None:
            raise NoDesign("locked", "No nozzle can be dropped: all left are locked or needed by a continuous line.")
        selection.remove(spare)
    return replace(placed, chosen=selection.members(), note=f"{count} of the least valuable nozzles {why}")
