"""How fast a drop of water falls in air."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from hydraulics.errors import RangeError
from hydraulics.mist.air import Air
from hydraulics.units import GRAVITY_M_S2

Floats = NDArray[np.float64]
DROP_KG_M3 = 998.0
LARGEST_M = 1e-3  # larger drops flatten: the drag of a sphere no longer holds
_HALVINGS = 60


def slip(diameter_m: ArrayLike, air: Air) -> Floats:
    """Cunningham's factor by which drag is less on a drop near the mean free path; Davies (1945); same shape."""
    ratio = np.asarray(diameter_m, dtype=np.float64) / air.mean_free_path_m
    return np.asarray(1 + (2.514 + 0.8 * np.exp(-0.55 * ratio)) / ratio, dtype=np.float64)


def drag_over_stokes(reynolds: ArrayLike) -> Floats:
    """Drag of a sphere over Stokes' drag, Clift and Gauvin (1970), for Reynolds numbers below 3e5; same shape."""
    re = np.maximum(np.asarray(reynolds, dtype=np.float64), 1e-12)
    return np.asarray(1 + 0.15 * re**0.687 + re / 24 * 0.42 / (1 + 42500 * re**-1.16), dtype=np.float64)


def stokes_m_s(diameter_m: ArrayLike, air: Air, density_kg_m3: float = DROP_KG_M3) -> Floats:
    """Terminal velocity by Stokes' law with slip: the limit of small drops; same shape."""
    d = np.asarray(diameter_m, dtype=np.float64)
    heavier = density_kg_m3 - air.density_kg_m3
    return np.asarray(heavier * GRAVITY_M_S2 * d**2 * slip(d, air) / (18 * air.viscosity_pa_s), dtype=np.float64)


def terminal_m_s(diameter_m: ArrayLike, air: Air, density_kg_m3: float = DROP_KG_M3) -> Floats:
    """Terminal velocity: the v with v * drag_over_stokes(Re(v)) = Stokes' v, by halving; same shape.

    Raises RangeError for diameters outside 0 to 1 mm.
    """
    d = np.asarray(diameter_m, dtype=np.float64)
    if not np.all((d > 0) & (d <= LARGEST_M)):
        raise RangeError(f"drops of {float(np.min(d)) * 1e6:g} to {float(np.max(d)) * 1e6:g} um: "
                         f"give diameters above 0 and at most {LARGEST_M * 1e6:g} um")
    goal = stokes_m_s(d, air, density_kg_m3)
    low, high = np.zeros_like(goal), goal.copy()
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        above = middle * drag_over_stokes(air.density_kg_m3 * middle * d / air.viscosity_pa_s) > goal
        low, high = np.where(above, low, middle), np.where(above, middle, high)
    return np.asarray((low + high) / 2, dtype=np.float64)

