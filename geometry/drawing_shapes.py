"""Shapes that drawings and exports need, GeoJSON in and GeoJSON out, so that callers need no shapely."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from shapely import MultiPolygon, Polygon, union_all

from geometry.geojson import geometry_of, mapping_of

GeoJson = Mapping[str, Any]


def covered_region(footprints: Iterable[GeoJson], zones: Iterable[GeoJson], tolerance_m: float = 0.0) -> dict[str, Any]:
    """The union of footprints within the union of zones, a GeoJSON MultiPolygon in the coordinates given,
    metres.

    With a tolerance the outline may stray by that much, for drawings that need no more. Raises
    ArgumentError on what is no valid GeoJSON geometry.
    """
    mist = union_all([geometry_of(footprint) for footprint in footprints])
    region = mist.intersection(union_all([geometry_of(zone) for zone in zones])).simplify(tolerance_m)
    parts = getattr(region, "geoms", (region,))
    return mapping_of(MultiPolygon([part for part in parts if isinstance(part, Polygon) and part.area > 0]))
