"""A run problem as plain lists, for the many evaluations of a search.

Flows are whole numbers of `FLOW_UNIT_M3_S`, rounded up, so that sums do not depend on their order and may
serve as keys.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hydraulics.fittings import minor_loss_pa
from hydraulics.friction import GRAVITY_M_S2, pressure_gradient_pa_m
from optimizer.runs.problem import RunProblem
from optimizer.runs.segments import Segments, contract

FLOW_UNIT_M3_S = 1e-15
KNOTS = 4096  # knots of a friction table
TABLE_MARGIN = 1e-5  # covers the table's error where the law is not convex (1e-6 at most there)


@dataclass(frozen=True)
class Size:
    """A tubing size: friction (Pa/m) at evenly spaced flows, `knots_per_unit` of them a flow unit; minor loss (Pa) per
    K at unit flow."""

    cost_per_m: float
    gradient_pa_m: NDArray[np.float64]
    knots_per_unit: float
    minor_pa: float


@dataclass(frozen=True)
class Prepared:
    """Lists by point, piece or pump of `segments`.

    length_m, rise_pa (from a piece's lower-numbered end of its segment to the other), trench_cost (0 along a
    main, which is dug and paid for): by piece; dug: pieces whose ground work costs; nozzle: nozzle at each
    point or -1; spot: point of each nozzle; flow: by pump, by point, in flow units; root: by pump;
    may_feed: by circuit, by nozzle, whether group and height allow it; sizes: all on offer.
    """

    problem: RunProblem
    segments: Segments
    length_m: tuple[float, ...]
    rise_pa: tuple[float, ...]
    trench_cost: tuple[float, ...]
    dug: tuple[int, ...]
    nozzle: tuple[int, ...]
    spot: tuple[int, ...]
    flow: tuple[tuple[int, ...], ...]
    root: tuple[int, ...]
    may_feed: tuple[tuple[bool, ...], ...]
    sizes: tuple[Size, ...]


def prepare(problem: RunProblem) -> Prepared:
    """Contract the layout and tabulate."""
    layout = problem.layout
    roots = [problem.outlet_point(p) for p in range(len(problem.pumps))]
    segments = contract(layout, roots)
    mains = {part.piece for pump in problem.pumps for part in pump.main}
    trench = [0.0 if e in mains else float(layout.trench_cost[e]) for e in segments.piece]
    number = {p: i for i, p in enumerate(segments.point)}
    spot = tuple(number[int(p)] for p in layout.nozzle_point)
    nozzle = [-1] * len(segments.point)
    for k, p in enumerate(spot):
        nozzle[p] = k
    head = problem.water.density_kg_m3 * GRAVITY_M_S2
    z = [float(layout.z_m[p]) for p in segments.point]
    flows = [_flows(problem, pump, nozzle) for pump in range(len(problem.pumps))]
    most = max((sum(f) for f in flows), default=1)
    return Prepared(
        problem=problem,
        segments=segments,
        length_m=tuple(float(layout.length_m[e]) for e in segments.piece),
        rise_pa=tuple(head * (z[b] - z[a]) for a, b in segments.ends),
        trench_cost=tuple(trench),
        dug=tuple(i for i, cost in enumerate(trench) if cost > 0),
        nozzle=tuple(nozzle),
        spot=spot,
        flow=tuple(flows),
        root=tuple(number[p] for p in roots),
        may_feed=tuple(_may_feed(problem, c) for c in range(len(problem.circuits))),
        sizes=tuple(_size(problem, i, most) for i in range(len(problem.tubing))),
    )


def _flows(problem: RunProblem, pump: int, nozzle: list[int]) -> tuple[int, ...]:
    units = np.ceil(problem.safe_flow_m3_s(pump) / FLOW_UNIT_M3_S)
    return tuple(int(units[k]) if k >= 0 else 0 for k in nozzle)


def _may_feed(problem: RunProblem, circuit: int) -> tuple[bool, ...]:
    """Whether each nozzle is of the circuit's group and low enough for its pump even without any loss."""
    given = problem.circuits[circuit]
    z = problem.layout.z_m
    rise = z[problem.layout.nozzle_point] - z[problem.pump_point(given.pump)]
    still = problem.pumps[given.pump].set_pressure_pa - problem.water.density_kg_m3 * GRAVITY_M_S2 * rise
    return tuple(
        group == given.group and bool(p >= problem.band_low_pa)
        for group, p in zip(problem.group, still, strict=True)
    )


def _size(problem: RunProblem, index: int, most: int) -> Size:
    tubing, water = problem.tubing[index], problem.water
    flows = np.linspace(0.0, most * FLOW_UNIT_M3_S, KNOTS + 1)
    gradient = pressure_gradient_pa_m(flows, tubing.bore_m, tubing.roughness_m, water) * (1.0 + TABLE_MARGIN)
    minor = float(minor_loss_pa(1.0, 1.0, tubing.bore_m, water.density_kg_m3)) * FLOW_UNIT_M3_S**2
    table = np.append(gradient, gradient[-1])
    return Size(tubing.cost_per_m, table, KNOTS / max(1, most), minor)
