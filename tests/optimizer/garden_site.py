"""An invented garden as GeoJSON in local metres: house, terrace in a lawn, hedge, pond, three mounting lines."""

from __future__ import annotations

from typing import Any

Json = dict[str, Any]
Point = list[float]


def feature(role: str, kind: str, coordinates: Any, **properties: Any) -> Json:
    return {
        "type": "Feature",
        "properties": {"role": role, **properties},
        "geometry": {"type": kind, "coordinates": coordinates},
    }


def box(x0: float, y0: float, x1: float, y1: float) -> list[Point]:
    return [[x0, y0], [x1, y0], [x1, y1], [x0, y1], [x0, y0]]


def garden() -> Json:
    """House, terrace inside a lawn, pond; edges of zones on the grid of cells so that no centre lies on one."""
    return {
        "type": "FeatureCollection",
        "schema_version": 1,
        "name": "invented garden",
        "frame": "local_m",
        "features": [
            feature("boundary", "Polygon", [box(0, 0, 30, 20)]),
            feature("zone", "Polygon", [box(1, 1, 29, 19), box(12, 8, 18, 13)], name="Lawn", schedule="late"),
            feature("zone", "Polygon", [box(8, 3, 20, 8)], name="Terrace", weight=3.0, schedule="late"),
            feature("obstacle", "Polygon", [box(12, 8, 18, 13)], name="House", height_m=5.0),
            feature("obstacle", "Polygon", [box(6, 16.5, 9, 17)], name="Hedge", height_m=3.0),
            feature("keep_out", "Polygon", [box(24, 3, 27, 6)], name="Pond", forbids=["mist"]),
            feature(
                "mounting_line", "LineString", box(11.8, 7.8, 18.2, 13.2), name="Eaves", height_m=2.5, facing="out"
            ),
            feature(
                "mounting_line",
                "LineString",
                [[3, 15], [13, 15], [13, 18]],
                name="Wire",
                height_m=2.5,
                facing=["left", "right"],
            ),
            feature("mounting_line", "LineString", [[22, 2], [22, 18]], name="Pergola", height_m=2.5, facing=[90, 270]),
            feature("tubing_link", "LineString", [[3, 15], [11.8, 13.2]], name="Trench", ground="lawn"),
            feature("tubing_link", "LineString", [[18.2, 13.2], [22, 13.2]], name="Edge", ground="lawn"),
            feature("pump_site", "Point", [3, 15], name="Shed"),
        ],
    }
