"""Longitude and latitude to local metres and back: the plane that touches the WGS 84 ellipsoid at the origin.

Points lie on the ellipsoid; the plane's axes point east and north at the origin. Both directions are closed
forms. Within 5 km of the origin the plane's distances are short by less than one part in two million.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]

# WGS 84 defining parameters: NIMA TR8350.2 (2000), table 3.1.
SEMI_MAJOR_M = 6378137.0
FLATTENING = 1.0 / 298.257223563
E2 = FLATTENING * (2.0 - FLATTENING)


@dataclass(frozen=True)
class Frame:
    """Origin of a site's local metres, in degrees of longitude and latitude (WGS 84)."""

    lon0: float
    lat0: float


def to_local(frame: Frame, lon: ArrayLike, lat: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """East and north of the frame's origin, metres, of longitudes and latitudes in degrees (equal shapes).

    Geodetic to earth-centred coordinates at height 0, then rotation to east and north
    (Torge and Mueller, Geodesy, 4th ed. 2012, sections 4.1.3 and 2.5.3; from memory).
    """
    lam = np.radians(np.asarray(lon, dtype=float) - frame.lon0)
    phi = np.radians(np.asarray(lat, dtype=float))
    normal = _normal_radius_m(phi)
    axial, polar = normal * np.cos(phi), normal * (1.0 - E2) * np.sin(phi)
    axial0, polar0, sin0, cos0 = _origin(frame)
    across = axial * np.cos(lam) - axial0
    return axial * np.sin(lam), cos0 * (polar - polar0) - sin0 * across


def to_lonlat(frame: Frame, x_m: ArrayLike, y_m: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Longitude and latitude in degrees of local metres: the exact inverse of `to_local`.

    The point of the ellipsoid straight below (x, y, 0) of the plane: its depth u solves a quadratic equation.
    """
    x, y = np.asarray(x_m, dtype=float), np.asarray(y_m, dtype=float)
    axial0, polar0, sin0, cos0 = _origin(frame)
    # Earth-centred point of the plane (p along the origin's meridian, x east, z polar); the outward normal
    # at the origin is (cos0, 0, sin0). On the ellipsoid: (p^2 + x^2)/a^2 + z^2/b^2 = 1.
    p, z = axial0 - sin0 * y, polar0 + cos0 * y
    squash = 1.0 / (1.0 - E2)
    a = cos0**2 + squash * sin0**2
    half_b = p * cos0 + squash * z * sin0
    c = p**2 + x**2 + squash * z**2 - SEMI_MAJOR_M**2
    u = -c / (half_b + np.sqrt(half_b**2 - a * c))
    p, z = p + u * cos0, z + u * sin0
    lat = np.degrees(np.arctan2(z, (1.0 - E2) * np.hypot(p, x)))
    return frame.lon0 + np.degrees(np.arctan2(x, p)), lat


def _normal_radius_m(phi: FloatArray) -> FloatArray:
    radius: FloatArray = SEMI_MAJOR_M / np.sqrt(1.0 - E2 * np.sin(phi) ** 2)
    return radius


def _origin(frame: Frame) -> tuple[float, float, float, float]:
    phi = np.radians(frame.lat0)
    normal = float(_normal_radius_m(phi))
    sin0, cos0 = float(np.sin(phi)), float(np.cos(phi))
    return normal * cos0, normal * (1.0 - E2) * sin0, sin0, cos0
