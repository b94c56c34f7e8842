"""An instance posed as a placement problem: windows of its lines, and what the circuits of a supply can feed."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from itertools import combinations, pairwise

import numpy as np
from numpy.typing import NDArray

from optimizer.catalogue import PumpType
from optimizer.errors import NoDesign
from optimizer.instance import Instance, nozzles_within
from optimizer.placement.problem import Limit, PlacementProblem, require_possible
from optimizer.placement.windows import cover_windows, line_orders, spacing_windows
from optimizer.solve.supply import CircuitLimits, Supply


def placement_problem(instance: Instance) -> PlacementProblem:
    """The placement of an instance before it is known how many nozzles the circuits feed.

    Raises NoDesign where its rules contradict each other at sight.
    """
    found, rules, site = instance.candidates, instance.scenario.rules, instance.scenario.site
    closed = {i: float(line.line.length) for i, line in enumerate(site.lines) if line.closed}
    greatest = {i: rules.spacing_greatest_m for i, line in enumerate(site.lines) if line.continuous}
    free = {
        i: [(stretch.from_m, stretch.to_m) for stretch in (*line.no_nozzles, *line.no_tubing)]
        for i, line in enumerate(site.lines)
    }
    problem = PlacementProblem(
        value=found.cells.value,
        incidence=found.cells.incidence,
        need=np.ones(len(found.cells.value), dtype=np.int64),
        bonus=np.zeros(found.count),
        lines=line_orders(found.line, found.chainage_m),
        spacing=spacing_windows(found.line, found.chainage_m, closed, rules.spacing_least_m),
        cover=cover_windows(
            found.line, found.chainage_m, closed, {i: g for i, g in greatest.items() if g is not None}, free
        ),
        locked=tuple(int(j) for j in np.flatnonzero(found.locked)),
        names=tuple(
            f"{site.lines[line].name} at {chainage:.2f} m"
            for line, chainage in zip(found.line, found.chainage_m, strict=True)
        ),
    )
    require_possible(problem)
    return problem


def most_per_circuit(instance: Instance, pump: PumpType) -> int:
    """Nozzles that one circuit of a pump feeds where each draws least. Raises NoDesign where that is none."""
    rules = instance.scenario.rules
    most = nozzles_within(rules, pump, float(instance.nozzle.curve.flow_m3_s(rules.band_low_pa)))
    if most < 1:
        raise NoDesign("reserve", f"a circuit of {pump.name} serves not even one nozzle: choose a larger pump or a "
                       "smaller reserve")  # fmt: skip
    return most


def shares(circuits: int, groups: int) -> Iterator[tuple[int, ...]]:
    """Every way to give all circuits to the schedule groups, one each at least."""
    for cut in combinations(range(1, circuits), groups - 1):
        yield tuple(b - a for a, b in pairwise((0, *cut, circuits)))


def shared_out(base: PlacementProblem, instance: Instance, share: tuple[int, ...], most: int) -> PlacementProblem:
    """The placement for so many circuits of each schedule group, each of which feeds `most` nozzles."""
    return _limited(base, instance, [count * most for count in share])


def limited(base: PlacementProblem, instance: Instance, supply: Supply, limits: CircuitLimits) -> PlacementProblem:
    """The placement for what the circuits of a supply feed, [pumps][circuits] nozzles at most."""
    room = [0] * len(instance.candidates.groups)
    for groups, counts in zip(supply.groups, limits, strict=True):
        for group, count in zip(groups, counts, strict=True):
            room[group] += count
    return _limited(base, instance, room)


def _limited(base: PlacementProblem, instance: Instance, room: list[int]) -> PlacementProblem:
    """One limit for each schedule group. Raises NoDesign where locked positions ask for more."""
    found = instance.candidates
    members = [np.flatnonzero(found.group == group) for group in range(len(room))]
    names = [f"the circuits of schedule {name}" for name in found.groups] if len(room) > 1 else ["the circuits"]
    limits = tuple(Limit(tuple(own.tolist()), most, name) for own, most, name in zip(members, room, names, strict=True))
    problem = replace(base, limits=limits)
    require_possible(problem)
    return problem


def chosen_in(problem: PlacementProblem, chosen: NDArray[np.int64] | tuple[int, ...]) -> list[int]:
    """How many of the chosen each limit holds."""
    picked = set(int(j) for j in chosen)
    return [len(picked.intersection(limit.members)) for limit in problem.limits]
