"""Invented corridor graphs for the tests of run splits, built from plain arrays. No real site."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from hydraulics.nozzle import NozzleCurve
from hydraulics.water import Water
from optimizer.runs.layout import Layout, layout
from optimizer.runs.problem import Circuit, LossFactors, PumpChoice, RunProblem, Tubing

# all invented
TUBING = (
    Tubing("small", 0.0044, 1.5e-6, 2.0),
    Tubing("middle", 0.0064, 1.5e-6, 3.1),
    Tubing("large", 0.0081, 1.5e-6, 4.6),
    Tubing("trunk", 0.0108, 1.5e-6, 7.5),
)
WATER = Water(20.0, 998.207, 1.0016e-3)
CURVE = NozzleCurve("invented fine", 5.6e-10, 5.5e5, 0.53)
GROUNDS = {"lawn": 6.5, "paving": 28.0}


@dataclass
class CorridorArrays:
    """What layout() reads of geometry's corridors."""

    x_m: list[float] = field(default_factory=list)
    y_m: list[float] = field(default_factory=list)
    z_m: list[float] = field(default_factory=list)
    tail: list[int] = field(default_factory=list)
    head: list[int] = field(default_factory=list)
    length_m: list[float] = field(default_factory=list)
    plan_m: list[float] = field(default_factory=list)
    line: list[int] = field(default_factory=list)
    from_m: list[float] = field(default_factory=list)
    to_m: list[float] = field(default_factory=list)
    link: list[int] = field(default_factory=list)
    ground: list[str] = field(default_factory=list)
    unit_cost: list[float] = field(default_factory=list)
    sleeve_cost: list[float] = field(default_factory=list)
    azimuth_deg: list[float] = field(default_factory=list)
    site_node: list[int] = field(default_factory=list)

    def node(self, x: float, y: float, z: float = 0.0) -> int:
        self.x_m.append(x)
        self.y_m.append(y)
        self.z_m.append(z)
        return len(self.x_m) - 1

    def edge(
        self,
        tail: int,
        head: int,
        *,
        line: int = -1,
        from_m: float = math.nan,
        to_m: float = math.nan,
        link: int = -1,
        ground: str = "",
        unit_cost: float = math.nan,
        sleeve_cost: float = 0.0,
        allowance: float = 0.05,
    ) -> int:
        dx, dy = self.x_m[head] - self.x_m[tail], self.y_m[head] - self.y_m[tail]
        rise = self.z_m[head] - self.z_m[tail]
        plan = math.hypot(dx, dy)
        row: dict[str, Any] = {
            "tail": tail, "head": head, "length_m": math.hypot(plan, rise) * (1 + allowance), "plan_m": plan,
            "line": line, "from_m": from_m, "to_m": to_m, "link": link, "ground": ground,
            "unit_cost": unit_cost, "sleeve_cost": sleeve_cost,
            "azimuth_deg": math.degrees(math.atan2(dx, dy)) % 360.0 if plan else math.nan,
        }  # fmt: skip
        for name, value in row.items():
            getattr(self, name).append(value)
        return len(self.tail) - 1


@dataclass(frozen=True)
class Spots:
    """Nozzles: mounting line, chainage and schedule group."""

    line: list[int]
    chainage_m: list[float]
    group: list[int]


