"""Small invented sites for the geometry tests, as GeoJSON documents and as Site values."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

import shapely

from geometry.site import KeepOut, MountingLine, Obstacle, PumpSite, Site, TubingLink, Zone

Json = dict[str, Any]


def box_ring(x0: float, y0: float, x1: float, y1: float) -> list[list[float]]:
    return [[x0, y0], [x1, y0], [x1, y1], [x0, y1], [x0, y0]]


def drawn(role: str, kind: str, coordinates: Any, **properties: Any) -> Json:
    geometry = {"type": kind, "coordinates": coordinates}
    return {"type": "Feature", "properties": {"role": role, **properties}, "geometry": geometry}


def sound_features() -> list[Json]:
    """A fenced garden with a house: every role once, all sound."""
    return [
        drawn("boundary", "Polygon", [box_ring(0, 0, 60, 40)]),
        drawn("zone", "Polygon", [box_ring(5, 2, 25, 12)], name="terrace", weight=2.0),
        drawn("keep_out", "Polygon", [box_ring(50, 2, 58, 10)], name="pond", forbids=["mist"], setback_m=1.5),
        drawn("obstacle", "Polygon", [box_ring(30, 15, 45, 25)], name="house", height_m=6.0),
        drawn("mounting_line", "LineString", [[0, 0], [60, 0]], name="fence", height_m=2.0, facing="in"),
        drawn("mounting_line", "LineString", box_ring(30, 15, 45, 25), name="eaves", height_m=3.0, facing="out"),
        drawn("tubing_link", "LineString", [[30, 0], [30, 15]], name="path", ground="lawn"),
        drawn("pump_site", "Point", [59.5, 0.5], name="shed", power={"cost": 300}, water=True),
    ]


def document(features: Sequence[Any], **header: Any) -> Json:
    start = {"type": "FeatureCollection", "schema_version": 1, "name": "test", "frame": "local_m"}
    return {**start, "features": list(features), **header}


def text(features: Sequence[Any], **header: Any) -> str:
    return json.dumps(document(features, **header))


def line(name: str, points: Sequence[Sequence[float]], height_m: float = 2.0, **more: Any) -> MountingLine:
    ground = tuple(float(p[2]) if len(p) > 2 else 0.0 for p in points)
    return MountingLine(name, shapely.LineString([p[:2] for p in points]), ground, height_m, **more)


def link(name: str, points: Sequence[Sequence[float]], **more: Any) -> TubingLink:
    ground = tuple(float(p[2]) if len(p) > 2 else 0.0 for p in points)
    return TubingLink(name, shapely.LineString([p[:2] for p in points]), ground, **more)


def site(
    lines: Sequence[MountingLine] = (),
    links: Sequence[TubingLink] = (),
    zones: Sequence[Zone] = (),
    keep_outs: Sequence[KeepOut] = (),
    obstacles: Sequence[Obstacle] = (),
    pump_sites: Sequence[PumpSite] = (),
    boundary: shapely.Polygon | None = None,
) -> Site:
    """A site with a boundary far away unless one is given."""
    around = shapely.box(-1000, -1000, 1000, 1000) if boundary is None else boundary
    parts = (tuple(zones), tuple(keep_outs), tuple(obstacles), tuple(lines), tuple(links), tuple(pump_sites))
    return Site("test", around, *parts)
