"""Data of the contracted model: what each segment costs, carries and loses, safely or optimistically.

Every nozzle of a circuit draws one flow here. Safe: the highest of its safe flows, losses above the law
by chords, the dearest fitting at the start of every tube. Optimistic: the flow at the band's low edge,
losses below the law by its lower hull, no fitting at the start. So what the safe model finds can be
built, and the optimistic model's optimum is below the cost of every verified design of its class.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from hydraulics.fittings import minor_loss_pa
from hydraulics.friction import GRAVITY_M_S2, pressure_gradient_pa_m
from optimizer.runs.prepared import Prepared
from optimizer.runs.segments import Way
from optimizer.runs.trees import fitting_k

LINES = 6  # pieces of a loss curve
SUPPLY_LINES = 4
Line = tuple[float, float]  # slope (Pa a nozzle) and value at 0 (Pa)
Floats = NDArray[np.float64]
CLASS = (
    "these nozzles, pump sites, set pressures and most nozzles a circuit; one tubing size along each part of a segment "
    "between junctions that a circuit feeds from one end"
)


@dataclass(frozen=True)
class Pass:
    """A circuit's tube along a whole way that feeds all nozzles of its group there, or none, or if loose
    any number.

    nozzles: fed on the way; at_most: if loose, 0 else; top_pa: highest rise to one of them, -inf without;
    lines: by size, loss >= slope x nozzles fed beyond the end + value.
    """

    circuit: int
    way: int
    start: int
    end: int
    nozzles: int
    at_most: int
    length_m: float
    rise_pa: float
    top_pa: float
    lines: tuple[tuple[Line, ...], ...]


@dataclass(frozen=True)
class Stub:
    """A circuit's dead end that feeds the first nozzles of its group on a way. need_pa: at its start, by
    size."""

    circuit: int
    way: int
    start: int
    nozzles: int
    pieces: int
    length_m: float
    need_pa: tuple[float, ...]


@dataclass(frozen=True)
class Contracted:
    """What the model is built from.

    most: nozzles of each circuit at most; highest_pa: by circuit and point, pressure without any loss;
    supply: by circuit, pressure at its outlet point <= slope x nozzles + value; shares: nozzles of a
    (segment, group); at_junctions: nozzles that stand on junctions; dug: ground work of a segment.
    """

    prepared: Prepared
    safe: bool
    passes: tuple[Pass, ...]
    stubs: tuple[Stub, ...]
    most: tuple[int, ...]
    highest_pa: tuple[tuple[float, ...], ...]
    supply: tuple[tuple[Line, ...], ...]
    shares: dict[tuple[int, int], int]
    loose: dict[tuple[int, int], tuple[int, float]]
    at_junctions: tuple[int, ...]
    dug: dict[int, float]


def contracted(prepared: Prepared, *, safe: bool) -> Contracted:
    """The data of a problem, safe or optimistic."""
    problem, ways = prepared.problem, prepared.segments.ways
    laws = [_Laws.of(prepared, c, safe) for c in range(len(problem.circuits))]
    shares: dict[tuple[int, int], int] = {}
    loose: dict[tuple[int, int], tuple[int, float]] = {}
    shared = {law.group for law in laws if law.loose}
    for way in ways[::2]:
        for group, places in sorted(_places(prepared, way).items()):
            if group in shared:
                loose[way.segment, group] = len(places), _least_m(prepared, way, places)
            else:
                shares[way.segment, group] = len(places)
    dug = {way.segment: sum(prepared.trench_cost[e] for e in way.pieces) for way in ways[::2]}
    return Contracted(
        prepared=prepared,
        safe=safe,
        passes=tuple(one for law in laws for w, way in enumerate(ways) for one in law.passes(w, way)),
        stubs=tuple(one for law in laws for w, way in enumerate(ways) for one in law.stubs(w, way)),
        most=tuple(law.most for law in laws),
        highest_pa=tuple(law.highest_pa() for law in laws),
        supply=tuple(law.supply() for law in laws),
        shares=shares,
        loose=loose,
        at_junctions=tuple(k for k, p in enumerate(prepared.spot) if p >= prepared.segments.inside),
        dug={segment: cost for segment, cost in dug.items() if cost > 0},
    )


def _places(prepared: Prepared, way: Way) -> dict[int, list[int]]:
    """Places on a way of the nozzles of each schedule group."""
    found: dict[int, list[int]] = {}
    for i in range(1, len(way.points) - 1):
        k = prepared.nozzle[way.points[i]]
        if k >= 0:
            found.setdefault(prepared.problem.group[k], []).append(i)
    return found


def _least_m(prepared: Prepared, way: Way, places: list[int]) -> float:
    """Tubing that feeds the places from the way's ends: all but the longest gap between ends and places."""
    at = np.concatenate([[0.0], np.cumsum([prepared.length_m[e] for e in way.pieces])])
    stops = [0.0, *(float(at[i]) for i in places), float(at[-1])]
    return stops[-1] - max(b - a for a, b in pairwise(stops))


