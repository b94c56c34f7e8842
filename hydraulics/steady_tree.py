"""The steady state of a tree: every pressure and flow by the full nonlinear laws.

Unknowns are the pressure p of each node, the flow Q into it through its link and the flow q of its nozzle:

    link    p_parent + rho g (z_parent - z) - loss(Q) = p      loss = friction along the tubing + fittings
    node    Q = q + sum of Q of the links onward
    nozzle  p = p0 + (q / k)^(1/n) where open, q = 0 and p <= p0 where closed
    supply  p = set pressure where the net flow is at most the pump's delivery, else net flow = delivery

All laws increase in the flow, so the state is unique. Newton's step solves the linear equations exactly: it
writes each link's dQ as a linear function of its parent's dp, from the leaves to the supply, then walks back.
The nozzle law is taken as pressure by flow, like a link's, which stays regular where the valve closes.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from hydraulics.errors import ColumnBreaks, NotConverged
from hydraulics.fittings import minor_loss_pa, minor_loss_slope_pa_s_m3
from hydraulics.friction import GRAVITY_M_S2, gradient_and_slope
from hydraulics.network import TreeNetwork
from hydraulics.pump import Pump
from hydraulics.water import Water

Floats = NDArray[np.float64]

ATMOSPHERE_PA = 101325.0
MOST_ITERATIONS = 100


@dataclass(frozen=True, eq=False)
class SteadyState:
    """Arrays [N] by node: gauge pressure, flow of the link into it (index 0: net flow), flow of its nozzle.

    mass_residual is the worst imbalance of a node over the net flow (over the delivery where nothing flows),
    energy_residual the worst of link, nozzle and supply law over the set pressure.
    """

    pressure_pa: Floats
    link_flow_m3_s: Floats
    nozzle_flow_m3_s: Floats
    open: NDArray[np.bool_]
    supply_pressure_pa: float
    bypass_m3_s: float
    mass_residual: float
    energy_residual: float
    iterations: int


class _Iterate(NamedTuple):
    pressure_pa: Floats
    link_flow_m3_s: Floats
    nozzle_flow_m3_s: Floats
    open: NDArray[np.bool_]


class _Linear(NamedTuple):
    """The equations at an iterate: what each lacks, and its slope. Index 0 of the link's arrays is 0."""

    link_pa: Floats
    link_slope_pa_s_m3: Floats
    nozzle_pa: Floats
    nozzle_slope_m3_s_pa: Floats
    node_m3_s: Floats


def solve_tree(
    network: TreeNetwork, pump: Pump, water: Water, *, tolerance: float = 1e-10
) -> SteadyState:
    """The steady state of a network fed by a pump at node 0, to residuals of at most tolerance (relative).

    Raises NotConverged naming the worst node, ColumnBreaks where one would stand below an absolute vacuum.
    """
    iterate = _start(network, pump, water)
    for iteration in range(MOST_ITERATIONS):
        linear = _linearise(network, water, iterate)
        mass, energy = _residuals(network, pump, iterate, linear)
        if max(mass.max(), energy.max()) <= tolerance:
            return _state(network, pump, iterate, mass, energy, iteration)
        iterate = _switch(network, pump, _step(network, pump, iterate, linear), tolerance)
    raise _not_converged(network, mass, energy)


def _start(network: TreeNetwork, pump: Pump, water: Water) -> _Iterate:
    """Still water at the set pressure, the nozzles at the flow that it would give, at most the delivery."""
    pressure = pump.set_pressure_pa + water.density_kg_m3 * GRAVITY_M_S2 * (network.z_m[0] - network.z_m)
    nozzle = _free_flow_m3_s(network, pressure)
    nozzle *= min(1.0, pump.delivery_m3_s / max(nozzle.sum(), pump.delivery_m3_s))
    flow = nozzle.tolist()
    parent = network.parent.tolist()
    for node in reversed(network.order[1:]):
        flow[parent[node]] += flow[node]
    return _Iterate(pressure, np.array(flow), nozzle, nozzle > 0)


def _linearise(network: TreeNetwork, water: Water, iterate: _Iterate) -> _Linear:
    pressure, flow, nozzle, is_open = iterate
    above, here = network.parent[1:], slice(1, None)
    bore, q = network.bore_m[here], flow[here]
    gradient, slope = gradient_and_slope(q, bore, network.roughness_m[here], water)
    length, fittings = network.length_m[here], (network.minor_k[here], q, bore, water.density_kg_m3)
    loss = gradient * length + minor_loss_pa(*fittings)
    loss_slope = slope * length + minor_loss_slope_pa_s_m3(*fittings)
    fall = water.density_kg_m3 * GRAVITY_M_S2 * (network.z_m[above] - network.z_m[here])
    nozzle_pa, nozzle_slope = np.zeros_like(flow), np.zeros_like(flow)
    k, p0, n = network.nozzle_k[is_open], network.nozzle_p0_pa[is_open], network.nozzle_n[is_open]
    over = (nozzle[is_open] / k) ** (1 / n)
    nozzle_pa[is_open] = pressure[is_open] - p0 - over
    nozzle_slope[is_open] = n * nozzle[is_open] / over
    onward = np.bincount(above, weights=q, minlength=flow.size)
    return _Linear(
        link_pa=np.concatenate(([0.0], pressure[above] + fall - loss - pressure[here])),
        link_slope_pa_s_m3=np.concatenate(([0.0], loss_slope)),
        nozzle_pa=nozzle_pa,
        nozzle_slope_m3_s_pa=nozzle_slope,
        node_m3_s=nozzle + onward - flow,
    )


