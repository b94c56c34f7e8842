"""One design appraised: its rivals, its reach made shorter and longer, what it leaves uncovered, its gaps."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from geometry.corners import outside_corners_m
from geometry.coverage import zone_touch
from geometry.facing import sides
from geometry.shares import zone_shares_m2
from optimizer.appraisal.figures import Appraisal, Gap, Pitch, Rival
from optimizer.appraisal.gaps import gaps
from optimizer.appraisal.reach import reach_cases
from optimizer.appraisal.rivals import greedy, last_nozzle_m2, next_nozzle_m2, nozzles_saved
from optimizer.appraisal.uncovered import Ground, uncovered
from optimizer.design import Design
from optimizer.instance import Candidates, Instance
from optimizer.placement.practice import LEAST_PITCH_M, Lines, practice
from optimizer.placement.problem import Limit, PlacementProblem
from optimizer.placement.selection import Cover, Selection
from optimizer.scenario import Scenario
from optimizer.solve.posed import placement_problem
from optimizer.solve.servable import highest_pressures_pa, keeps_low_edge, without
from optimizer.solve.supply import Supply


def appraise(instance: Instance, design: Design, ground: Ground) -> Appraisal:
    """The appraisal of an instance's design on the ground of its nozzle."""
    scenario, found = instance.scenario, instance.candidates
    chosen = chosen_of(design, instance)
    problem = replace(placement_problem(instance), bonus=np.zeros(found.count))  # what counts here is area
    fed = fed_positions(instance, design)
    endless = Cover(without(problem, set(np.flatnonzero(~fed).tolist()).difference(chosen)))
    equal = Cover(at_equal_count(problem, found.group, chosen))
    placed = Selection(endless, chosen)
    windless = placed if not problem.drifts else Selection(Cover(replace(endless.problem, drifts=())), chosen)
    by_hand = practice(equal, _lines(scenario, found))
    hand_m2 = None if by_hand is None else Selection(endless, by_hand.chosen).value
    filled = greedy(equal)
    own = covered_m2(instance, chosen)
    return Appraisal(
        nozzle_count=len(chosen),
        covered_area_m2=own[0],
        weighted_area_m2=own[1],
        practice=None if by_hand is None else rival(by_hand.chosen, covered_m2(instance, by_hand.chosen), own),
        pitches=() if by_hand is None else tuple(Pitch(*pitch) for pitch in by_hand.pitch_m),
        nozzles_saved=None if hand_m2 is None else nozzles_saved(endless, chosen, hand_m2),
        greedy=None if filled is None else rival(filled, covered_m2(instance, filled), own),
        next_nozzle_m2=next_nozzle_m2(placed),
        last_nozzle_m2=last_nozzle_m2(placed),
        reach_source=instance.nozzle.reach_source,
        reach=reach_cases(instance, chosen),
        uncovered=uncovered(ground, found, chosen, placed.addable(), windless.addable(), fed),
        gaps=_gaps(scenario, found, chosen),
    )


def chosen_of(design: Design, instance: Instance) -> tuple[int, ...]:
    """The candidates that a design's nozzles stand on."""
    found, lines = instance.candidates, instance.scenario.site.lines
    number = {
        (lines[line].name, chainage, azimuth, tilt): j
        for j, (line, chainage, azimuth, tilt) in enumerate(
            zip(found.line, found.chainage_m, found.azimuth_deg, found.tilt_deg, strict=True)
        )
    }
    return tuple(sorted(number[n.line, n.chainage_m, n.azimuth_deg, n.tilt_deg] for n in design.nozzles))


def fed_positions(instance: Instance, design: Design) -> NDArray[np.bool_]:
    """[J]: candidates that some pump of the design, at its set pressure, might keep at the band's low edge."""
    sites = {site.name: i for i, site in enumerate(instance.scenario.site.pump_sites)}
    kinds = {pump.name: pump for pump in instance.pumps}
    supply = Supply(
        pumps=tuple(kinds[pump.type] for pump in design.pumps),
        sites=tuple(sites[pump.site] for pump in design.pumps),
        groups=((),) * len(design.pumps),  # whichever circuit feeds it
        set_pa=tuple(pump.set_pressure_pa for pump in design.pumps),
    )
    return np.asarray(keeps_low_edge(instance, highest_pressures_pa(instance, supply)).any(axis=0))


def at_equal_count(problem: PlacementProblem, group: NDArray[np.int64], chosen: Sequence[int]) -> PlacementProblem:
    """The problem of rivals: as many nozzles in each schedule group, [J], as the choice has, beside its other limits;
    no least coverage, which may take more than an even pitch gives, and no limit of drift."""
    counts = np.bincount(group[list(chosen)], minlength=int(group.max()) + 1)
    equal = (Limit(tuple(np.flatnonzero(group == g).tolist()), int(most)) for g, most in enumerate(counts))
    return replace(problem, limits=(*equal, *problem.limits), floors=(), drifts=())


def covered_m2(instance: Instance, chosen: Sequence[int]) -> tuple[float, float]:
    """Area covered by a choice, plain and times the weights of the zones: exact, but where some ground needs two
    nozzles, or counts by summed dosage, the weighted one is of the cell model."""
    zones, cells = instance.scenario.site.zones, instance.candidates.cells
    shares = zone_shares_m2(instance.candidates.polygons[list(chosen)], zones)
    if (cells.need == 1).all() and not instance.candidates.dosed:
        return float(shares.sum()), float(shares @ [zone.weight for zone in zones])
    return float(shares.sum()), float(cells.value @ instance.candidates.counted(chosen))


def rival(chosen: Sequence[int], its: tuple[float, float], own: tuple[float, float]) -> Rival:
    """A rival by the areas, plain and weighted, that it and the design cover."""
    gained = [mine / other - 1.0 if other > 0.0 else None for mine, other in zip(own, its, strict=True)]
    return Rival(len(chosen), *its, *gained)


def _lines(scenario: Scenario, found: Candidates) -> Lines:
    """What a designer by hand goes by: weights of the zones in front of each candidate, and outside corners."""
    site = scenario.site
    weights = np.array([zone.weight for zone in site.zones])
    return Lines(
        line=found.line,
        chainage_m=found.chainage_m,
        weight=(zone_touch(found.polygons, site.zones) * weights).max(axis=1, initial=0.0),
        closed_length_m={i: float(line.line.length) for i, line in enumerate(site.lines) if line.closed},
        corners_m={
            i: outside_corners_m(line, sides(line, site.boundary, site.obstacles)).tolist()
            for i, line in enumerate(site.lines)
        },
        pitch_m=max(LEAST_PITCH_M, scenario.rules.spacing_least_m),
    )


def _gaps(scenario: Scenario, found: Candidates, chosen: Sequence[int]) -> tuple[Gap, ...] | None:
    greatest_m = scenario.rules.spacing_greatest_m
    return None if greatest_m is None else gaps(scenario.site, found.line, found.chainage_m, chosen, greatest_m)
