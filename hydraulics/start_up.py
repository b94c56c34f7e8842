"""How a drained circuit fills, what its lines hold, and how long a change of product takes through them.

Filling is reckoned as a row of steady states. Water stands in the lines behind fronts; each front moves with the flow
that reaches it, and passes into every line onward where lines meet. The state behind the fronts is that of
`steady_tree`, with each front in place of a nozzle that takes whatever comes at `front_pa`: 0 with the ends open, the
closing pressure of the nozzles with the ends shut, for the air ahead must leave through these. The pump holds its set
pressure or gives its delivery. A nozzle opens once water has reached it above its closing pressure. What the air gains
or loses by being compressed, and that tubing widens, is left out.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from hydraulics.errors import ColumnBreaks
from hydraulics.network import TreeNetwork
from hydraulics.pump import Pump
from hydraulics.steady_tree import SteadyState, solve_tree
from hydraulics.water import Water

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

TOLERANCE = 1e-8  # of the states on the way
FRONT_EXCESS = 1e-7  # of the set pressure: what a front stands above front_pa at the whole delivery
STALLED = 1e-4  # of the delivery: fronts that take less stand still
LEAST_MOVE = 1e-4  # of its line, that some front gains in a step: else all stand still
STRIDE = 0.02  # of all volume: the furthest that one of several fronts moves between two states
GROWTH = 0.1  # of the water behind a front: its stride near the supply, where nothing loses pressure yet;
LEAST_STRIDE = 0.05  # at least of the smallest line
SMALLER = 4  # quarterings of a step before a front that nears the height that it can be lifted to stands still
WHOLE = 1e-9


@dataclass(frozen=True, eq=False)
class Filling:
    """Arrays [N] by node: when water reaches it and when its nozzle opens, in seconds from the pump's start, inf where
    it never does; sprayed_m3: what open nozzles give until all is full."""

    reached_s: Floats
    opened_s: Floats
    sprayed_m3: float

    @property
    def full_s(self) -> float:
        """When all lines are full; inf where some never are."""
        return float(self.reached_s.max())


@dataclass(frozen=True)
class OpenEnd:
    """An end of a line to blow out through: the water that it clears beyond what ends before it cleared."""

    node: str
    clears_m3: float


def line_volumes_m3(network: TreeNetwork) -> Floats:
    """[N] volume of the tubing into each node, pi D^2 L / 4; 0 at the supply."""
    volume = np.pi / 4 * network.bore_m**2 * network.length_m
    volume[0] = 0.0
    return np.asarray(volume, dtype=np.float64)


def fill(
    network: TreeNetwork, pump: Pump, water: Water, *, front_pa: float = 0.0, full: Bools | None = None
) -> Filling:
    """How a circuit fills from its supply on; full: [N] lines that hold water from the start, by the node that they
    lead to.

    Raises SteadyError where a state on the way cannot be given.
    """
    run = _Run(network, pump, water, front_pa, line_volumes_m3(network))
    wet = np.zeros(len(network.node_ids)) if full is None else np.where(full, 1.0, 0.0)
    wet[0] = 1.0
    reached, opened = np.full(wet.size, np.inf), np.full(wet.size, np.inf)
    step: _Step | None = run.standing(wet)
    now, sprayed = 0.0, 0.0
    while step is not None:
        now += step.seconds
        sprayed += step.sprayed_m3
        reached[run.reached(step.wet) & np.isinf(reached)] = now
        opened[run.misting(step.state, step.wet) & np.isinf(opened)] = now
        step = run.next(step)
    return Filling(reached, opened, sprayed)


class _Step(NamedTuple):
    """A step of a filling: how long it took, what nozzles sprayed, the filled shares and the state at its end."""

    seconds: float
    sprayed_m3: float
    wet: Floats
    state: SteadyState


@dataclass(frozen=True, eq=False)
class _Run:
    """What stays the same while a circuit fills; wet: [N] filled share of the line into each node."""

    network: TreeNetwork
    pump: Pump
    water: Water
    front_pa: float
    volume_m3: Floats

    def reached(self, wet: Floats) -> Bools:
        """Nodes that water has come to, along full lines all the way."""
        found = wet >= 1.0
        for node in self.network.order[1:]:
            found[node] &= found[self.network.parent[node]]
        return np.asarray(found)

    def _fronts(self, wet: Floats) -> NDArray[np.int64]:
        """Lines that fill, by the node that they lead to."""
        reached = self.reached(wet)
        above = reached[self.network.parent]
        above[0] = False
        return np.flatnonzero(above & ~reached & (wet < 1.0))

    def _pass_empty(self, wet: Floats) -> None:
        """Lines that hold nothing are full as soon as water comes to them: in place."""
        while True:
            empty = [i for i in self._fronts(wet) if self.volume_m3[i] == 0.0]
            if not empty:
                return
            wet[empty] = 1.0

    def _state(self, wet: Floats) -> SteadyState:
        """The state behind the fronts."""
        network, reached, fronts = self.network, self.reached(wet), self._fronts(wet)
        share = np.where(reached, 1.0, 0.0)
        share[fronts] = wet[fronts]
        z = network.z_m.copy()
        above = network.parent[fronts]
        z[fronts] = z[above] + share[fronts] * (z[fronts] - z[above])
        for node in network.order[1:]:
            if wet[node] < 1.0 and share[node] == 0.0:  # no column of water hangs from dry lines
                z[node] = z[network.parent[node]]
        k, p0, n = np.where(reached, network.nozzle_k, 0.0), network.nozzle_p0_pa.copy(), network.nozzle_n.copy()
        k[fronts] = self.pump.delivery_m3_s / (FRONT_EXCESS * self.pump.set_pressure_pa)
        p0[fronts], n[fronts] = self.front_pa, 1.0
        length = network.length_m * share
        wetted = replace(network, z_m=z, length_m=length, nozzle_k=k, nozzle_p0_pa=p0, nozzle_n=n)
        return solve_tree(wetted, self.pump, self.water, tolerance=TOLERANCE)

    def misting(self, state: SteadyState, wet: Floats) -> Bools:
        """Nozzles that water has reached and that are open."""
        return np.asarray(self.reached(wet) & (self.network.nozzle_k > 0) & (state.nozzle_flow_m3_s > 0))

    def standing(self, wet: Floats) -> _Step:
        """Where it starts from."""
        self._pass_empty(wet)
        return _Step(0.0, 0.0, wet, self._state(wet))

    def next(self, last: _Step) -> _Step | None:
        """The step after another, by the state half-way; a smaller one where that would carry water higher than it can
        stand; None where all is full or stands still."""
        wet, fronts, most_s = last.wet, self._fronts(last.wet), math.inf
        first_s = self._step_s(wet, fronts, last.state)
        for _ in range(SMALLER if math.isfinite(first_s) else 0):
            trial_s = min(first_s, most_s)
            try:
                between = self._state(self._moved(wet, fronts, last.state, trial_s / 2))
                taken_s = min(most_s, self._step_s(wet, fronts, between))
                after = self._moved(wet, fronts, between, taken_s) if math.isfinite(taken_s) else wet
                if float((after - wet).max()) > LEAST_MOVE:
                    self._pass_empty(after)
                    sprayed = taken_s * float(between.nozzle_flow_m3_s[self.misting(between, wet)].sum())
                    return _Step(taken_s, sprayed, after, self._state(after))
            except ColumnBreaks:
                pass
            most_s = trial_s / 4
        return None

    def _step_s(self, wet: Floats, fronts: NDArray[np.int64], state: SteadyState) -> float:
        """Until the first front has filled its line, or one of several has gone a stride; inf where all stand still."""
        fronts = fronts[state.nozzle_flow_m3_s[fronts] > STALLED * self.pump.delivery_m3_s]
        own, rate = self.volume_m3[fronts], state.nozzle_flow_m3_s[fronts]
        left = (1.0 - wet[fronts]) * own
        if fronts.size > 1:
            grown = np.maximum(GROWTH * self._behind_m3(wet)[fronts], LEAST_STRIDE * own.min())
            left = np.minimum(left, np.minimum(grown, STRIDE * float(self.volume_m3.sum())))
        return float((left / rate).min(initial=math.inf))

    def _behind_m3(self, wet: Floats) -> Floats:
        """[N] water on the way from the supply to each node."""
        found = wet * self.volume_m3
        for node in self.network.order[1:]:
            found[node] += found[self.network.parent[node]]
        return found

    def _moved(self, wet: Floats, fronts: NDArray[np.int64], state: SteadyState, step_s: float) -> Floats:
        """The filled shares after a step at a state's flows."""
        after = wet.copy()
        after[fronts] += state.nozzle_flow_m3_s[fronts] * step_s / self.volume_m3[fronts]
        after[after > 1.0 - WHOLE] = 1.0
        return after