def estate(
    seed: int,
    *,
    across: int = 3,
    down: int = 3,
    pitch_m: float = 5.0,
    relief_m: float = 6.0,
    groups: int = 1,
) -> tuple[CorridorArrays, Spots]:
    """A fence round `across` x `down` houses, each with a ring of mounting line; links between them, 3 pump sites."""
    draw = np.random.default_rng(seed)
    c = CorridorArrays()
    wide, deep = 45.0 * across, 40.0 * down
    slope = relief_m / wide
    spots = Spots([], [], [])

    def z(x: float, y: float) -> float:
        return slope * x + 0.3 * math.sin(y / 15)

    def ring(line: int, x0: float, y0: float, x1: float, y1: float, at: list[float], group: int) -> list[int]:
        """A closed line, clockwise from its lower left corner; its nodes at its start and the chainages given."""
        around = 2 * (x1 - x0) + 2 * (y1 - y0)

        def xy(s: float) -> tuple[float, float]:
            s %= around
            for (px, py), (qx, qy) in zip(corners, corners[1:] + corners[:1], strict=True):
                side = abs(qx - px) + abs(qy - py)
                if s <= side:
                    return px + (qx - px) * s / side, py + (qy - py) * s / side
                s -= side
            raise AssertionError

        corners = [(x0, y0), (x0, y1), (x1, y1), (x1, y0)]
        turning = [(y1 - y0), (y1 - y0) + (x1 - x0), 2 * (y1 - y0) + (x1 - x0)]
        node = {s: c.node(*xy(s), z(*xy(s))) for s in sorted({0.0, *at, *turning})}
        for s, after in itertools.pairwise([*node, around]):
            c.edge(node[s], node[after % around], line=line, from_m=s, to_m=after)
        count = int(around / pitch_m)
        for n in range(count):
            spots.line.append(line)
            spots.chainage_m.append((n + draw.uniform(0.2, 0.8)) * around / count)
            spots.group.append(group)
        return [node[s] for s in sorted({0.0, *at})]

    fence_at = sorted({round(float(s), 2) for s in draw.uniform(5, 2 * (wide + deep) - 5, 4 * across)})
    fence = ring(0, 0, 0, wide, deep, fence_at, 0)
    houses = []
    for i in range(across):
        for j in range(down):
            x0, y0 = 45.0 * i + 12 + draw.uniform(-3, 3), 40.0 * j + 11 + draw.uniform(-3, 3)
            w, h = draw.uniform(10, 20), draw.uniform(8, 16)
            at = sorted(round(float(s), 2) for s in draw.uniform(2, 2 * (w + h) - 2, 3))
            group = int(draw.integers(groups))
            houses.append(ring(1 + len(houses), x0, y0, x0 + w, y0 + h, at, group))
    links = 0

    def link(a: int, b: int) -> None:
        nonlocal links
        paved = draw.random() < 0.3
        c.edge(a, b, link=links, ground="paving" if paved else "lawn", sleeve_cost=40.0 if paved else 0.0)
        links += 1

    def nearest(one: list[int], two: list[int]) -> tuple[int, int]:
        return min((math.hypot(c.x_m[a] - c.x_m[b], c.y_m[a] - c.y_m[b]), a, b) for a in one for b in two)[1:]

    for i in range(across):
        for j in range(down):
            here = houses[i * down + j]
            if i + 1 < across:
                link(*nearest(here, houses[(i + 1) * down + j]))
            if j + 1 < down:
                link(*nearest(here, houses[i * down + j + 1]))
            if i in (0, across - 1) or j in (0, down - 1):
                link(*nearest(here, fence))
    for fx, fy in ((0.1, 0.1), (0.9, 0.5), (0.5, 0.95)):
        site = c.node(wide * fx, deep * fy, z(wide * fx, deep * fy))
        everything = [n for house in houses for n in house]
        link(site, nearest([site], everything)[1])
        c.site_node.append(site)
    return c, spots


def problem_of(
    c: CorridorArrays,
    spots: Spots,
    circuits: list[tuple[int, int, int]],
    *,
    sites: tuple[int, ...] = (0,),
    set_pressure_pa: float = 15e5,
    band_low_pa: float = 12e5,
    tubing: tuple[Tubing, ...] = TUBING,
    sizes_at_most: int = 2,
    k: LossFactors | None = None,
) -> RunProblem:
    """A problem; circuits: (pump, group, nozzles at most)."""
    pumps = tuple(PumpChoice(f"invented {s}", s, set_pressure_pa, 4.0, 0.0108) for s in sites)
    return RunProblem(
        layout=laid_out(c, spots),
        group=tuple(spots.group),
        tubing=tubing,
        sizes_at_most=sizes_at_most,
        pumps=pumps,
        circuits=tuple(Circuit(*row) for row in circuits),
        curve=CURVE,
        water=WATER,
        band_low_pa=band_low_pa,
        k=k or LossFactors(),
    )


def laid_out(c: CorridorArrays, spots: Spots) -> Layout:
    """The layout of an invented corridor graph."""
    return layout(c, spots.line, spots.chainage_m, GROUNDS)  # type: ignore[arg-type]