def _step(network: TreeNetwork, pump: Pump, iterate: _Iterate, linear: _Linear) -> _Iterate:
    """Newton's step: dQ = a + b dp(parent), gathered from leaves to supply, then put in on the way back."""
    parent, order = network.parent.tolist(), network.order
    lacks, slopes = linear.link_pa.tolist(), linear.link_slope_pa_s_m3.tolist()
    a = (linear.node_m3_s + linear.nozzle_slope_m3_s_pa * linear.nozzle_pa).tolist()
    b = linear.nozzle_slope_m3_s_pa.tolist()
    for i in reversed(order[1:]):
        share = 1 / (1 + b[i] * slopes[i])
        a[i] = (a[i] + b[i] * lacks[i]) * share
        b[i] *= share
        a[parent[i]] += a[i]
        b[parent[i]] += b[i]
    dp, dq = [0.0] * len(a), [0.0] * len(a)
    dp[0] = _supply_step_pa(pump, iterate, a[0], b[0])
    dq[0] = a[0] + b[0] * dp[0]
    for i in order[1:]:
        dq[i] = a[i] + b[i] * dp[parent[i]]
        dp[i] = dp[parent[i]] + lacks[i] - slopes[i] * dq[i]
    rise = np.array(dp)
    nozzle = iterate.nozzle_flow_m3_s + linear.nozzle_slope_m3_s_pa * (linear.nozzle_pa + rise)
    flow = iterate.link_flow_m3_s + np.array(dq)
    return _Iterate(iterate.pressure_pa + rise, flow, nozzle, iterate.open)


def _supply_step_pa(pump: Pump, iterate: _Iterate, a_m3_s: float, b_m3_s_pa: float) -> float:
    """Back to the set pressure, or to where the net flow is the delivery if it would be more there."""
    to_set = pump.set_pressure_pa - float(iterate.pressure_pa[0])
    spare = pump.delivery_m3_s - float(iterate.link_flow_m3_s[0]) - a_m3_s
    return to_set if b_m3_s_pa * to_set <= spare else spare / b_m3_s_pa


def _switch(network: TreeNetwork, pump: Pump, iterate: _Iterate, tolerance: float) -> _Iterate:
    """Close the nozzles that would flow backwards, open closed ones that stand above closing pressure."""
    over = iterate.pressure_pa - network.nozzle_p0_pa
    opening = ~iterate.open & (network.nozzle_k > 0) & (over > tolerance * pump.set_pressure_pa)
    staying = iterate.open & (iterate.nozzle_flow_m3_s > 0)
    nozzle = np.where(staying, iterate.nozzle_flow_m3_s, 0.0)
    nozzle[opening] = _free_flow_m3_s(network, iterate.pressure_pa)[opening]
    return iterate._replace(nozzle_flow_m3_s=nozzle, open=staying | opening)


def _free_flow_m3_s(network: TreeNetwork, pressure_pa: Floats) -> Floats:
    return network.nozzle_k * np.maximum(pressure_pa - network.nozzle_p0_pa, 0.0) ** network.nozzle_n


def _residuals(
    network: TreeNetwork, pump: Pump, iterate: _Iterate, linear: _Linear
) -> tuple[Floats, Floats]:
    """What each node lacks: of mass over the net flow, of energy (its worst law) over the set pressure."""
    net, set_pa = float(iterate.link_flow_m3_s[0]), pump.set_pressure_pa
    over = iterate.pressure_pa - network.nozzle_p0_pa
    shut_above = np.where(iterate.open | (network.nozzle_k == 0), 0.0, over)
    energy = np.maximum.reduce([np.abs(linear.link_pa), np.abs(linear.nozzle_pa), shut_above]) / set_pa
    idle = (set_pa - float(iterate.pressure_pa[0])) / set_pa
    spare = (pump.delivery_m3_s - net) / pump.delivery_m3_s
    energy[0] = max(energy[0], abs(min(idle, spare)))  # the supply law: neither below 0, one of them 0
    return np.abs(linear.node_m3_s) / (net if net > 0 else pump.delivery_m3_s), energy


def _state(
    network: TreeNetwork, pump: Pump, iterate: _Iterate, mass: Floats, energy: Floats, iterations: int
) -> SteadyState:
    lowest = int(iterate.pressure_pa.argmin())
    if iterate.pressure_pa[lowest] < -ATMOSPHERE_PA:
        name = network.node_ids[lowest]
        raise ColumnBreaks(name, f"node {name!r} at {network.z_m[lowest]:g} m would stand at "
                           f"{iterate.pressure_pa[lowest]:.0f} Pa, below an absolute vacuum; "
                           "lower it or raise the set pressure")
    return SteadyState(
        *iterate,
        supply_pressure_pa=float(iterate.pressure_pa[0]),
        bypass_m3_s=max(0.0, pump.delivery_m3_s - float(iterate.link_flow_m3_s[0])),
        mass_residual=float(mass.max()),
        energy_residual=float(energy.max()),
        iterations=iterations,
    )


def _not_converged(network: TreeNetwork, mass: Floats, energy: Floats) -> NotConverged:
    worst = int(np.maximum(mass, energy).argmax())
    name = network.node_ids[worst]
    return NotConverged(name, f"no steady state after {MOST_ITERATIONS} iterations: node {name!r} is off by "
                        f"{mass[worst]:.1e} of the net flow and {energy[worst]:.1e} of the set pressure; "
                        "check bore, length and fittings of the links towards it")
