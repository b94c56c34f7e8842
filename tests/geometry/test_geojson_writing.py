"""Features written in the site's own frame, and geometries as GeoJSON and back (RFC 7946)."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import pytest
import shapely

from geometry.errors import ArgumentError
from geometry.frame import Frame, to_local
from geometry.geojson import collection, feature, geometry_of, mapping_of, read_site
from tests.geometry.drawn_sites import sound_features, text

HOLED = shapely.box(0, 0, 10, 6).difference(shapely.box(3, 2, 5, 4))


@pytest.mark.parametrize("geometry", [HOLED, shapely.Point(1 / 3, 2), shapely.LineString([(0, 0), (1, 1 / 7)])])
def test_a_geometry_survives_json_exactly(geometry: Any) -> None:
    back = geometry_of(json.loads(json.dumps(mapping_of(geometry))))
    assert shapely.equals(back, geometry) and back.length == geometry.length


def test_outer_rings_run_counter_clockwise_and_holes_clockwise() -> None:
    """RFC 7946, section 3.1.6."""
    outer, hole = mapping_of(shapely.Polygon(HOLED.exterior.coords[::-1], HOLED.interiors))["coordinates"]
    assert shapely.is_ccw(shapely.LinearRing(outer)) and not shapely.is_ccw(shapely.LinearRing(hole))


@pytest.mark.parametrize(
    "raw",
    [
        {},
        {"type": "Polygon"},
        {"type": "Polygon", "coordinates": [[[0, 0], [1, 1]]]},
        {"type": "Polygon", "coordinates": [[[0, 0], [1, 1], [1, 0], [0, 1], [0, 0]]]},
        {"type": "Polygon", "coordinates": "x"},
        {"type": "Point", "coordinates": [None, 1]},
        {"type": "Circle", "coordinates": [1, 1]},
        [],
        None,
    ],
)
def test_what_is_no_geometry_is_refused(raw: Any) -> None:
    with pytest.raises(ArgumentError, match="geometry"):
        geometry_of(raw)


def test_local_metres_are_written_as_they_are() -> None:
    written = collection(None, [feature(shapely.Point(1.23456, 2), {"id": 1})])
    assert written == {
        "type": "FeatureCollection",
        "frame": "local_m",
        "features": [
            {
                "type": "Feature",
                "properties": {"id": 1},
                "geometry": {"type": "Point", "coordinates": [1.2346, 2.0]},
            }
        ],
    }


def test_degrees_are_written_to_a_tenth_of_a_millimetre() -> None:
    frame = Frame(-150.0, -40.0)
    written = json.loads(json.dumps(collection(frame, [feature(HOLED, {})])))
    assert "frame" not in written
    outer = np.array(written["features"][0]["geometry"]["coordinates"][0])
    x, y = to_local(frame, *outer.T)
    off = shapely.distance(shapely.points(x, y), HOLED.exterior)
    assert off.max() < 2e-4


def test_what_was_read_can_be_written_where_it_was() -> None:
    site = read_site(text(sound_features()))
    written = collection(site.frame, [feature(zone.polygon, {}) for zone in site.zones])
    assert shapely.equals(geometry_of(written["features"][0]["geometry"]), site.zones[0].polygon)
