"""Which positions a supply can serve at all: a bound on each one's pressure, whatever tubing and company it gets."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array
from scipy.sparse.csgraph import dijkstra

from geometry.corridors import Corridors
from hydraulics.friction import pressure_gradient_pa_m
from hydraulics.units import show_both
from optimizer.errors import NoDesign, Unfed
from optimizer.instance import Candidates, Instance
from optimizer.placement.problem import PlacementProblem
from optimizer.solve.mains import box_node
from optimizer.solve.supply import Supply, reducible, rises_pa, water_of

TOLERANCE = 1e-9  # relative, of the band's edges
LEAST_M = 1e-9  # of an edge, since sparse graphs drop zeros
RUN_LONGEST = "run_longest"  # rule of a refusal
EASED = ("band", RUN_LONGEST)  # refusals that fewer far positions ease
TOUCH_M = 1e-6  # tolerance on a chainage at the end of a corridor edge

NONE: Mapping[int, float] = MappingProxyType({})

Floats = NDArray[np.float64]


def servable(
    instance: Instance, base: PlacementProblem, supply: Supply, proven: Mapping[int, float] = NONE
) -> PlacementProblem:
    """The placement without the positions that no pump of the supply can keep in the band.

    Left out are those that stay below the band even as a pump's only nozzle, or lie further than a run may be long,
    and, unless locked or reducers may pay, those that might stand above it where others do not. They stay numbered but
    are barred. proven: pressures of positions that a trial kept in the band; what those lose beyond their bound others
    may lose too. Raises NoDesign where none is left, or where a locked one would have to go.
    """
    rules = instance.scenario.rules
    most = highest_pressures_pa(instance, supply)
    reached = keeps_low_edge(instance, most) & within_longest_run(instance, supply)
    lost = [float(most[:, j].max()) - pressure for j, pressure in proven.items()]
    high_pa = max([rules.band_high_pa + min(lost, default=0.0), *most[:, list(proven)].max(axis=0)])
    reduced = [[reducible(instance, still)] for still in rises_pa(instance, supply.sites)]
    safe = np.asarray(most <= high_pa * (1.0 + TOLERANCE)) | np.array(reduced)
    fits: NDArray[np.bool_] = np.any(reached & safe, axis=0)
    if not fits.any():
        fits = np.any(reached, axis=0)
    fits[list(base.locked)] = np.any(reached, axis=0)[list(base.locked)]
    if fits.all():
        return base
    barred = np.flatnonzero(~fits)
    locked = sorted(set(base.locked).intersection(barred.tolist()))
    if locked or not fits.any():
        worst = locked[0] if locked else int(barred[most.max(axis=0)[barred].argmax()])
        if not within_longest_run(instance, supply)[:, worst].any():
            raise _too_far(base.name(worst), rules.run_longest_m or 0.0)
        raise _outside(base.name(worst), float(most[:, worst].max()), supply, rules.band_low_pa)
    return without(base, barred)


def without(base: PlacementProblem, barred: Iterable[int]) -> PlacementProblem:
    """The placement without some positions, which must not be locked ones."""
    return replace(base, barred=tuple(sorted({*base.barred, *(int(j) for j in barred)})))


def hardest(
    instance: Instance, base: PlacementProblem, supply: Supply, chosen: Sequence[int], refusal: NoDesign, count: int
) -> set[int]:
    """The positions to leave out where the chosen cannot all be fed: the one that the refusal names, those that get
    least pressure, or lie furthest where runs grow too long, `count` in all, and what is no easier on their lines.
    Locked ones stay."""
    far = -_ways_from_outlets_m(instance, supply).min(axis=0)
    most = far if refusal.rule == RUN_LONGEST else highest_pressures_pa(instance, supply).max(axis=0)
    loose = sorted(set(chosen) - set(base.locked), key=lambda j: (most[j], j))
    named = [chosen[refusal.nozzle]] if isinstance(refusal, Unfed) else []
    return _beyond(instance, base, [*named, *loose[: count - len(named)]], most)


def outside(
    instance: Instance, base: PlacementProblem, supply: Supply, low: Iterable[int], high: Iterable[int]
) -> set[int]:
    """The positions to leave out where some stood below the band and some above it, and what is no better on their
    lines. Locked ones stay."""
    most = highest_pressures_pa(instance, supply).max(axis=0)
    return _beyond(instance, base, low, most) | _beyond(instance, base, high, -most)


def _beyond(instance: Instance, base: PlacementProblem, found: Iterable[int], measure: Floats) -> set[int]:
    """What has at most the measure of one of those found on the same line; those locked left out."""
    line = instance.candidates.line
    far = [np.flatnonzero((line == line[j]) & (measure <= measure[j])) for j in found]
    return {int(j) for some in far for j in some} - set(base.locked)


def highest_pressures_pa(instance: Instance, supply: Supply) -> Floats:
    """[sites, candidates]: no design inside the band gives a candidate more pressure from a site's pump.

    set pressure - rho g rise - loss of the shortest way at the flow of one nozzle at the band's low edge, in the tubing
    that loses least: whatever feeds the nozzle carries at least that, at least so far.
    """
    flow = float(instance.nozzle.curve.flow_m3_s(instance.scenario.rules.band_low_pa))
    water = water_of(instance)
    least = min(float(pressure_gradient_pa_m(flow, tube.bore_m, tube.roughness_m, water)) for tube in instance.tubing)
    ways = ways_m(instance.candidates, supply.sites)
    return np.array(supply.set_pa)[:, None] - rises_pa(instance, supply.sites) - least * ways


def keeps_low_edge(instance: Instance, most_pa: Floats) -> NDArray[np.bool_]:
    """[sites, candidates]: whether a pump can keep a candidate at the band's low edge, given `highest_pressures_pa`."""
    return np.asarray(most_pa >= instance.scenario.rules.band_low_pa * (1.0 - TOLERANCE))


