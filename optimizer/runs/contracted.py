"""Data of the contracted model: what each segment costs, carries and loses, safely or optimistically.

Every nozzle of a circuit draws one flow here. Safe: the highest of its safe flows, losses above the law
by chords, the dearest fitting at the start of every tube. Optimistic: the flow at the band's low edge,
losses below the law by its lower hull, no fitting at the start. So what the safe model finds can be
built, and the optimistic model's optimum is below the cost of every verified design of its class.

One set of tubing sizes at a time: the cheapest design uses one of the sets that the problem allows.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from optimizer.runs.layers import Layer, Losses, layers_of
from optimizer.runs.lines import Floats, Line, above, below
from optimizer.runs.prepared import Prepared
from optimizer.runs.reach import Reach
from optimizer.runs.segments import Way

LINES = 6  # pieces of a loss curve
NEED_LINES = 2
SUPPLY_LINES = 4
SPENT_LINES = 6
CLASS = (
    "these nozzles, pump sites, field valves, set pressures and most nozzles a circuit; circuits without closed loops; "
    "one tubing size along each part of a segment between junctions that a circuit feeds from one end"
)


@dataclass(frozen=True)
class Pass:
    """A tube of a layer along a whole way; it feeds all nozzles of its group there, or none, or where circuits share
    them any number.

    nozzles: fed on the way, 0 where shared; beyond: by size, most nozzles fed beyond its end, -1 where it cannot be
    laid; lines: by size, loss >= slope x nozzles fed beyond + value; need: by size, likewise pressure at its start;
    spent: by size, likewise loss times the nozzles that bear it (Pa x nozzles).
    """

    layer: int
    way: int
    start: int
    end: int
    nozzles: int
    length_m: float
    rise_pa: float
    beyond: tuple[int, ...]
    lines: tuple[tuple[Line, ...], ...]
    need: tuple[tuple[Line, ...], ...]
    spent: tuple[tuple[Line, ...], ...]


@dataclass(frozen=True)
class Stub:
    """A layer's dead end that reaches the n-th nozzle of its group on a way, and feeds all up to it unless shared.

    need_pa: pressure at its start, by size; may: by size, whether it can be laid; spent: by size, loss times the
    nozzles that bear it.
    """

    layer: int
    way: int
    start: int
    nozzles: int
    pieces: int
    length_m: float
    need_pa: tuple[float, ...]
    may: tuple[bool, ...]
    spent: tuple[float, ...]


@dataclass(frozen=True)
class Contracted:
    """What the model is built from.

    sizes: indices of the problem's tubing; range_pa: by (layer, point) least and greatest pressure where tubing
    reaches; supply: by layer that is not shared, pressure at its outlet point <= slope x nozzles + value; budget: by
    layer, pressure that tubing may take on the way to all nozzles together (Pa x nozzles), none if safe; parts: nozzles
    of a (segment, group); at_junctions: nozzles that stand on junctions; dug: ground work of a segment.
    """

    prepared: Prepared
    sizes: tuple[int, ...]
    safe: bool
    layers: tuple[Layer, ...]
    passes: tuple[Pass, ...]
    stubs: tuple[Stub, ...]
    range_pa: dict[tuple[int, int], tuple[float, float]]
    supply: dict[int, tuple[Line, ...]]
    budget: dict[int, float]
    parts: dict[tuple[int, int], int]
    at_junctions: tuple[int, ...]
    dug: dict[int, float]

    @property
    def tubes(self) -> int:
        """0-1 choices of tubes."""
        return (len(self.passes) + len(self.stubs)) * len(self.sizes)


def contracted(prepared: Prepared, sizes: Sequence[int], *, safe: bool) -> Contracted:
    """The data of a problem in a set of sizes, safe or optimistic."""
    ways = prepared.segments.ways
    layers = layers_of(prepared, safe=safe)
    tubes = [_Tubes.of(prepared, number, layer, tuple(sizes), safe) for number, layer in enumerate(layers)]
    parts = {
        (way.segment, group): len(places)
        for way in ways[::2]
        for group, places in sorted(_places(prepared, way).items())
    }
    dug = {way.segment: sum(prepared.trench_cost[e] for e in way.pieces) for way in ways[::2]}
    return Contracted(
        prepared=prepared,
        sizes=tuple(sizes),
        safe=safe,
        layers=layers,
        passes=tuple(one for of in tubes for w, way in enumerate(ways) for one in of.passes(w, way)),
        stubs=tuple(one for of in tubes for w, way in enumerate(ways) for one in of.stubs(w, way)),
        range_pa={
            (of.number, p): of.reach.range_pa(p) for of in tubes for p in range(len(prepared.segments.point))
        },
        supply={of.number: of.supply() for of in tubes if not of.layer.shared},
        budget={} if safe else {of.number: of.reach.budget(of.losses) for of in tubes},
        parts=parts,
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


@dataclass(frozen=True)
class _Tubes:
    """The passes and stubs of one layer."""

    prepared: Prepared
    number: int
    layer: Layer
    safe: bool
    losses: Losses
    reach: Reach
    rivals: bool

    @classmethod
    def of(cls, prepared: Prepared, number: int, layer: Layer, sizes: tuple[int, ...], safe: bool) -> _Tubes:
        losses = Losses.of(prepared, layer, sizes, safe=safe)
        rivals = safe and sum(c.group == layer.group for c in prepared.problem.circuits) > 1
        return cls(prepared, number, layer, safe, losses, Reach.of(losses), rivals)

    def supply(self) -> tuple[Line, ...]:
        """Lines above (optimistic) or below (safe: one chord) the concave pressure at the outlet point."""
        (root,) = self.layer.roots
        loss = -self.losses.supply_pa(root)
        lines = above(loss, 1) if self.safe else below(loss, SUPPLY_LINES)
        return tuple((-slope, -value) for slope, value in lines)

    def passes(self, w: int, way: Way) -> list[Pass]:
        """The tube that feeds its group's nozzles, and where other layers may feed them the tube that feeds none."""
        home = self.layer.rooted(way.end) == self.layer.tubes
        if way.start == way.end or home:
            return []
        if self.layer.shared:
            return self._laid(w, way, [])
        own = self._own(way)
        found = self._laid(w, way, own) if self._may(way, own) else []
        return [*found, *self._laid(w, way, [])] if own and self.rivals else found

    def _may(self, way: Way, own: list[int]) -> bool:
        may = self.prepared.may_feed[self.layer.circuits[0]]
        return len(own) <= self.layer.most and all(may[self.prepared.nozzle[way.points[i]]] for i in own)

    def _laid(self, w: int, way: Way, own: list[int]) -> list[Pass]:
        """A pass that feeds the nozzles at the places, unless no size can be laid."""
        beyond = np.arange(self.layer.most - len(own) + 1)
        along = self.losses.along(way, own, len(way.pieces), beyond)
        curves, needs = along.sum(axis=2), self._needs(way, own, along)
        if self.safe and self.prepared.nozzle[way.end] >= 0:
            curves = curves + self.prepared.problem.k.elbow * self.losses.minor_pa[:, beyond]
        spent = (along * (beyond[:, None] + _after(own, len(way.pieces)))).sum(axis=2)
        most = tuple(
            self.reach.most_beyond(way.start, way.end, len(own), need, curve)
            for need, curve in zip(needs, curves, strict=True)
        )
        if max(most) < 0:
            return []
        return [
            Pass(
                layer=self.number,
                way=w,
                start=way.start,
                end=way.end,
                nozzles=len(own),
                length_m=sum(self.prepared.length_m[e] for e in way.pieces),
                rise_pa=float(self.losses.rises_pa(way)[-1]),
                beyond=most,
                lines=tuple(self._lines(curve[: n + 1], LINES) for curve, n in zip(curves, most, strict=True)),
                need=tuple(
                    self._lines(need[: n + 1], NEED_LINES) if own else () for need, n in zip(needs, most, strict=True)
                ),
                spent=tuple(
                    () if self.safe or n < 0 else below(one[: n + 1], SPENT_LINES)
                    for one, n in zip(spent, most, strict=True)
                ),
            )
        ]

    def _lines(self, curve: Floats, most: int) -> tuple[Line, ...]:
        if not len(curve) or self.layer.shared:
            return ()
        return above(curve, most) if self.safe else below(curve, most)

    def _needs(self, way: Way, own: list[int], along: Floats) -> Floats:
        """[sizes, beyond] pressure at the way's start that its own nozzles need."""
        if not own:
            return np.full(along.shape[:2], -np.inf)
        at = np.cumsum(along, axis=2) + self.losses.rises_pa(way)[: along.shape[2]]
        need: Floats = at[:, :, [i - 1 for i in own]].max(axis=2) + self.prepared.problem.band_low_pa
        return need

    def stubs(self, w: int, way: Way) -> list[Stub]:
        """Dead ends by the nozzle that they reach."""
        own, may = self._own(way), self.prepared.may_feed[self.layer.circuits[0]]
        found = []
        for b in range(1, len(own) + 1):
            if not self.layer.shared and (b > self.layer.most or not may[self.prepared.nozzle[way.points[own[b - 1]]]]):
                break
            found += self._stub(w, way, own[:b])
        return found

    def _own(self, way: Way) -> list[int]:
        """Places on the way of the nozzles of the layer's group."""
        return _places(self.prepared, way).get(self.layer.group, [])

    def _stub(self, w: int, way: Way, own: list[int]) -> list[Stub]:
        pieces, fed = own[-1], own[-1:] if self.layer.shared else own  # shared: the last at least
        losses = self.losses.along(way, fed, pieces, np.zeros(1, dtype=np.int64))
        losses[:, :, -1] += self.prepared.problem.k.elbow * self.losses.minor_pa[:, [1]]
        need = self._needs(way, fed, losses)[:, 0]
        at_start = self.reach.best[way.start, len(fed)] - self.reach.head_pa[way.start]
        may = tuple(bool(one <= at_start + 1.0) for one in need)
        if not any(may):
            return []
        length = sum(self.prepared.length_m[e] for e in way.pieces[:pieces])
        spent = (losses[:, 0, :] * _after(fed, pieces)).sum(axis=1)
        needs = tuple(map(float, need))
        return [Stub(self.number, w, way.start, len(own), pieces, length, needs, may, tuple(map(float, spent)))]


def _after(own: list[int], pieces: int) -> NDArray[np.int64]:
    """[pieces] nozzles at the places that lie beyond each piece's start."""
    return np.array([sum(i > at for i in own) for at in range(pieces)], dtype=np.int64)
