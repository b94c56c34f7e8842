"""Sampled states of a network of any shape, solved one by one by the general solver: what `sampler` does for trees."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hydraulics.chance import sample_key, spread_draw, uniform_draw
from hydraulics.network_loop import LoopNetwork
from hydraulics.pump import Pump
from hydraulics.sampled import (
    BORE_BATCH,
    BORE_TUBE,
    CLOG,
    LEAK,
    LEAK_AT,
    MINOR_LOSSES,
    NOZZLE_FLOW,
    ROUGHNESS,
    SET_PRESSURE,
    TEMPERATURE,
)
from hydraulics.sampler import Samples, drifted
from hydraulics.steady import solve_network
from hydraulics.tolerance import Spread, Tolerances
from hydraulics.water import Water, water_at

Floats = NDArray[np.float64]


def looped_samples(
    network: LoopNetwork,
    pumps: Sequence[Pump],
    water: Water,
    tolerances: Tolerances,
    low_pa: float,
    count: int,
    seed: int,
) -> Samples:
    """The samples 0 to count - 1 of a seed; set and supply pressure are those of the pump that lacks most.

    Raises SteadyError where a sample has no steady state.
    """
    nozzles = np.flatnonzero(network.nozzle_k > 0)
    rows: list[tuple[float, float, int, float, float, float, float]] = []
    below = np.zeros(len(network.node_ids), dtype=np.int64)
    for sample in range(count):
        shaken, moved, warm = looped_sample(network, pumps, water, tolerances, seed, sample)
        state = solve_network(shaken, moved, warm)
        at, supply = state.pressure_pa[nozzles], state.pressure_pa[network.supply]
        lacks = int(np.argmax([pump.set_pressure_pa - p for pump, p in zip(moved, supply, strict=True)]))
        below[nozzles] += at < low_pa
        rows.append((
            float(at.min()), float(at.max()), int(nozzles[at.argmin()]), moved[lacks].set_pressure_pa,
            float(supply[lacks]), float(state.supply_flow_m3_s.sum()), max(state.mass_residual, state.energy_residual),
        ))
    names = ("lowest_pa", "highest_pa", "lowest_at", "set_pa", "supply_pa", "net_flow_m3_s", "residual")
    by_name = zip(names, zip(*rows, strict=True), strict=True)
    columns: dict[str, Any] = {name: np.array(values) for name, values in by_name}
    return Samples(**columns, solved_one_by_one=count, below=below)


def looped_sample(
    network: LoopNetwork, pumps: Sequence[Pump], water: Water, tolerances: Tolerances, seed: int, s: int
) -> tuple[LoopNetwork, tuple[Pump, ...], Water]:
    """The sample s as a network of its own, with its pumps and water; a leak is a further node, the last. Tubes are
    numbered by their place among the links, sizes by bore, nozzles by their node."""
    key = np.uint64(sample_key(seed, s))

    def drawn(spread: Spread, source: int, part: int = 0) -> float:
        return float(spread_draw(*spread.row, key, source, part))

    sizes, size = np.unique(network.bore_m, return_inverse=True)
    batch = np.array([1.0 + drawn(tolerances.bore_batch, BORE_BATCH, i) for i in range(sizes.size)])
    tube = np.array([1.0 + drawn(tolerances.bore_tube, BORE_TUBE, i) for i in range(len(network.link_ids))])
    shaken = replace(
        network,
        bore_m=network.bore_m * batch[size] * tube,
        roughness_m=network.roughness_m * (1.0 + drawn(tolerances.roughness, ROUGHNESS)),
        minor_k=network.minor_k * (1.0 + drawn(tolerances.minor_losses, MINOR_LOSSES)),
        nozzle_k=_nozzles(network, tolerances, key),
    )
    moved = tuple(
        drifted(pump, pump.set_pressure_pa + drawn(tolerances.set_drift_pa, SET_PRESSURE, i))
        for i, pump in enumerate(pumps)
    )
    warm = tolerances.water_temperature_c
    if uniform_draw(key, LEAK, 0) < tolerances.leak_chance:
        free = np.setdiff1d(np.arange(len(network.node_ids)), network.supply)
        node = int(free[int(uniform_draw(key, LEAK_AT, 0) * free.size)])
        shaken = _leaking(shaken, node, tolerances.leak_k)
    return shaken, moved, water if warm is None else water_at(drawn(warm, TEMPERATURE))


def _nozzles(network: LoopNetwork, tolerances: Tolerances, key: np.uint64) -> Floats:
    k = network.nozzle_k.copy()
    for i in np.flatnonzero(k > 0).tolist():
        k[i] *= 1.0 + float(spread_draw(*tolerances.nozzle_flow.row, key, NOZZLE_FLOW, i))
        if uniform_draw(key, CLOG, i) < tolerances.clogged_share:
            k[i] *= tolerances.clogged_left
    return k


def _leaking(network: LoopNetwork, node: int, leak_k: float) -> LoopNetwork:
    """The network with an orifice at a node: a further node at the end of a link without length."""
    at_node = {"z_m": network.z_m[node], "nozzle_k": leak_k, "nozzle_p0_pa": 0.0, "nozzle_n": 0.5}
    on_link = {
        "from_node": node, "to_node": len(network.node_ids), "length_m": 0.0, "bore_m": float(network.bore_m.max()),
        "roughness_m": 0.0, "minor_k": 0.0, "reducer_pa": np.nan, "reducer_k": 0.0,
    }  # fmt: skip
    grown: dict[str, Any] = {
        name: np.append(getattr(network, name), value) for name, value in {**at_node, **on_link}.items()
    }
    return replace(
        network, node_ids=(*network.node_ids, "leak"), link_ids=(*network.link_ids, "to the leak"), **grown
    )
