"""The laws of links and nozzles at a state not yet steady, and what both solvers do with them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from hydraulics.errors import ColumnBreaks, NotConverged
from hydraulics.fittings import minor_loss_pa, minor_loss_slope_pa_s_m3
from hydraulics.friction import gradient_and_slope
from hydraulics.network_faults import Nozzles
from hydraulics.water import Water

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

ATMOSPHERE_PA = 101325.0
MOST_ITERATIONS = 200
BOLD_ITERATIONS = 20  # whole steps, before as many half ones


class Law(NamedTuple):
    """What a state lacks of a law, and the law's slope there."""

    lack_pa: Floats
    slope: Floats


def is_half(iterations: int) -> bool:
    """Whether to go half a step: whole ones may go round in a circle of nozzles and reducers that open and shut."""
    return iterations % (2 * BOLD_ITERATIONS) >= BOLD_ITERATIONS


def loss_and_slope(
    flow_m3_s: Floats, bore_m: Floats, roughness_m: Floats, length_m: Floats, minor_k: Floats, water: Water
) -> tuple[Floats, Floats]:
    """Pressure that links lose along them and in their fittings (Pa), and its derivative by the flow (Pa s/m3)."""
    gradient, slope = gradient_and_slope(flow_m3_s, bore_m, roughness_m, water)
    fittings = minor_k, flow_m3_s, bore_m, water.density_kg_m3
    return (gradient * length_m + minor_loss_pa(*fittings), slope * length_m + minor_loss_slope_pa_s_m3(*fittings))


def free_flow_m3_s(nozzles: Nozzles, pressure_pa: Floats) -> Floats:
    """What the nozzles give at these pressures: k max(p - p0, 0)^n."""
    return nozzles.nozzle_k * np.maximum(pressure_pa - nozzles.nozzle_p0_pa, 0.0) ** nozzles.nozzle_n


def nozzle_law(nozzles: Nozzles, pressure_pa: Floats, flow_m3_s: Floats, open_: Bools) -> Law:
    """p - p0 - (q / k)^(1/n) and d q / d p, in m3/s per Pa; 0 where no nozzle is open."""
    lack, slope = np.zeros_like(pressure_pa), np.zeros_like(pressure_pa)
    flow, n = flow_m3_s[open_], nozzles.nozzle_n[open_]
    over = (flow / nozzles.nozzle_k[open_]) ** (1 / n)
    lack[open_] = pressure_pa[open_] - nozzles.nozzle_p0_pa[open_] - over
    slope[open_] = n * flow / over
    return Law(lack, slope)


def stepped_flow_m3_s(
    nozzles: Nozzles, pressure_pa: Floats, flow_m3_s: Floats, open_: Bools, law: Law, dp_pa: Floats
) -> Floats:
    """Flows of the nozzles after a step of pressures: the tangent's, or the curve's where that would overshoot."""
    rise = law.lack_pa + dp_pa
    # The curve is concave: where the pressure over p0 more than doubles the tangent leads too far.
    leaps = open_ & (rise > pressure_pa - law.lack_pa - nozzles.nozzle_p0_pa)
    return np.where(leaps, free_flow_m3_s(nozzles, pressure_pa + dp_pa), flow_m3_s + law.slope * rise)


def switched(
    nozzles: Nozzles, pressure_pa: Floats, flow_m3_s: Floats, open_: Bools, least_pa: float
) -> tuple[Floats, Bools]:
    """Close the nozzles that would flow backwards, open closed ones that stand more than least_pa above closing
    pressure: their flows, and which are open."""
    opening = ~open_ & (nozzles.nozzle_k > 0) & (pressure_pa - nozzles.nozzle_p0_pa > least_pa)
    staying = open_ & (flow_m3_s > 0)
    flow = np.where(staying, flow_m3_s, 0.0)
    flow[opening] = free_flow_m3_s(nozzles, pressure_pa)[opening]
    return flow, staying | opening


def nozzle_residual_pa(nozzles: Nozzles, pressure_pa: Floats, open_: Bools, law: Law) -> Floats:
    """What open nozzles lack of their law, and how far closed ones stand above their closing pressure."""
    shut_above = np.where(open_ | (nozzles.nozzle_k == 0), 0.0, pressure_pa - nozzles.nozzle_p0_pa)
    return np.maximum(np.abs(law.lack_pa), shut_above)


def check_columns(node_ids: Sequence[str], z_m: Floats, pressure_pa: Floats) -> None:
    """Raises ColumnBreaks where a node would stand below an absolute vacuum."""
    lowest = int(pressure_pa.argmin())
    if pressure_pa[lowest] < -ATMOSPHERE_PA:
        name = node_ids[lowest]
        raise ColumnBreaks(name, f"node {name!r} at {z_m[lowest]:g} m would stand at {pressure_pa[lowest]:.0f} Pa, "
                           "below an absolute vacuum; lower it or raise the set pressure")


def not_converged(node_ids: Sequence[str], mass_residual: Floats, energy_residual: Floats) -> NotConverged:
    """The error that names the worst node, from what each node lacks."""
    worst = int(np.maximum(mass_residual, energy_residual).argmax())
    name = node_ids[worst]
    return NotConverged(name, f"no steady state after {MOST_ITERATIONS} iterations: node {name!r} is off by "
                        f"{mass_residual[worst]:.1e} of the net flow and {energy_residual[worst]:.1e} of the set "
                        "pressure; check bore, length and fittings of the links towards it")