def transit_s(network: TreeNetwork, through_m3_s: Floats) -> Floats:
    """[N] seconds of flow that a change of product takes from the supply to each node, in plug flow: the sum of volume
    over flow along the way; inf behind lines that pass nothing. through_m3_s: [N] flow into each node."""
    volume, found = line_volumes_m3(network), np.zeros(len(network.node_ids))
    for node in network.order[1:]:
        flow = through_m3_s[node]
        own = volume[node] / flow if flow > 0 else (np.inf if volume[node] > 0 else 0.0)
        found[node] = found[network.parent[node]] + own
    return found


def blow_out_ends(network: TreeNetwork) -> tuple[OpenEnd, ...]:
    """The ends to open one after the other, the one that most water stands before first, so that each is blown along
    one way only; together they clear every line that leads to an end."""
    volume = line_volumes_m3(network)
    before = np.zeros(volume.size)
    for node in network.order[1:]:
        before[node] = before[network.parent[node]] + volume[node]
    leaves = sorted(set(range(1, volume.size)) - set(network.parent[1:].tolist()))
    ends, cleared = [], {0}
    for leaf in sorted(leaves, key=lambda i: (-before[i], i)):
        way, node = [], leaf
        while node not in cleared:
            way.append(node)
            node = int(network.parent[node])
        cleared.update(way)
        ends.append(OpenEnd(network.node_ids[leaf], float(volume[way].sum())))
    return tuple(ends)
