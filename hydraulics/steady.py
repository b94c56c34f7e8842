"""The steady state of a network of any shape, by whichever solver suits it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from hydraulics.errors import RangeError
from hydraulics.network_loop import Hung, LoopNetwork
from hydraulics.pump import Pump
from hydraulics.steady_loop import LoopState, solve_loop
from hydraulics.steady_tree import solve_tree
from hydraulics.water import Water


def solve_network(
    network: LoopNetwork, pumps: Sequence[Pump], water: Water, *, tolerance: float = 1e-10
) -> LoopState:
    """The steady state, to residuals of at most tolerance: as a tree where it is one with one supply, else with loops.

    Raises what `solve_tree` and `solve_loop` raise.
    """
    hung = network.tree
    if hung is None:
        return solve_loop(network, pumps, water, tolerance=tolerance)
    if len(pumps) != 1:
        raise RangeError(f"{len(pumps)} pumps for 1 supply; give each its own")
    return _by_tree(network, hung, pumps[0], water, tolerance)


def _by_tree(network: LoopNetwork, hung: Hung, pump: Pump, water: Water, tolerance: float) -> LoopState:
    """The tree's state, put back to the network's order."""
    state = solve_tree(hung.network, pump, water, tolerance=tolerance)
    back = np.argsort(hung.node)
    flow = np.zeros(len(network.link_ids))
    flow[hung.link] = hung.sign * state.link_flow_m3_s[1:]
    status = dict(zip(hung.link.tolist(), state.reducer_status[1:], strict=True))
    return LoopState(
        pressure_pa=state.pressure_pa[back],
        link_flow_m3_s=flow,
        nozzle_flow_m3_s=state.nozzle_flow_m3_s[back],
        open=state.open[back],
        reducer_status=tuple(status[i] for i in range(len(network.link_ids))),
        supply_flow_m3_s=state.link_flow_m3_s[:1].copy(),
        bypass_m3_s=np.array([state.bypass_m3_s]),
        mass_residual=state.mass_residual,
        energy_residual=state.energy_residual,
        iterations=state.iterations,
    )
