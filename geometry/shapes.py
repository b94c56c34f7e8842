"""Polygons of a design as GeoJSON values and back, so that callers who only carry them need no shapely."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray
from shapely import MultiPolygon, Polygon, get_coordinates
from shapely.geometry import mapping, shape

from geometry.errors import GeometryError

GeoJson = Mapping[str, Any]
DIGITS = 6  # of a coordinate in metres: far below any figure that is reported


def as_geojson(polygon: Polygon | MultiPolygon) -> dict[str, Any]:
    """A polygon in local metres as a GeoJSON geometry, coordinates to a thousandth of a millimetre."""
    return {"type": polygon.geom_type, "coordinates": _rounded(mapping(polygon)["coordinates"])}


def as_polygon(geometry: GeoJson) -> Polygon | MultiPolygon:
    """The polygon of a GeoJSON geometry.

    Raises GeometryError when it is no valid polygon.
    """
    try:
        found = shape(geometry)
    except Exception as error:
        raise GeometryError(f"a geometry of type {geometry.get('type')!r} cannot be read: {error}") from error
    if not isinstance(found, (Polygon, MultiPolygon)) or not np.all(np.isfinite(_numbers(found))):
        raise GeometryError(f"a {found.geom_type} with {len(_numbers(found))} numbers is no polygon of finite points")
    return found


def _rounded(value: Any) -> Any:
    if isinstance(value, (float, int)):
        return round(float(value), DIGITS)
    return [_rounded(item) for item in value]


def _numbers(found: Polygon | MultiPolygon) -> NDArray[np.float64]:
    return np.asarray(get_coordinates(found), dtype=np.float64)
