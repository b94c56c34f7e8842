"""Invented estates of any number of nozzles: trunk links between crossings, spurs to rows of mounting line. No real
site."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable

import numpy as np

from optimizer.runs.problem import RunProblem, Tubing
from tests.optimizer.runs_sites import TUBING, CorridorArrays, Spots, problem_of

WIDE = (*TUBING, Tubing("wide", 0.0148, 1.5e-6, 11.5))  # invented, as TUBING is
CROSSING_M = 42.0
ROW_NOZZLES = 10
PITCH_M = 4.5


def estate(
    nozzles: int, pumps: int = 1, seed: int = 0, *, circuits: int = 1, relief_m: float = 0.0, spare: float = 0.05
) -> RunProblem:
    """A site of so many nozzles, each pump at the end of a link of its own; circuits: of each pump.

    relief_m: difference of ground from west to east, with a hollow half as deep across; spare: room of the circuits
    beyond what an even share takes.
    """
    draw = np.random.default_rng(seed)
    rows = math.ceil(nozzles / ROW_NOZZLES)
    across = max(2, round(math.sqrt(rows * 1.2)))
    down = max(2, math.ceil(rows / across))
    c, spots = CorridorArrays(), Spots([], [], [])
    wide = CROSSING_M * (across - 1)

    def node(x: float, y: float) -> int:
        return c.node(x, y, relief_m * (x / wide - 0.5 * math.sin(math.pi * y / (CROSSING_M * down))))

    crossing = {
        (i, j): node(CROSSING_M * i + draw.uniform(-6, 6), CROSSING_M * j + draw.uniform(-6, 6))
        for i, j in itertools.product(range(across), range(down))
    }
    links = itertools.count()

    def link(a: int, b: int) -> None:
        paved = draw.random() < 0.25
        c.edge(a, b, link=next(links), ground="paving" if paved else "lawn", sleeve_cost=35.0 if paved else 0.0)

    for (i, j), here in crossing.items():
        if i + 1 < across:
            link(here, crossing[i + 1, j])
        if j + 1 < down and (i in (0, across - 1) or draw.random() < 0.6):
            link(here, crossing[i, j + 1])
    places = list(crossing)
    for row in range(rows):
        i, j = places[row % len(places)]
        _row(c, spots, draw, row, crossing[i, j], node, link, nozzles * (row + 1) // rows - nozzles * row // rows)
    corners = [(0, 0), (across - 1, down - 1), (across - 1, 0), (0, down - 1)]
    for place in corners[:pumps]:
        end = crossing[place]
        out = -18.0 if place[0] == 0 else 18.0
        site = node(c.x_m[end] + out, c.y_m[end] + 5.0)
        link(site, end)
        c.site_node.append(site)
    most = math.ceil(nozzles * (1.0 + spare) / (pumps * circuits))
    return problem_of(
        c, spots, [(p, 0, most) for p in range(pumps) for _ in range(circuits)], sites=tuple(range(pumps)),
        set_pressure_pa=15.5e5, band_low_pa=12e5, tubing=WIDE,
    )  # fmt: skip


def _row(
    c: CorridorArrays,
    spots: Spots,
    draw: np.random.Generator,
    line: int,
    crossing: int,
    node: Callable[[float, float], int],
    link: Callable[[int, int], None],
    count: int,
) -> None:
    """A straight mounting line of `count` nozzles beside a crossing, with a spur to its start, middle or both ends."""
    length = PITCH_M * count
    x, y = c.x_m[crossing] + draw.uniform(3, 9), c.y_m[crossing] + draw.uniform(3, 12)
    heading = draw.choice([0.0, math.pi / 2]) + draw.uniform(-0.1, 0.1)
    middle = length * draw.uniform(0.3, 0.7)
    at = [(s, node(x + s * math.cos(heading), y + s * math.sin(heading))) for s in (0.0, middle, length)]
    for (s, a), (t, b) in itertools.pairwise(at):
        c.edge(a, b, line=line, from_m=s, to_m=t)
    link(crossing, at[int(draw.integers(2))][1])
    if draw.random() < 0.6:  # the far end meets another corridor
        end = at[2][1]
        others = [p for p in range(len(c.x_m)) if p not in {a for _, a in at} and p != crossing]
        link(end, min(others, key=lambda p: math.hypot(c.x_m[p] - c.x_m[end], c.y_m[p] - c.y_m[end])))
    spots.line.extend([line] * count)
    spots.chainage_m.extend((n + draw.uniform(0.25, 0.75)) * PITCH_M for n in range(count))
    spots.group.extend([0] * count)
