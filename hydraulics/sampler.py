"""Many sampled states of a circuit: what its nozzles' pressures do when nothing is quite as drawn.

Each sample has its own bores (of the batch of each size, and of each tube), nozzles, roughness, fittings, water
temperature and set pressure, clogged nozzles and perhaps a leak, from stated spreads. Every state is the full nonlinear
one, proven by its residuals; what the compiled steps do not prove the general solver gives.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hydraulics.network import TreeNetwork
from hydraulics.pump import DeliveryCurve, Pump
from hydraulics.sampled import Chances, Parts, States, Tree, draw, solve_samples, temperatures
from hydraulics.steady_tree import solve_tree
from hydraulics.tolerance import SPREADS, Spread, Tolerances
from hydraulics.water import Water, water_at

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

TOLERANCE = 1e-10  # of mass over the net flow and energy over the set pressure, in every sample
CHUNK = 500  # samples solved together; results do not depend on it

_water_at = lru_cache(maxsize=20_000)(water_at)  # circuits and sources ask for the same samples


@dataclass(frozen=True, eq=False)
class Circuit:
    """A circuit as drawn; parts: numbers by which what it shares with others is drawn alike, in the order of its nodes
    (None: it stands alone)."""

    network: TreeNetwork
    pump: Pump
    water: Water
    parts: Parts | None = None


@dataclass(frozen=True, eq=False)
class Samples:
    """Of S samples: lowest and highest nozzle pressure [S], node of the lowest [S], set pressure as it has drifted,
    supply pressure, net flow, worst residual [S]; how many samples the general solver had to give; by node [N], in how
    many its nozzle is below the pressure `low_pa`."""

    lowest_pa: Floats
    highest_pa: Floats
    lowest_at: Ints
    set_pa: Floats
    supply_pa: Floats
    net_flow_m3_s: Floats
    residual: Floats
    solved_one_by_one: int
    below: Ints


class Sampler:
    """A circuit made ready to be solved for many samples."""

    def __init__(self, circuit: Circuit) -> None:
        """Raises SteadyError where the circuit as drawn has no steady state."""
        self.circuit = circuit
        self.order = np.array(circuit.network.order, dtype=np.int64)
        self.tree = _tree(circuit, self.order)
        self.parts = _parts(circuit, self.order)
        self.nozzles = np.flatnonzero(self.tree.nozzle_k > 0)

    def drawn(self, tolerances: Tolerances, seed: int, first: int, count: int) -> States:
        """The samples first to first + count - 1 of a seed, nodes in the order of `order`."""
        chances = _chances(tolerances, self.circuit.water)
        states = self.as_drawn(count)
        draw(self.tree, self.parts, chances, seed, first, states)
        if tolerances.water_temperature_c is not None:
            waters = [_water_at(float(t)) for t in temperatures(chances, seed, first, count)]
            states.density_kg_m3[:] = [water.density_kg_m3 for water in waters]
            states.viscosity_pa_s[:] = [water.viscosity_pa_s for water in waters]
        return self.delivered(states)

    def delivered(self, states: States) -> States:
        """The states with what the pump delivers at their set pressures."""
        if self.circuit.pump.curve is not None:
            states.delivery_m3_s[:] = [drifted(self.circuit.pump, float(at)).delivery_m3_s for at in states.set_pa]
        return states

    def as_drawn(self, count: int) -> States:
        """States without any difference from the drawing."""
        tree, water = self.tree, self.circuit.water
        return States(
            bore_m=np.tile(tree.bore_m, (count, 1)),
            nozzle_k=np.tile(tree.nozzle_k, (count, 1)),
            roughness=np.ones(count),
            minor=np.ones(count),
            density_kg_m3=np.full(count, water.density_kg_m3),
            viscosity_pa_s=np.full(count, water.viscosity_pa_s),
            set_pa=np.full(count, self.circuit.pump.set_pressure_pa),
            delivery_m3_s=np.full(count, self.circuit.pump.delivery_m3_s),
            leak_at=np.full(count, -1),
            leak_k=np.zeros(count),
        )

    def solved(self, states: States) -> tuple[Floats, Floats, Floats, int]:
        """Pressure [S, N] in the order of `order`, net flow [S], residual [S], and how many the general solver gave.

        Raises SteadyError where a sample has no steady state.
        """
        count = len(states.set_pa)
        pressure, net, residual = np.empty(states.bore_m.shape), np.empty(count), np.empty(count)
        solve_samples(self.tree, states, TOLERANCE, pressure, net, residual)
        proven = residual <= TOLERANCE
        if self.circuit.pump.curve is not None:  # the compiled steps know of one delivery, that at the set pressure
            proven &= pressure[:, 0] >= states.set_pa * (1.0 - TOLERANCE)
        left = np.flatnonzero(~proven)
        for s in left.tolist():
            network, pump, water = self.by_itself(states, s)
            state = solve_tree(network, pump, water)
            pressure[s] = state.pressure_pa[: self.order.size]
            net[s], residual[s] = state.link_flow_m3_s[0], max(state.mass_residual, state.energy_residual)
        return pressure, net, residual, left.size

    def by_itself(self, states: States, s: int) -> tuple[TreeNetwork, Pump, Water]:
        """One sample as a network of its own, nodes in the order of `order`; a leak is a further node, the last."""
        tree, leak = self.tree, int(states.leak_at[s])
        network = TreeNetwork(
            node_ids=tuple(self.circuit.network.node_ids[i] for i in self.order),
            parent=tree.parent,
            z_m=tree.z_m,
            length_m=tree.length_m,
            bore_m=states.bore_m[s],
            roughness_m=tree.roughness_m * states.roughness[s],
            minor_k=tree.minor_k * states.minor[s],
            nozzle_k=states.nozzle_k[s],
            nozzle_p0_pa=tree.nozzle_p0_pa,
            nozzle_n=tree.nozzle_n,
            reducer_pa=tree.reducer_pa,
            reducer_k=tree.reducer_k,
        )
        pump = drifted(self.circuit.pump, float(states.set_pa[s]))
        water = Water(float("nan"), float(states.density_kg_m3[s]), float(states.viscosity_pa_s[s]))
        return network if leak < 0 else _leaking(network, leak, float(states.leak_k[s])), pump, water

    def samples(self, tolerances: Tolerances, low_pa: float, count: int, seed: int, chunk: int = CHUNK) -> Samples:
        """The samples 0 to count - 1 of a seed; pressures below low_pa are counted by node, in the network's order.

        Raises SteadyError where a sample has no steady state.
        """
        firsts = range(0, count, chunk)
        return _joined([self._chunk(tolerances, low_pa, seed, first, min(chunk, count - first)) for first in firsts])

    def _chunk(self, tolerances: Tolerances, low_pa: float, seed: int, first: int, count: int) -> Samples:
        states = self.drawn(tolerances, seed, first, count)
        pressure, net, residual, one_by_one = self.solved(states)
        at = pressure[:, self.nozzles]
        lowest = at.argmin(axis=1)
        below = np.zeros(self.order.size, dtype=np.int64)
        below[self.order[self.nozzles]] = (at < low_pa).sum(axis=0)
        return Samples(
            lowest_pa=at[np.arange(count), lowest],
            highest_pa=at.max(axis=1),
            lowest_at=self.order[self.nozzles[lowest]],
            set_pa=states.set_pa,
            supply_pa=pressure[:, 0].copy(),
            net_flow_m3_s=net,
            residual=residual,
            solved_one_by_one=one_by_one,
            below=below,
        )


def _joined(parts: list[Samples]) -> Samples:
    """The samples of all parts, in their order."""
    by_sample = ("lowest_pa", "highest_pa", "lowest_at", "set_pa", "supply_pa", "net_flow_m3_s", "residual")
    joined: dict[str, Any] = {name: np.concatenate([getattr(part, name) for part in parts]) for name in by_sample}
    counted = sum(part.solved_one_by_one for part in parts)
    return Samples(**joined, solved_one_by_one=counted, below=np.sum([part.below for part in parts], axis=0))


def _tree(circuit: Circuit, order: Ints) -> Tree:
    network, pump = circuit.network, circuit.pump
    place = np.full(order.size + 1, -1)
    place[order] = np.arange(order.size)
    state = solve_tree(network, pump, circuit.water)
    holds = np.array([word in ("active", "shut") for word in state.reducer_status])
    return Tree(
        parent=place[network.parent[order]],
        z_m=network.z_m[order],
        length_m=network.length_m[order],
        bore_m=np.where(order == 0, 1.0, network.bore_m[order]),
        roughness_m=network.roughness_m[order],
        minor_k=network.minor_k[order],
        nozzle_k=network.nozzle_k[order],
        nozzle_p0_pa=network.nozzle_p0_pa[order],
        nozzle_n=network.nozzle_n[order],
        reducer_pa=network.reducer_pa[order],
        reducer_k=network.reducer_k[order],
        start_pa=state.pressure_pa[order],
        start_m3_s=state.link_flow_m3_s[order],
        start_set_pa=pump.set_pressure_pa,
        start_holds=holds[order],
        reduced=network.reduced,
    )


def _chances(tolerances: Tolerances, water: Water) -> Chances:
    """Tolerances as arrays; the water's own temperature where none is stated."""
    warm = tolerances.water_temperature_c or Spread(water.temperature_c, water.temperature_c)
    rows = [getattr(tolerances, name).row for name in SPREADS[:5]] + [warm.row, tolerances.set_drift_pa.row]
    clogged, leak = (tolerances.clogged_share, tolerances.clogged_left), (tolerances.leak_chance, tolerances.leak_k)
    return Chances(np.array(rows), *clogged, *leak)


