"""The steady state of a tree: every pressure and flow by the full nonlinear laws.

Unknowns are the pressure p of each node, the flow Q into it through its link and the flow q of its nozzle:

    link    s + rho g (z_parent - z) - loss(Q) = p      loss = friction along the tubing + fittings
            s = p_parent, or min(p_parent - its loss when open, setting) where a reducer stands at the start
    node    Q = q + sum of Q of the links onward
    nozzle  p = p0 + (q / k)^(1/n) where open, q = 0 and p <= p0 where closed
    supply  p = set pressure where the net flow is at most the pump's delivery, else net flow = delivery at p

All laws increase in the flow, so the state is unique. Newton's step solves the linear equations exactly: it
writes each link's dQ as a linear function of its parent's dp, from the leaves to the supply, then walks back.
The nozzle law is taken as pressure by flow, like a link's, which stays regular where the valve closes. A reducer
that holds its setting cuts the tree there for pressure, not for flow.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from hydraulics.fittings import minor_loss_pa, minor_loss_slope_pa_s_m3
from hydraulics.friction import GRAVITY_M_S2
from hydraulics.network import TreeNetwork
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
from hydraulics.sweep import gather, scatter, sum_up
from hydraulics.water import Water

Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class SteadyState:
    """Arrays [N] by node: gauge pressure, flow of the link into it (index 0: net flow), flow of its nozzle.

    mass_residual is the worst imbalance of a node over the net flow (over the delivery where nothing flows),
    energy_residual the worst of link, nozzle and supply law over the set pressure. reducer_status by node: of the
    reducer at the start of the link into it "active" (it holds its setting), "open" (it gets less than that takes, and
    passes what it gets less its loss) or "shut" (it holds, and nothing flows); "" where there is none.
    """

    pressure_pa: Floats
    link_flow_m3_s: Floats
    nozzle_flow_m3_s: Floats
    open: NDArray[np.bool_]
    reducer_status: tuple[str, ...]
    supply_pressure_pa: float
    bypass_m3_s: float
    mass_residual: float
    energy_residual: float
    iterations: int


class _Iterate(NamedTuple):
    """open: nozzles that flow; holds: reducers, by the node that their link leads to, that hold their setting."""

    pressure_pa: Floats
    link_flow_m3_s: Floats
    nozzle_flow_m3_s: Floats
    open: NDArray[np.bool_]
    holds: NDArray[np.bool_]


def solve_tree(
    network: TreeNetwork, pump: Pump, water: Water, *, tolerance: float = 1e-10
) -> SteadyState:
    """The steady state of a network fed by a pump at node 0, to residuals of at most tolerance (relative).

    Raises NotConverged naming the worst node, ColumnBreaks where one would stand below an absolute vacuum.
    """
    iterate = _start(network, pump, water)
    for iteration in range(MOST_ITERATIONS):
        link, nozzle = _link_law(network, water, iterate), _nozzle_law(network, iterate)
        mass, energy = _residuals(network, pump, water, iterate, link, nozzle)
        if max(mass.max(), energy.max()) <= tolerance:
            return _state(network, pump, iterate, mass, energy, iteration)
        step = _step(network, pump, water, iterate, link, nozzle)
        if is_half(iteration):
            step = _midway(iterate, step)
        iterate = _switch(network, pump, water, step, tolerance)
    raise not_converged(network.node_ids, mass, energy)


def _start(network: TreeNetwork, pump: Pump, water: Water) -> _Iterate:
    """Still water at the set pressure, the nozzles at the flow that it would give, at most the delivery."""
    pressure, holds = _still(network, pump, water)
    nozzle = free_flow_m3_s(network, pressure)
    nozzle *= min(1.0, pump.delivery_m3_s / max(nozzle.sum(), pump.delivery_m3_s))
    flow = nozzle.copy()
    sum_up(network.order, network.parent, flow)
    return _Iterate(pressure, flow, nozzle, nozzle > 0, holds)


def _still(network: TreeNetwork, pump: Pump, water: Water) -> tuple[Floats, NDArray[np.bool_]]:
    """Pressures of still water, and the reducers that hold their setting in it."""
    weight, z = water.density_kg_m3 * GRAVITY_M_S2, network.z_m
    pressure = pump.set_pressure_pa + weight * (z[0] - z)
    holds = np.zeros(z.size, dtype=np.bool_)
    if network.reduced:
        parent, setting = network.parent, network.reducer_pa
        for node in network.order[1:].tolist():
            above = parent[node]
            holds[node] = pressure[above] > setting[node]  # no number is above NaN
            start = setting[node] if holds[node] else pressure[above]
            pressure[node] = start + weight * (z[above] - z[node])
    return pressure, holds


def _link_law(network: TreeNetwork, water: Water, iterate: _Iterate) -> Law:
    """s + rho g (z_parent - z) - loss(Q) - p and d loss / d Q, in Pa s/m3; 0 at the supply."""
    above, here = network.parent[1:], slice(1, None)
    pressure, flow, bore = iterate.pressure_pa, iterate.link_flow_m3_s[here], network.bore_m[here]
    tubing = network.roughness_m[here], network.length_m[here], network.minor_k[here]
    loss, loss_slope = loss_and_slope(flow, bore, *tubing, water)
    start = pressure[above]
    if network.reduced:
        taken = _reducer_loss_pa(network, water, iterate)
        fittings = network.reducer_k[here], flow, bore, water.density_kg_m3
        start = np.where(iterate.holds[here], network.reducer_pa[here], start - taken[here])
        loss_slope = loss_slope + np.where(iterate.holds[here], 0.0, minor_loss_slope_pa_s_m3(*fittings))
    fall = water.density_kg_m3 * GRAVITY_M_S2 * (network.z_m[above] - network.z_m[here])
    lack = start + fall - loss - pressure[here]
    return Law(np.concatenate(([0.0], lack)), np.concatenate(([0.0], loss_slope)))


def _reducer_loss_pa(network: TreeNetwork, water: Water, iterate: _Iterate) -> Floats:
    """What each reducer takes when fully open; 0 where there is none."""
    flow, here = iterate.link_flow_m3_s, slice(1, None)
    loss = np.zeros_like(flow)
    loss[here] = minor_loss_pa(network.reducer_k[here], flow[here], network.bore_m[here], water.density_kg_m3)
    return loss


def _reducer_spare_pa(network: TreeNetwork, water: Water, iterate: _Iterate) -> Floats:
    """What each reducer would let through above its setting if it were fully open; NaN where there is none."""
    inlet = iterate.pressure_pa[network.parent]
    return np.asarray(inlet - _reducer_loss_pa(network, water, iterate) - network.reducer_pa)


def _nozzle_law(network: TreeNetwork, iterate: _Iterate) -> Law:
    return nozzle_law(network, iterate.pressure_pa, iterate.nozzle_flow_m3_s, iterate.open)


def _node_lack_m3_s(network: TreeNetwork, iterate: _Iterate) -> Floats:
    """q + sum of Q of the links onward - Q."""
    flow = iterate.link_flow_m3_s
    onward = np.bincount(network.parent[1:], weights=flow[1:], minlength=flow.size)
    return iterate.nozzle_flow_m3_s + onward - flow


def _step(
    network: TreeNetwork, pump: Pump, water: Water, iterate: _Iterate, link: Law, nozzle: Law
) -> _Iterate:
    """Newton's step, with the nozzles' curve in place of its tangent where that would overshoot."""
    dp, dq = _newton(network, pump, water, iterate, link, nozzle)
    at = iterate.pressure_pa, iterate.nozzle_flow_m3_s, iterate.open
    return iterate._replace(
        pressure_pa=iterate.pressure_pa + dp,
        link_flow_m3_s=iterate.link_flow_m3_s + dq,
        nozzle_flow_m3_s=stepped_flow_m3_s(network, *at, nozzle, dp),
    )


def _midway(one: _Iterate, other: _Iterate) -> _Iterate:
    """Half a step."""
    return other._replace(
        pressure_pa=(one.pressure_pa + other.pressure_pa) / 2,
        link_flow_m3_s=(one.link_flow_m3_s + other.link_flow_m3_s) / 2,
        nozzle_flow_m3_s=(one.nozzle_flow_m3_s + other.nozzle_flow_m3_s) / 2,
    )


def _newton(
    network: TreeNetwork, pump: Pump, water: Water, iterate: _Iterate, link: Law, nozzle: Law
) -> tuple[Floats, Floats]:
    """Changes of pressure and flow: dQ = a + b dp(parent), gathered at the supply, put in on the way back."""
    order, parent = network.order, network.parent
    # What a reducer holds does not follow its parent: it hangs for pressure from a node of its own, the last.
    cut = np.where(iterate.holds, parent.size, parent) if network.reduced else parent
    a = _node_lack_m3_s(network, iterate) + nozzle.slope * nozzle.lack_pa
    b = np.append(nozzle.slope, 0.0)
    gather(order, parent, cut, *link, a, b)
    dp, dq = np.zeros_like(b), np.zeros_like(a)
    if b[0] > 0 or not network.reduced:
        dp[0] = _supply_step_pa(pump, iterate, float(a[0]), float(b[0]))
    else:
        dp[0] = _unheld_step_pa(network, pump, water, iterate, float(a[0]))
    scatter(order, cut, *link, a, b, dp, dq)
    return dp[:-1], dq


def _supply_step_pa(pump: Pump, iterate: _Iterate, a_m3_s: float, b_m3_s_pa: float) -> float:
    """Back to the set pressure, or to where the net flow is the delivery if it would be more there."""
    now, net = float(iterate.pressure_pa[0]), float(iterate.link_flow_m3_s[0]) + a_m3_s
    return pump.held_pa(now, net, b_m3_s_pa) - now


def _unheld_step_pa(network: TreeNetwork, pump: Pump, water: Water, iterate: _Iterate, a_m3_s: float) -> float:
    """The supply's step where reducers hold all that flows, so that the net flow does not follow its pressure: to the
    set pressure, or where the pump starves down to where it delivers as much or no reducer has any to spare."""
    held = _supply_step_pa(pump, iterate, a_m3_s, 0.0)
    if float(iterate.link_flow_m3_s[0]) + a_m3_s <= pump.delivery_m3_s:
        return held
    return max(held, -float(np.nanmax(_reducer_spare_pa(network, water, iterate))))


def _switch(network: TreeNetwork, pump: Pump, water: Water, iterate: _Iterate, tolerance: float) -> _Iterate:
    """Close the nozzles that would flow backwards, open closed ones that stand above closing pressure; let the
    reducers hold that get more than their setting takes."""
    at = iterate.pressure_pa, iterate.nozzle_flow_m3_s, iterate.open
    flow, open_ = switched(network, *at, tolerance * pump.set_pressure_pa)
    if network.reduced:
        iterate = iterate._replace(holds=_reducer_spare_pa(network, water, iterate) > 0)
    return iterate._replace(nozzle_flow_m3_s=flow, open=open_)


def _residuals(
    network: TreeNetwork, pump: Pump, water: Water, iterate: _Iterate, link: Law, nozzle: Law
) -> tuple[Floats, Floats]:
    """What each node lacks: of mass over the net flow, of energy (its worst law) over the set pressure."""
    net, set_pa = float(iterate.link_flow_m3_s[0]), pump.set_pressure_pa
    at_nozzles = nozzle_residual_pa(network, iterate.pressure_pa, iterate.open, nozzle)
    energy = np.maximum(np.abs(link.lack_pa), at_nozzles) / set_pa
    if network.reduced:
        spare = _reducer_spare_pa(network, water, iterate)
        wrong = np.where(iterate.holds, -spare, spare)  # held from less than it takes, or open to more
        energy = np.maximum(energy, np.where(wrong > 0, wrong, 0.0) / set_pa)
    idle = (set_pa - float(iterate.pressure_pa[0])) / set_pa
    left = (pump.delivery_at_m3_s(min(float(iterate.pressure_pa[0]), set_pa)) - net) / pump.delivery_m3_s
    energy[0] = max(energy[0], abs(min(idle, left)))  # the supply law: neither below 0, one of them 0
    mass = np.abs(_node_lack_m3_s(network, iterate)) / (net if net > 0 else pump.delivery_m3_s)
    return mass, energy


def _state(
    network: TreeNetwork, pump: Pump, iterate: _Iterate, mass: Floats, energy: Floats, iterations: int
) -> SteadyState:
    check_columns(network.node_ids, network.z_m, iterate.pressure_pa)
    supply = min(float(iterate.pressure_pa[0]), pump.set_pressure_pa)
    return SteadyState(
        *iterate[:4],
        reducer_status=_reducer_status(network, iterate),
        supply_pressure_pa=supply,
        bypass_m3_s=max(0.0, pump.delivery_at_m3_s(supply) - float(iterate.link_flow_m3_s[0])),
        mass_residual=float(mass.max()),
        energy_residual=float(energy.max()),
        iterations=iterations,
    )


def _reducer_status(network: TreeNetwork, iterate: _Iterate) -> tuple[str, ...]:
    flowing = iterate.link_flow_m3_s > 0
    words = np.where(iterate.holds, np.where(flowing, "active", "shut"), "open")
    return tuple(np.where(np.isnan(network.reducer_pa), "", words).tolist())
