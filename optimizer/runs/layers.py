"""Circuits that the contracted model treats as one, and the losses of the tubes that they lay.

Safe data have a layer for each circuit. Optimistic data have one for each schedule group: its circuits may share the
group's nozzles in any way, so that the model counts their tubes and what they carry together, and asks of pressure only
how much a tube can carry where it lies.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from hydraulics.fittings import minor_loss_pa
from hydraulics.friction import pressure_gradient_pa_m
from optimizer.runs.lines import Floats
from optimizer.runs.prepared import Prepared
from optimizer.runs.segments import Way, turn_deg
from optimizer.runs.trees import fitting_k


class Root(NamedTuple):
    """A pump of a layer: its junction, the circuits that start there, and the nozzles that they take at most."""

    pump: int
    junction: int
    circuits: int
    room: int


@dataclass(frozen=True)
class Layer:
    """Circuits of one group; most: nozzles that one of them takes at most; rooms: of each circuit."""

    circuits: tuple[int, ...]
    group: int
    roots: tuple[Root, ...]
    most: int
    rooms: tuple[int, ...]

    @property
    def tubes(self) -> int:
        """Tubes that may lie side by side."""
        return len(self.circuits)

    @property
    def shared(self) -> bool:
        """Whether it holds several circuits."""
        return len(self.circuits) > 1

    def rooted(self, junction: int) -> int:
        """Circuits that start at a junction."""
        return sum(root.circuits for root in self.roots if root.junction == junction)


def layers_of(prepared: Prepared, *, safe: bool) -> tuple[Layer, ...]:
    """The layers of a problem; circuits that can feed nothing are left out of optimistic ones."""
    circuits = prepared.problem.circuits
    room = [min(c.nozzles_at_most, sum(prepared.may_feed[i])) for i, c in enumerate(circuits)]
    if safe:
        return tuple(_layer(prepared, (c,), room) for c in range(len(circuits)))
    groups = sorted({circuit.group for circuit in circuits})
    own = [tuple(c for c, one in enumerate(circuits) if one.group == g and room[c]) for g in groups]
    return tuple(_layer(prepared, mates, room) for mates in own if mates)


def _layer(prepared: Prepared, mates: tuple[int, ...], room: list[int]) -> Layer:
    circuits = prepared.problem.circuits
    roots = []
    for pump in sorted({circuits[c].pump for c in mates}):
        there = [c for c in mates if circuits[c].pump == pump]
        roots.append(Root(pump, prepared.root[pump], len(there), sum(room[c] for c in there)))
    rooms = tuple(room[c] for c in mates)
    return Layer(mates, circuits[mates[0]].group, tuple(roots), max(rooms), rooms)


@dataclass(frozen=True)
class Losses:
    """Losses of a layer's tubes, every nozzle drawing one flow: the highest safe one, or that at the band's low edge.

    gradient_pa_m, minor_pa: [sizes, nozzles + 1]; minor_pa for a loss factor of 1.
    """

    prepared: Prepared
    layer: Layer
    safe: bool
    flow_m3_s: float
    gradient_pa_m: Floats
    minor_pa: Floats

    @classmethod
    def of(cls, prepared: Prepared, layer: Layer, sizes: tuple[int, ...], *, safe: bool) -> Losses:
        """The losses in the sizes given."""
        problem, water = prepared.problem, prepared.problem.water
        flow = float(problem.curve.flow_m3_s(problem.band_low_pa))
        able = [k for k, may in enumerate(prepared.may_feed[layer.circuits[0]]) if may]
        if safe and able:
            flow = float(problem.safe_flow_m3_s(problem.circuits[layer.circuits[0]].pump)[able].max())
        flows = flow * np.arange(layer.most + 1)
        tubing = [problem.tubing[d] for d in sizes]
        gradient = [pressure_gradient_pa_m(flows, t.bore_m, t.roughness_m, water) for t in tubing]
        minor = [minor_loss_pa(1.0, flows, t.bore_m, water.density_kg_m3) for t in tubing]
        return cls(prepared, layer, safe, flow, np.array(gradient), np.array(minor))

    def supply_pa(self, root: Root) -> Floats:
        """[nozzles + 1] pressure at a pump's outlet point while a circuit feeds so many nozzles."""
        return self.prepared.problem.supply_pa(root.pump, self.flow_m3_s * np.arange(self.layer.most + 1))

    def along(self, way: Way, own: list[int], pieces: int, beyond: NDArray[np.int64]) -> Floats:
        """[sizes, beyond, pieces] loss of each of the first pieces with so many nozzles fed beyond the way, and on it
        those at the places `own`."""
        after = np.array([sum(i > at for i in own) for at in range(pieces)])
        count = beyond[:, None] + after[None, :]
        length = np.array([self.prepared.length_m[e] for e in way.pieces[:pieces]])
        factors = np.array([self._first_k(way), *(self._turn_k(way, own, i) for i in range(1, pieces))])
        losses: Floats = self.gradient_pa_m[:, count] * length + self.minor_pa[:, count] * factors
        return losses

    def _first_k(self, way: Way) -> float:
        """Loss factor at the start of a tube: at the pump its entrance; elsewhere safe the dearest fitting, optimistic
        the least that any tube arriving there can have for it."""
        k, ways = self.prepared.problem.k, self.prepared.segments.ways
        if all(way.start == root.junction for root in self.layer.roots):
            return k.entrance
        if self.safe:
            return max(k.tee_branch, k.tee_run, k.elbow)
        if any(way.start == root.junction for root in self.layer.roots):
            return 0.0
        arriving = [ways[w ^ 1] for w in self.prepared.segments.outgoing[way.start] if ways[w].segment != way.segment]
        turns = [turn_deg(before.arrive_deg, way.leave_deg) for before in arriving]
        return min((fitting_k(self.prepared, on, turn) for turn in turns for on in (1, 2)), default=0.0)

    def _turn_k(self, way: Way, own: list[int], i: int) -> float:
        """Loss factor at the i-th point of a way; where circuits share the nozzles, the lesser of fed and passed."""
        factors = [fitting_k(self.prepared, 1 + (i in own), way.turns[i])]
        if self.layer.shared:
            factors.append(fitting_k(self.prepared, 2, way.turns[i]))
        return min(factors)

    def rises_pa(self, way: Way) -> Floats:
        """Rise from the way's start to the end of each piece."""
        sign = 1.0 if way.forward else -1.0
        return np.asarray(np.cumsum([sign * self.prepared.rise_pa[e] for e in way.pieces]), dtype=np.float64)
