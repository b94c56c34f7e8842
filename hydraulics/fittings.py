"""Losses of fittings: K velocity heads of the link that carries them."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from hydraulics.errors import RangeError

Floats = NDArray[np.float64]


def minor_loss_pa(k: ArrayLike, flow_m3_s: ArrayLike, bore_m: ArrayLike, density_kg_m3: float) -> Floats:
    """Pressure lost by fittings of dimensionless coefficient k: k rho v |v| / 2, with the sign of the flow.

    Arguments broadcast. Velocity is the link's.
    """
    velocity = _floats(flow_m3_s) / _section_m2(bore_m)
    return _floats(k) * density_kg_m3 / 2 * velocity * np.abs(velocity)


def minor_loss_slope_pa_s_m3(
    k: ArrayLike, flow_m3_s: ArrayLike, bore_m: ArrayLike, density_kg_m3: float
) -> Floats:
    """Derivative of `minor_loss_pa` by the flow: k rho |q| / A^2."""
    return _floats(k) * density_kg_m3 * np.abs(_floats(flow_m3_s)) / _section_m2(bore_m) ** 2


def k_of_loss(loss_pa: float, flow_m3_s: float, bore_m: float, density_kg_m3: float) -> float:
    """The K that loses loss_pa at flow_m3_s in a bore: a loss quoted at a flow as a link's coefficient.

    Raises RangeError where the loss is negative, or flow or bore are not above 0.
    """
    if not (0 <= loss_pa < math.inf and 0 < flow_m3_s < math.inf and 0 < bore_m < math.inf):
        raise RangeError(f"a loss of {loss_pa:g} Pa at {flow_m3_s:g} m3/s in a bore of {bore_m:g} m: "
                         "give a loss of at least 0, flow and bore above 0")
    return loss_pa / float(minor_loss_pa(1.0, flow_m3_s, bore_m, density_kg_m3))


def _section_m2(bore_m: ArrayLike) -> Floats:
    return np.pi / 4 * _floats(bore_m) ** 2


def _floats(values: ArrayLike) -> Floats:
    return np.asarray(values, dtype=float)