@dataclass(frozen=True)
class _Laws:
    """Losses of one circuit. gradient_pa_m, minor_pa: by size, by number of nozzles fed."""

    prepared: Prepared
    circuit: int
    safe: bool
    loose: bool
    most: int
    flow_m3_s: float
    gradient_pa_m: Floats
    minor_pa: Floats

    @classmethod
    def of(cls, prepared: Prepared, circuit: int, safe: bool) -> _Laws:
        problem = prepared.problem
        given = problem.circuits[circuit]
        able = [k for k, may in enumerate(prepared.may_feed[circuit]) if may]
        most = min(given.nozzles_at_most, len(able))
        flow = float(problem.curve.flow_m3_s(problem.band_low_pa))
        if safe and able:
            flow = float(problem.safe_flow_m3_s(given.pump)[able].max())
        flows = flow * np.arange(most + 1)
        water = problem.water
        gradient = [pressure_gradient_pa_m(flows, t.bore_m, t.roughness_m, water) for t in problem.tubing]
        minor = [minor_loss_pa(1.0, flows, t.bore_m, water.density_kg_m3) for t in problem.tubing]
        mates = sum(other.group == given.group for other in problem.circuits)
        loose = mates > 1 and not safe
        return cls(prepared, circuit, safe, loose, most, flow, np.array(gradient), np.array(minor))

    @property
    def root(self) -> int:
        return self.prepared.root[self.prepared.problem.circuits[self.circuit].pump]

    def highest_pa(self) -> tuple[float, ...]:
        problem = self.prepared.problem
        given = problem.circuits[self.circuit]
        z, root = problem.layout.z_m, problem.pump_point(given.pump)
        head = problem.water.density_kg_m3 * GRAVITY_M_S2
        start = problem.pumps[given.pump].set_pressure_pa
        return tuple(start - head * float(z[p] - z[root]) for p in self.prepared.segments.point)

    def supply(self) -> tuple[Line, ...]:
        """Lines above (optimistic) or below (safe: one chord) the concave pressure at the outlet point."""
        problem = self.prepared.problem
        pump = problem.circuits[self.circuit].pump
        top = problem.pumps[pump].set_pressure_pa
        loss = top - problem.supply_pa(pump, self.flow_m3_s * np.arange(self.most + 1))
        lines = above(loss, 1) if self.safe else below(loss, SUPPLY_LINES)
        return tuple((-slope, top - value) for slope, value in lines)

    def passes(self, w: int, way: Way) -> list[Pass]:
        """The tube that feeds its group's nozzles, and where others may feed them the tube that feeds
        none."""
        if way.start == way.end or way.end == self.root:
            return []
        own, may = self._own(way), self.prepared.may_feed[self.circuit]
        if self.loose:
            return [self._pass(w, way, [], len(own))]
        found = []
        if len(own) <= self.most and all(may[self.prepared.nozzle[way.points[i]]] for i in own):
            found.append(self._pass(w, way, own))
        if own and len(self.prepared.problem.circuits) > 1:
            found.append(self._pass(w, way, []))
        return found

    def stubs(self, w: int, way: Way) -> list[Stub]:
        """Dead ends by number of nozzles."""
        own = self._own(way)
        if self.loose:
            return [self._loose_stub(w, way, own, b) for b in range(1, min(len(own), self.most) + 1)]
        may = self.prepared.may_feed[self.circuit]
        able = 0
        while able < min(len(own), self.most) and may[self.prepared.nozzle[way.points[own[able]]]]:
            able += 1
        return [self._stub(w, way, own[: b + 1]) for b in range(able)]

    @property
    def group(self) -> int:
        return self.prepared.problem.circuits[self.circuit].group

    def _own(self, way: Way) -> list[int]:
        """Places on the way of the nozzles of the circuit's group."""
        return _places(self.prepared, way).get(self.group, [])

    def _rises(self, way: Way) -> Floats:
        """Rise from the way's start to the end of each piece."""
        sign = 1.0 if way.forward else -1.0
        return np.cumsum([sign * self.prepared.rise_pa[e] for e in way.pieces])

    def _losses(self, way: Way, own: list[int], pieces: int, beyond: NDArray[np.int64]) -> Floats:
        """[sizes, beyond, pieces] loss of each of the first pieces with so many nozzles fed beyond them."""
        after = np.array([sum(i > at for i in own) for at in range(pieces)])
        count = beyond[:, None] + after[None, :]
        length = np.array([self.prepared.length_m[e] for e in way.pieces[:pieces]])
        factors = self._factors(way, own, pieces)
        losses: Floats = self.gradient_pa_m[:, count] * length + self.minor_pa[:, count] * factors
        return losses

    def _factors(self, way: Way, own: list[int], pieces: int) -> Floats:
        """Loss factor of each piece, without the elbow of a dead end."""
        k = self.prepared.problem.k
        first = k.entrance if way.start == self.root else 0.0
        if self.safe and way.start != self.root:
            first = max(k.tee_branch, k.tee_run, k.elbow)
        factors = [first]
        factors += [fitting_k(self.prepared, 2 if i in own else 1, way.turns[i]) for i in range(1, pieces)]
        return np.array(factors, dtype=np.float64)

    def _pass(self, w: int, way: Way, own: list[int], at_most: int = 0) -> Pass:
        beyond = np.arange(self.most - len(own) + 1)
        curves = self._losses(way, own, len(way.pieces), beyond).sum(axis=2)
        if self.safe and self.prepared.nozzle[way.end] >= 0:
            curves = curves + self.prepared.problem.k.elbow * self.minor_pa[:, beyond]
        lines = tuple(above(curve, LINES) if self.safe else below(curve, LINES) for curve in curves)
        rises = self._rises(way)
        top = max((float(rises[i - 1]) for i in own), default=-math.inf)
        length = sum(self.prepared.length_m[e] for e in way.pieces)
        return Pass(
            self.circuit, w, way.start, way.end, len(own), at_most, length, float(rises[-1]), top, lines
        )

    def _stub(self, w: int, way: Way, own: list[int]) -> Stub:
        pieces = own[-1]
        losses = self._losses(way, own, pieces, np.zeros(1, dtype=np.int64))[:, 0, :]
        losses[:, -1] += self.prepared.problem.k.elbow * self.minor_pa[:, 1]
        at_end = np.cumsum(losses, axis=1) + self._rises(way)[:pieces]
        need = at_end[:, [i - 1 for i in own]].max(axis=1) + self.prepared.problem.band_low_pa
        length = sum(self.prepared.length_m[e] for e in way.pieces[:pieces])
        return Stub(self.circuit, w, way.start, len(own), pieces, length, tuple(map(float, need)))

    def _loose_stub(self, w: int, way: Way, own: list[int], count: int) -> Stub:
        """A dead end that feeds any `count` nozzles of the way: no shorter and of no less need than stated.

        It reaches the count-th nozzle at least; i of the others passed, at least count - i flow on, and
        one to the end.
        """
        pieces = len(way.pieces)
        passed = np.array([sum(i <= at for i in own) for at in range(pieces)])
        flow = np.maximum(1, count - passed)
        length = np.array([self.prepared.length_m[e] for e in way.pieces])
        turns = np.array([fitting_k(self.prepared, 1, way.turns[i]) for i in range(pieces)])
        losses = self.gradient_pa_m[:, flow] * length + self.minor_pa[:, flow] * turns
        at_end = np.cumsum(losses, axis=1) + self._rises(way)
        ends = [i - 1 for i in own[count - 1 :]]
        need = at_end[:, ends].min(axis=1) + self.prepared.problem.band_low_pa
        reach = own[count - 1]
        return Stub(
            self.circuit, w, way.start, count, reach, float(length[:reach].sum()), tuple(map(float, need))
        )