def within_longest_run(instance: Instance, supply: Supply) -> NDArray[np.bool_]:
    """[sites, candidates]: whether the shortest way from where a pump's circuits begin is no longer than a run may be.
    """
    longest = instance.scenario.rules.run_longest_m
    ways = _ways_from_outlets_m(instance, supply)
    return np.asarray(ways <= (np.inf if longest is None else longest * (1.0 + TOLERANCE)))


def _ways_from_outlets_m(instance: Instance, supply: Supply) -> Floats:
    """[pumps, candidates]: length of the shortest way from a pump, or from the box of its field valves."""
    graph = instance.candidates.corridors
    starts = [
        int(graph.site_node[site]) if main is None else box_node(graph, site, main)
        for site, main in zip(supply.sites, supply.trunks, strict=True)
    ]
    return _ways_from_m(instance.candidates, starts)


def ways_m(found: Candidates, sites: Sequence[int]) -> Floats:
    """[sites, candidates]: length of the shortest way from a pump site along the corridors; inf where there is none."""
    return _ways_from_m(found, [int(node) for node in found.corridors.site_node[list(sites)]])


def _ways_from_m(found: Candidates, nodes: Sequence[int]) -> Floats:
    """[nodes, candidates]: length of the shortest way from a corridor node."""
    graph = found.corridors
    at_nodes = dijkstra(_lengths(graph), directed=False, indices=list(nodes))
    ways = np.full((len(nodes), found.count), np.inf)
    for edge in np.flatnonzero(graph.line >= 0):
        start, end = float(graph.from_m[edge]), float(graph.to_m[edge])
        on = np.flatnonzero(
            (found.line == graph.line[edge])
            & (found.chainage_m >= start - TOUCH_M)
            & (found.chainage_m <= end + TOUCH_M)
        )
        share = (found.chainage_m[on] - start) / (end - start)
        for node, part in ((graph.tail[edge], share), (graph.head[edge], 1.0 - share)):
            way = at_nodes[:, [node]] + part[None, :] * graph.length_m[edge]
            ways[:, on] = np.minimum(ways[:, on], way)
    return ways


def _lengths(graph: Corridors) -> csr_array:
    """Nodes by nodes, the shorter where two edges join the same nodes."""
    shortest: dict[tuple[int, int], float] = {}
    for tail, head, length in zip(graph.tail, graph.head, graph.length_m, strict=True):
        pair = (min(int(tail), int(head)), max(int(tail), int(head)))
        shortest[pair] = min(shortest.get(pair, np.inf), max(LEAST_M, float(length)))
    rows, columns = zip(*shortest, strict=True) if shortest else ((), ())
    return csr_array((list(shortest.values()), (rows, columns)), shape=(len(graph.x_m), len(graph.x_m)))


def _too_far(position: str, longest_m: float) -> NoDesign:
    return NoDesign(
        RUN_LONGEST,
        f"{position} stands further from every pump, along the shortest way, than the {show_both(longest_m, 'length')} "
        "that run_longest allows; raise it, choose a pump site nearer to it, draw a shorter tubing link, or let the "
        "valves stand in the field",
    )


def _outside(position: str, most_pa: float, supply: Supply, low_pa: float) -> NoDesign:
    pressures = ", ".join(show_both(set_pa, "pressure") for set_pa in supply.set_pa)
    return NoDesign(
        "band",
        f"{position} stands too high or too far for a set pressure of {pressures}: as the only nozzle it gets "
        f"{show_both(most_pa, 'pressure', 3)} of the {show_both(low_pa, 'pressure', 3)} it needs even with the "
        "widest tubing; raise the set pressure, offer wider tubing, or choose a pump site nearer to it",
    )
