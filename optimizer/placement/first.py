"""A first legal placement, or the rule that lets none be."""

from __future__ import annotations

from dataclasses import replace

from optimizer.errors import NoDesign
from optimizer.placement import model as models
from optimizer.placement.problem import PlacementProblem
from optimizer.placement.selection import Cover, Selection
from optimizer.placement.start import improved
from optimizer.solver import Limits, solve

STAGE = "placement"
FEWEST_GAP = 1e-4  # finer than one nozzle in the objective of `build_fewest`


def first_placement(cover: Cover, start: list[int]) -> Selection:
    """A legal start: from what is given, from nothing, or from the fewest nozzles that meet every rule.

    start: candidates, legal or not. Raises NoDesign with the rule in conflict where no choice is legal.
    """
    found = [improved(cover, chosen) for chosen in ([start, []] if start else [[]])]
    legal = [selection for selection in found if selection is not None]
    if not legal:
        selection = improved(cover, _fewest(cover.problem))
        assert selection is not None, "the fewest nozzles that meet all windows are legal"
        legal = [selection]
    return max(legal, key=lambda selection: selection.value)


def _fewest(problem: PlacementProblem) -> list[int]:
    """Candidates of the smallest legal placement; NoDesign with the rule in conflict where there is none."""
    chosen = _fewest_chosen(problem)
    if chosen is None:
        raise _conflict(problem)
    return chosen


def _fewest_chosen(problem: PlacementProblem) -> list[int] | None:
    model = models.build_fewest(problem)
    outcome = solve(model, limits=Limits(gap=FEWEST_GAP), stage=STAGE)
    if outcome.status == "infeasible":
        return None
    return [j for j in range(problem.candidates) if outcome.values.get(model.x[j], 0.0) > 0.5]


def _conflict(problem: PlacementProblem) -> NoDesign:
    """The rule to blame where no choice is legal: the first without which, and without those before it, one is."""
    if problem.floors and _fewest_chosen(replace(problem, floors=())) is not None:
        names = ", ".join(floor.name for floor in problem.floors)
        return NoDesign(
            "least_coverage",
            f"the least coverage of {names} cannot be met within spacing and the nozzles that the circuits feed: ask "
            "for less, bring mounting lines nearer, or use a larger pump or more circuits",
        )
    if problem.drifts and _fewest_chosen(replace(problem, floors=(), drifts=())) is not None:
        names = " and ".join(drift.name for drift in problem.drifts)
        return NoDesign(
            "drift_most",
            f"the limit of drift {names} cannot be kept with the nozzles that locked positions, continuous lines, line "
            "ends and corners ask for: allow more drift, unlock positions, or ask for none there",
        )
    looser = replace(problem, floors=(), limits=(), drifts=())
    needed = _fewest_chosen(looser) if problem.limits else None
    if needed is not None:
        feed = ", ".join(f"{limit.reason} feed {limit.most}" for limit in problem.limits)
        return NoDesign(
            "reserve",
            f"continuous lines, line ends, corners and locked positions need at least {len(needed)} nozzles; {feed}: "
            "use a larger pump or more circuits, or a greater spacing",
        )
    return _conflict_of_places(looser)


def _conflict_of_places(problem: PlacementProblem) -> NoDesign:
    """The rule to blame, of those on where nozzles stand: however many may stand, and whatever they cover."""
    looser = replace(problem, even=())
    if problem.even and _fewest_chosen(looser) is not None:
        return NoDesign(
            "even_pitch",
            "no even pitch holds the locked positions of its line and what line ends, corners and the greatest spacing "
            "ask for there: unlock positions, move them to one pitch, use a smaller step, or drop even_pitch",
        )
    if problem.rows and _fewest_chosen(replace(looser, rows=())) is not None:
        return NoDesign(
            "row_gap",
            "locked positions and what line ends and corners ask for stand farther apart than the greatest spacing "
            "and nearer than row_gap, and no nozzle fits between: allow a greater spacing or a smaller row_gap, or "
            "unlock positions",
        )
    return NoDesign(
        "spacing_greatest_m",
        "the greatest spacing of continuous lines, and the nozzles that line ends and outside corners ask for, cannot "
        "be kept together with the least spacing and the locked positions: allow a greater spacing, a smaller least "
        "spacing or step, a longer way from ends and corners, or unlock positions",
    )