def above(curve: Floats, most: int) -> tuple[Line, ...]:
    """At most so many lines whose greatest value is nowhere below a curve given at 0, 1, 2, ...: chords,
    raised where the curve is not convex.
    """
    last = len(curve) - 1
    if last == 0:
        return ((0.0, float(curve[0])),)
    knots = sorted({round(last * (i / most) ** 1.5) for i in range(most + 1)})
    lines = []
    for a, b in pairwise(knots):
        slope = float(curve[b] - curve[a]) / (b - a)
        lines.append((slope, float(curve[a]) - slope * a))
    return _shifted(curve, lines)


def _shifted(curve: Floats, lines: list[Line]) -> tuple[Line, ...]:
    at = np.arange(len(curve))
    greatest = np.max([slope * at + value for slope, value in lines], axis=0)
    lack = max(0.0, float((curve - greatest).max()))
    return tuple((slope, value + lack) for slope, value in lines)


def below(curve: Floats, most: int) -> tuple[Line, ...]:
    """At most so many lines nowhere above a curve given at 0, 1, 2, ...: edges of its lower hull."""
    hull: list[int] = []
    for i in range(len(curve)):
        while len(hull) > 1 and _turns_down(curve, hull[-2], hull[-1], i):
            hull.pop()
        hull.append(i)
    if len(hull) == 1:
        return ((0.0, float(curve[0])),)
    edges = list(pairwise(hull))
    picked = sorted({round(i * (len(edges) - 1) / max(1, most - 1)) for i in range(most)})
    lines = []
    for a, b in (edges[i] for i in picked):
        slope = float(curve[b] - curve[a]) / (b - a)
        lines.append((slope, float(curve[a]) - slope * a))
    return tuple(lines)


def _turns_down(curve: Floats, a: int, b: int, c: int) -> bool:
    return bool((curve[b] - curve[a]) * (c - b) >= (curve[c] - curve[b]) * (b - a))
