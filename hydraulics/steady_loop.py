"""The steady state of a network of any shape: loops, parallel links, dead ends and several supplies.

Unknowns are the pressure p of each node, the flow Q of each link from its first to its second node, the flow q of each
nozzle and the net flow F of each supply:

    link    p_from + rho g (z_from - z_to) - loss(Q) = p_to
    node    F + sum of Q towards it = q + sum of Q away from it
    nozzle  p = p0 + (q / k)^(1/n) where open, q = 0 and p <= p0 where closed
    supply  as `supplies` says

Newton's step by the global gradient method (Todini and Pilati 1988): flows are written by pressures, which leaves one
symmetric linear system in the changes of pressure, solved by `elimination`. All laws increase in the flow, so the
pressures are unique.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from hydraulics.elimination import fold, kept_matrix, unfold
from hydraulics.errors import NetworkError, RangeError
from hydraulics.friction import GRAVITY_M_S2
from hydraulics.network_loop import LoopNetwork
from hydraulics.pump import Pump
from hydraulics.steady_laws import (
    MOST_ITERATIONS,
    Law,
    check_columns,
    free_flow_m3_s,
    is_half,
    loss_and_slope,
    not_converged,
    nozzle_law,
    nozzle_residual_pa,
    stepped_flow_m3_s,
    switched,
)
from hydraulics.supplies import held_together, supply_residual
from hydraulics.water import Water

Floats = NDArray[np.float64]

# Over the set pressure and what the nozzles would take: what the step reckons a link to lose at the least, so that one
# without length does not hide the flow of others in rounding. The law itself is met exactly.
LEAST_SLOPE = 1e-7


@dataclass(frozen=True, eq=False)
class LoopState:
    """By node [N]: gauge pressure, flow of its nozzle and whether that is open; by link [L]: flow from its first to
    its second node, and what its reducer does ("active", "open", "shut", "" where there is none); by supply [S]: net
    flow and what goes through the bypass.

    mass_residual is the worst imbalance of a node over the net flow of all supplies (over their delivery where nothing
    flows), energy_residual the worst of link, nozzle and supply law over the lowest set pressure.
    """

    pressure_pa: Floats
    link_flow_m3_s: Floats
    nozzle_flow_m3_s: Floats
    open: NDArray[np.bool_]
    reducer_status: tuple[str, ...]
    supply_flow_m3_s: Floats
    bypass_m3_s: Floats
    mass_residual: float
    energy_residual: float
    iterations: int


class _Iterate(NamedTuple):
    """still_pa: pressures of still water at the highest set pressure, which do not change; over_pa: what the pressures
    stand over these. Kept apart, since the little that wide tubing loses would drown in the rounding of pressures."""

    over_pa: Floats
    link_flow_m3_s: Floats
    nozzle_flow_m3_s: Floats
    supply_flow_m3_s: Floats
    open: NDArray[np.bool_]
    still_pa: Floats

    @property
    def pressure_pa(self) -> Floats:
        return self.still_pa + self.over_pa


def solve_loop(
    network: LoopNetwork, pumps: Sequence[Pump], water: Water, *, tolerance: float = 1e-10
) -> LoopState:
    """The steady state of a network fed by one pump at each supply, to residuals of at most tolerance (relative).

    Raises NetworkError where a link has a reducer (only a tree may), RangeError where pumps and supplies are not as
    many, NotConverged naming the worst node, ColumnBreaks where one would stand below an absolute vacuum.
    """
    _check(network, pumps)
    iterate = _start(network, pumps, water)
    for iteration in range(MOST_ITERATIONS):
        link, nozzle = _link_law(network, water, iterate), nozzle_law(network, *_at_nozzles(iterate))
        mass, energy = _residuals(network, pumps, iterate, link, nozzle)
        if max(mass.max(), energy.max()) <= tolerance:
            return _state(network, pumps, iterate, mass, energy, iteration)
        step = _step(network, pumps, iterate, link, nozzle)
        if is_half(iteration):
            step = _midway(iterate, step)
        least_pa = tolerance * min(pump.set_pressure_pa for pump in pumps)
        flow, open_ = switched(network, *_at_nozzles(step), least_pa)
        iterate = step._replace(nozzle_flow_m3_s=flow, open=open_)
    raise not_converged(network.node_ids, mass, energy)


def _check(network: LoopNetwork, pumps: Sequence[Pump]) -> None:
    if len(pumps) != len(network.supply):
        raise RangeError(f"{len(pumps)} pumps for {len(network.supply)} supplies; give each its own")
    faults = tuple(f"link {network.link_ids[i]!r} has a reducer in a network with loops or several supplies, where no "
                   "end of it is nearer the supply; take it out, or one link of each loop"
                   for i in np.flatnonzero(~np.isnan(network.reducer_pa)).tolist())
    if faults:
        raise NetworkError(faults)


def _at_nozzles(iterate: _Iterate) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    return iterate.pressure_pa, iterate.nozzle_flow_m3_s, iterate.open


def _start(network: LoopNetwork, pumps: Sequence[Pump], water: Water) -> _Iterate:
    """Still water at the highest set pressure, the nozzles at the flow that it would give, at most the delivery;
    links and supplies share that as laminar flow would."""
    weight, z = water.density_kg_m3 * GRAVITY_M_S2, network.z_m
    top = max(pump.set_pressure_pa + weight * float(z[at])
              for pump, at in zip(pumps, network.supply.tolist(), strict=True))
    pressure = top - weight * z
    nozzle = free_flow_m3_s(network, pressure)
    delivery = sum(pump.delivery_m3_s for pump in pumps)
    nozzle *= min(1.0, delivery / max(nozzle.sum(), delivery))
    flow = np.zeros_like(network.length_m)
    _, slope = _loss(network, water, flow)
    conductance = 1 / np.maximum(slope, _least_slope(network, pumps, pressure))
    edges, right = _edges(network, conductance), -nozzle
    dp, ground, keep = np.zeros_like(z), np.zeros_like(z), len(pumps)
    fold(network.plan, edges, ground, right, keep)
    unfold(network.plan, edges, ground, right, dp, keep)
    flow = conductance * (dp[network.from_node] - dp[network.to_node])
    return _Iterate(np.zeros_like(z), flow, nozzle, -right[network.supply], nozzle > 0, pressure)


def _least_slope(network: LoopNetwork, pumps: Sequence[Pump], pressure_pa: Floats) -> float:
    delivery = sum(pump.delivery_m3_s for pump in pumps)
    taken = min(float(free_flow_m3_s(network, pressure_pa).sum()), delivery)
    return LEAST_SLOPE * pumps[0].set_pressure_pa / (taken or delivery)


def _edges(network: LoopNetwork, conductance_m3_s_pa: Floats) -> Floats:
    summed = np.bincount(network.plan.edge_of, weights=conductance_m3_s_pa, minlength=network.plan.edges)
    return np.asarray(summed, dtype=np.float64)


def _loss(network: LoopNetwork, water: Water, flow_m3_s: Floats) -> tuple[Floats, Floats]:
    tubing = network.bore_m, network.roughness_m, network.length_m, network.minor_k
    return loss_and_slope(flow_m3_s, *tubing, water)


def _link_law(network: LoopNetwork, water: Water, iterate: _Iterate) -> Law:
    """p_from + rho g (z_from - z_to) - loss(Q) - p_to and d loss / d Q, in Pa s/m3."""
    loss, slope = _loss(network, water, iterate.link_flow_m3_s)
    return Law(iterate.over_pa[network.from_node] - iterate.over_pa[network.to_node] - loss, slope)


def _arriving_m3_s(network: LoopNetwork, flow_m3_s: Floats) -> Floats:
    """What flows of links bring to each node, net."""
    count = len(network.node_ids)
    towards = np.bincount(network.to_node, weights=flow_m3_s, minlength=count)
    away = np.bincount(network.from_node, weights=flow_m3_s, minlength=count)
    return np.asarray(towards - away, dtype=np.float64)


def _step(
    network: LoopNetwork, pumps: Sequence[Pump], iterate: _Iterate, link: Law, nozzle: Law
) -> _Iterate:
    """Newton's step, with the nozzles' curve in place of its tangent where that would overshoot."""
    start, end, supply, keep = network.from_node, network.to_node, network.supply, len(pumps)
    conductance = 1 / np.maximum(link.slope, _least_slope(network, pumps, iterate.pressure_pa))
    linear = iterate.link_flow_m3_s + conductance * link.lack_pa  # the flows, were no pressure to change
    right = _arriving_m3_s(network, linear) - iterate.nozzle_flow_m3_s - nozzle.slope * nozzle.lack_pa
    edges, ground, dp = _edges(network, conductance), nozzle.slope.copy(), np.zeros_like(right)
    fold(network.plan, edges, ground, right, keep)
    matrix = kept_matrix(network.plan, edges, ground, keep)
    at = iterate.pressure_pa[supply]
    held = held_together(pumps, at, -right[supply], matrix)
    dp[supply] = held.pressure_pa - at
    unfold(network.plan, edges, ground, right, dp, keep)
    return iterate._replace(
        over_pa=iterate.over_pa + dp,
        link_flow_m3_s=linear + conductance * (dp[start] - dp[end]),
        nozzle_flow_m3_s=stepped_flow_m3_s(network, *_at_nozzles(iterate), nozzle, dp),
        supply_flow_m3_s=held.net_m3_s,
    )


def _midway(one: _Iterate, other: _Iterate) -> _Iterate:
    """Half a step."""
    halves = [(a + b) / 2 for a, b in zip(one[:4], other[:4], strict=True)]
    return _Iterate(halves[0], halves[1], halves[2], halves[3], one.open, one.still_pa)


def _residuals(
    network: LoopNetwork, pumps: Sequence[Pump], iterate: _Iterate, link: Law, nozzle: Law
) -> tuple[Floats, Floats]:
    """What each node lacks: of mass over the net flow, of energy (its worst law) over the lowest set pressure."""
    lack = _arriving_m3_s(network, iterate.link_flow_m3_s) - iterate.nozzle_flow_m3_s
    np.add.at(lack, network.supply, iterate.supply_flow_m3_s)
    net = float(iterate.supply_flow_m3_s.sum())
    mass = np.abs(lack) / (net if net > 0 else sum(pump.delivery_m3_s for pump in pumps))
    energy = nozzle_residual_pa(network, iterate.pressure_pa, iterate.open, nozzle)
    np.maximum.at(energy, network.to_node, np.abs(link.lack_pa))
    energy /= min(pump.set_pressure_pa for pump in pumps)
    for pump, node, flow in zip(pumps, network.supply.tolist(), iterate.supply_flow_m3_s.tolist(), strict=True):
        energy[node] = max(energy[node], supply_residual(pump, float(iterate.pressure_pa[node]), flow))
    return mass, energy


def _state(
    network: LoopNetwork, pumps: Sequence[Pump], iterate: _Iterate, mass: Floats, energy: Floats, iterations: int
) -> LoopState:
    check_columns(network.node_ids, network.z_m, iterate.pressure_pa)
    bypass = [
        max(0.0, pump.delivery_at_m3_s(min(float(iterate.pressure_pa[node]), pump.set_pressure_pa)) - flow)
        for pump, node, flow in zip(pumps, network.supply.tolist(), iterate.supply_flow_m3_s.tolist(), strict=True)
    ]
    return LoopState(
        pressure_pa=iterate.pressure_pa,
        link_flow_m3_s=iterate.link_flow_m3_s,
        nozzle_flow_m3_s=iterate.nozzle_flow_m3_s,
        open=iterate.open,
        reducer_status=("",) * len(network.link_ids),
        supply_flow_m3_s=iterate.supply_flow_m3_s,
        bypass_m3_s=np.array(bypass),
        mass_residual=float(mass.max()),
        energy_residual=float(energy.max()),
        iterations=iterations,
    )