def _parts(circuit: Circuit, order: Ints) -> Parts:
    if circuit.parts is None:
        sizes = np.unique(circuit.network.bore_m, return_inverse=True)[1]
        return Parts(sizes[order], order, order, 0, 0)
    given = circuit.parts
    return Parts(given.size[order], given.tube[order], given.nozzle[order], given.pump, given.circuit)


def drifted(pump: Pump, set_pa: float) -> Pump:
    """The pump at another set pressure, its bypass by as much; above its limit it works all the same, and above its
    curve's last point the curve goes on as its last stretch does, but not below a hundredth of that point."""
    bypass = None if pump.bypass_pa is None else pump.bypass_pa + set_pa - pump.set_pressure_pa
    curve, delivery, opens = pump.curve, pump.delivery_m3_s, bypass or set_pa
    if curve is not None:
        if opens > curve.highest_pa:
            (low, high), (most, least) = curve.pressures_pa[-2:], curve.deliveries_m3_s[-2:]
            beyond = max(least + (least - most) * (opens - high) / (high - low), 0.01 * least)
            curve = DeliveryCurve((*curve.pressures_pa, opens), (*curve.deliveries_m3_s, beyond))
        delivery = curve.delivery_m3_s(set_pa)
    limit = max(pump.limit_pa, set_pa)
    return replace(
        pump, set_pressure_pa=set_pa, delivery_m3_s=delivery, limit_pa=limit, curve=curve, bypass_pa=bypass
    )


def _leaking(network: TreeNetwork, node: int, leak_k: float) -> TreeNetwork:
    """The network with an orifice at a node: a further node at the end of a link without length."""
    node_of_its_own = (
        ("parent", node), ("z_m", network.z_m[node]), ("length_m", 0.0), ("bore_m", network.bore_m[node]),
        ("roughness_m", 0.0), ("minor_k", 0.0), ("nozzle_k", leak_k), ("nozzle_p0_pa", 0.0), ("nozzle_n", 0.5),
        ("reducer_pa", np.nan), ("reducer_k", 0.0),
    )
    grown: dict[str, Any] = {name: np.append(getattr(network, name), value) for name, value in node_of_its_own}
    return TreeNetwork(node_ids=(*network.node_ids, "leak"), **grown)
