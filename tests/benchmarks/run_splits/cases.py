"""The cases of the benchmark: invented estates with their nozzles, and small sites that are odd in one way.

All pumps stand at the end of a single link. Circuits are full to the last nozzle, as a placement leaves them.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from optimizer.runs.problem import RunProblem, Tubing
from tests.optimizer import runs_estates
from tests.optimizer.runs_sites import CorridorArrays, Spots, estate, problem_of

BAND_PA = (12e5, 16e5)
SET_PA = 15e5
TUBES = (  # invented; bores and prices, fixing included, of scenarios/catalogue.toml
    Tubing("T3", 0.0032, 1.5e-6, 3.75),
    Tubing("T4", 0.0043, 1.5e-6, 4.65),
    Tubing("T6", 0.0065, 1.5e-6, 6.1),
    Tubing("T10", 0.0100, 1.5e-6, 9.9),
)
SIZES_AT_MOST = 2
UNIT_COST, CIRCUIT_COST = 5200.0, 240.0  # invented: a pump unit in place, a circuit's valve and outlet
PITCH_M = (8.0, 0.1)  # first spacing of the nozzles, and how much closer they move until there are enough
HOUSES = {75: (2, 2), 140: (3, 3), 220: (4, 4), 400: (5, 5)}  # across, down


@dataclass(frozen=True)
class Case:
    """One line of the table: nozzles, pumps and circuits of each, metres of relief, seed of the site.

    rows: an estate of rows beside trunk links, with steeper prices of tubing, instead of a fence round houses.
    """

    name: str
    nozzles: int
    pumps: int = 1
    circuits: int = 1
    relief_m: float = 0.0
    seed: int = 1
    rows: bool = False

    @property
    def units_cost(self) -> float:
        """What stands whatever the tubing is."""
        return self.pumps * (UNIT_COST + self.circuits * CIRCUIT_COST)


CASES = (
    Case("75", 75),
    Case("75 relief", 75, relief_m=8.0),
    Case("75 two circuits", 75, circuits=2),
    Case("75 two pumps", 75, pumps=2, relief_m=8.0),
    Case("140", 140),
    Case("140 relief", 140, relief_m=8.0),
    Case("140 two circuits", 140, circuits=2, relief_m=8.0),
    Case("140 two pumps", 140, pumps=2),
    Case("220", 220),
    Case("220 relief", 220, relief_m=8.0),
    Case("220 two circuits", 220, circuits=2),
    Case("220 two pumps", 220, pumps=2, relief_m=8.0),
    Case("400 two pumps", 400, pumps=2),
    Case("400 two pumps relief", 400, pumps=2, relief_m=8.0),
    Case("400 two pumps two circuits", 400, pumps=2, circuits=2),
    Case("75 in rows", 75, rows=True),
    Case("140 in rows", 140, relief_m=8.0, rows=True),
    Case("220 in rows", 220, rows=True),
    Case("400 in rows two pumps", 400, pumps=2, relief_m=8.0, rows=True),
)


def posed(case: Case) -> RunProblem:
    """The run problem of a case, its head reckoned with the highest flows."""
    if case.rows:
        return runs_estates.estate(
            case.nozzles, case.pumps, case.seed, circuits=case.circuits, relief_m=case.relief_m, spare=0.0
        )
    graph, spots = _site(case)
    most = -(-case.nozzles // (case.pumps * case.circuits))
    circuits = [(pump, 0, most) for pump in range(case.pumps) for _ in range(case.circuits)]
    return _problem(graph, spots, circuits, tuple(range(case.pumps)))


def _site(case: Case) -> tuple[CorridorArrays, Spots]:
    """An estate with exactly so many nozzles: the widest spacing that gives enough, some left out at random."""
    across, down = HOUSES[case.nozzles]
    pitch, closer = PITCH_M
    while True:
        graph, spots = estate(case.seed, across=across, down=down, pitch_m=pitch, relief_m=case.relief_m)
        if len(spots.line) >= case.nozzles:
            break
        pitch -= closer
    draw = np.random.default_rng(case.seed)
    kept = sorted(draw.choice(len(spots.line), case.nozzles, replace=False).tolist())
    return graph, Spots(*([column[k] for k in kept] for column in (spots.line, spots.chainage_m, spots.group)))


def _problem(
    graph: CorridorArrays, spots: Spots, circuits: list[tuple[int, int, int]], sites: tuple[int, ...]
) -> RunProblem:
    return problem_of(
        graph,
        spots,
        circuits,
        sites=sites,
        set_pressure_pa=SET_PA,
        band_low_pa=BAND_PA[0],
        tubing=TUBES,
        sizes_at_most=SIZES_AT_MOST,
    )


def ring() -> RunProblem:
    """A closed line without any junction; the pump stands on it."""
    graph, spots = _loop(linked=False)
    return _problem(graph, spots, [(0, 0, len(spots.line))], (0,))


def on_one_line() -> RunProblem:
    """All nozzles on one line, the pump at its middle."""
    graph = CorridorArrays()
    west, middle, east = (graph.node(x, 0.0) for x in (-60.0, 0.0, 60.0))
    graph.edge(west, middle, line=0, from_m=0.0, to_m=60.0)
    graph.edge(middle, east, line=0, from_m=60.0, to_m=120.0)
    graph.site_node.append(_pump(graph, middle, 0.0, -20.0))
    return _problem(graph, _row(120.0, 30), [(0, 0, 30)], (0,))


def pumps_at_both_ends() -> RunProblem:
    """One line with a pump at each end, either of which could feed all of it."""
    graph = CorridorArrays()
    west, east = graph.node(0.0, 0.0), graph.node(120.0, 0.0)
    graph.edge(west, east, line=0, from_m=0.0, to_m=120.0)
    graph.site_node += [_pump(graph, west, -5.0, 0.0), _pump(graph, east, 125.0, 0.0)]
    return _problem(graph, _row(120.0, 24), [(0, 0, 24), (1, 0, 24)], (0, 1))


def free_ground() -> RunProblem:
    """A loop with chords whose ground costs nothing."""
    graph, spots = _loop(free=True)
    return _problem(graph, spots, [(0, 0, len(spots.line))], (0,))


def one_nozzle() -> RunProblem:
    """A single nozzle on a loop, with two ways to it."""
    graph, spots = _loop()
    return _problem(graph, Spots(spots.line[:1], spots.chainage_m[:1], [0]), [(0, 0, 1)], (0,))


def equal_lengths() -> RunProblem:
    """A grid of equal squares, a nozzle in the middle of every side: many trees of one length."""
    graph, side = CorridorArrays(), 20.0
    node = {(i, j): graph.node(side * i, side * j) for i in range(3) for j in range(3)}
    across = [((i, j), (i + 1, j)) for i in range(2) for j in range(3)]
    sides = [*across, *(((i, j), (i, j + 1)) for i in range(3) for j in range(2))]
    for line, (a, b) in enumerate(sides):
        graph.edge(node[a], node[b], line=line, from_m=0.0, to_m=side)
    graph.site_node.append(_pump(graph, node[0, 0], -10.0, 0.0))
    count = len(sides)
    return _problem(graph, Spots([*range(count)], [side / 2.0] * count, [0] * count), [(0, 0, count)], (0,))


def shared_crossing() -> RunProblem:
    """Two circuits whose tubes share a long crossing of paving, with a sleeve."""
    graph = CorridorArrays()
    site, far = graph.node(0.0, 0.0), graph.node(0.0, 120.0)
    graph.edge(site, far, link=0, ground="paving", sleeve_cost=400.0)
    ends = [graph.node(x, 120.0) for x in (-60.0, 60.0)]
    for line, end in enumerate(ends):
        graph.edge(far, end, line=line, from_m=0.0, to_m=60.0)
    graph.site_node.append(site)
    chainages = [3.0 + 6.0 * i for i in range(10)]
    return _problem(graph, Spots([0] * 10 + [1] * 10, chainages * 2, [0] * 20), [(0, 0, 10), (0, 0, 10)], (0,))


ODD: dict[str, Callable[[], RunProblem]] = {
    "ring without a junction": ring,
    "all on one line": on_one_line,
    "a pump at both ends": pumps_at_both_ends,
    "ground that costs nothing": free_ground,
    "one nozzle": one_nozzle,
    "equal lengths": equal_lengths,
    "long crossing of two circuits": shared_crossing,
}


def _loop(*, linked: bool = True, free: bool = False) -> tuple[CorridorArrays, Spots]:
    """A square line of 160 m, its pump at a corner, linked to it or on it; free: chords of ground without a price."""
    graph = CorridorArrays()
    corner = [graph.node(x, y) for x, y in ((0.0, 0.0), (40.0, 0.0), (40.0, 40.0), (0.0, 40.0))]
    for i in range(4):
        graph.edge(corner[i], corner[(i + 1) % 4], line=0, from_m=40.0 * i, to_m=40.0 * (i + 1))
    if free:
        graph.edge(corner[0], corner[2], link=1, unit_cost=0.0)
        graph.edge(corner[1], corner[3], link=2, unit_cost=0.0)
    graph.site_node.append(_pump(graph, corner[0], -12.0, -9.0) if linked else corner[0])
    return graph, _row(160.0, 26)


def _pump(graph: CorridorArrays, node: int, x: float, y: float) -> int:
    """A pump site with a link to a node."""
    site = graph.node(x, y)
    graph.edge(site, node, link=len(graph.link), ground="lawn")
    return site


def _row(length_m: float, count: int) -> Spots:
    """Nozzles at an even pitch along line 0."""
    return Spots([0] * count, [(i + 0.5) * length_m / count for i in range(count)], [0] * count)
