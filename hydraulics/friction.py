"""Pressure lost to friction along tubing: Darcy-Weisbach with the factor of the EPANET 2.2 user manual.

    Re < 2000           laminar, f = 64 / Re (Hagen-Poiseuille)
    2000 <= Re <= 4000  cubic in Re of Dunlop (1991), which meets both neighbours in value and slope
    Re > 4000           Swamee and Jain (1976)

The law named in `FRICTION_LAW` is part of every stored design: another transition law moves the worst nozzle.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from hydraulics import units
from hydraulics.water import Water

Floats = NDArray[np.float64]

FRICTION_LAW = "darcy-weisbach/laminar-2000/dunlop-cubic/swamee-jain-4000"
GRAVITY_M_S2 = units.GRAVITY_M_S2
LAMINAR_END_RE = 2000.0
TURBULENT_START_RE = 4000.0


class Factor(NamedTuple):
    """Darcy's friction factor f and its elasticity Re f'(Re), both dimensionless arrays."""

    value: Floats
    elasticity: Floats


def pressure_gradient_pa_m(
    flow_m3_s: ArrayLike, bore_m: ArrayLike, roughness_m: ArrayLike, water: Water
) -> Floats:
    """Pressure lost per metre of tubing, with the sign of the flow. Arguments broadcast."""
    return gradient_and_slope(flow_m3_s, bore_m, roughness_m, water)[0]


def gradient_and_slope(
    flow_m3_s: ArrayLike, bore_m: ArrayLike, roughness_m: ArrayLike, water: Water
) -> tuple[Floats, Floats]:
    """Pressure lost per metre (Pa/m), odd in the flow, and its derivative by the flow (Pa s/m4).

    Laminar: 128 mu q / (pi D^4). Else f rho v |v| / (2 D), Darcy-Weisbach. Arguments broadcast.
    """
    flow, bore = np.asarray(flow_m3_s, dtype=float), np.asarray(bore_m, dtype=float)
    reynolds = 4 * water.density_kg_m3 * np.abs(flow) / (np.pi * bore * water.viscosity_pa_s)
    factor = _rough_factor(reynolds, np.asarray(roughness_m, dtype=float) / bore)
    scale = 8 * water.density_kg_m3 / (np.pi**2 * bore**5) * np.abs(flow)
    poiseuille = 128 * water.viscosity_pa_s / (np.pi * bore**4)
    laminar = reynolds < LAMINAR_END_RE
    gradient = np.where(laminar, poiseuille, scale * factor.value) * flow
    slope = np.where(laminar, poiseuille, scale * (2 * factor.value + factor.elasticity))
    return gradient, slope


def friction_factor(reynolds: ArrayLike, relative_roughness: ArrayLike) -> Floats:
    """Darcy's friction factor for Re > 0 and roughness over bore, both dimensionless. Arguments broadcast."""
    re = np.asarray(reynolds, dtype=float)
    rough = _rough_factor(re, np.asarray(relative_roughness, dtype=float)).value
    return np.where(re < LAMINAR_END_RE, 64 / re, rough)


def _rough_factor(reynolds: Floats, relative_roughness: Floats) -> Factor:
    """The factor above laminar flow; below Re 2000 the value at 2000, which the caller replaces."""
    cubic = _dunlop(np.clip(reynolds, LAMINAR_END_RE, TURBULENT_START_RE), relative_roughness)
    turbulent = _swamee_jain(np.maximum(reynolds, TURBULENT_START_RE), relative_roughness)
    above = reynolds > TURBULENT_START_RE
    return Factor(np.where(above, turbulent.value, cubic.value),
                  np.where(above, turbulent.elasticity, cubic.elasticity))


def _swamee_jain(reynolds: Floats, relative_roughness: Floats) -> Factor:
    """f = 0.25 / log10(eps / 3.7 D + 5.74 / Re^0.9)^2, Swamee and Jain (1976)."""
    smooth = 5.74 * reynolds**-0.9
    both = relative_roughness / 3.7 + smooth
    logarithm = np.log(both)
    value = 0.25 * (np.log(10) / logarithm) ** 2
    return Factor(value, value * 1.8 * smooth / (both * logarithm))


def _dunlop(reynolds: Floats, relative_roughness: Floats) -> Factor:
    """Cubic in r = Re / 2000, as the EPANET 2.2 user manual gives it (X1 to X4, FA, FB).

    FA is Swamee-Jain at Re = 4000 and FB is 2 FA + Re f' there; taking both from that law spares the manual's
    rounded constants. The manual prints Re^0.9 in Y2; the engine takes 4000^0.9, and only that is a cubic.
    """
    end = _swamee_jain(np.asarray(TURBULENT_START_RE), relative_roughness)
    fa, fb = end.value, 2 * end.value + end.elasticity
    r = reynolds / LAMINAR_END_RE
    x1, x2 = 7 * fa - fb, 0.128 - 17 * fa + 2.5 * fb
    x3, x4 = -0.128 + 13 * fa - 2 * fb, 0.032 - 3 * fa + 0.5 * fb
    return Factor(x1 + r * (x2 + r * (x3 + r * x4)), r * (x2 + r * (2 * x3 + r * 3 * x4)))
