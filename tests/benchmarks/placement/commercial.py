"""Invented commercial sites, drawn from a seed, as the text of a site.geojson. All sizes and weights are made up.

A site is a field of plots along streets. On each stands a hall with eaves lines, a court, a hedge, or an aisle between
two lines that face each other; one zone lies about it. How many plots are aisles decides how much weight is shared.
"""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from random import Random
from typing import Any

import numpy as np

from geometry.frame import Frame, to_lonlat
from tests.benchmarks.planted.files import Feature, feature

PLOT_M, STALL_M = (42.0, 36.0), (26.0, 15.0)  # of a plot, and of one on a market, where the halls stand close
MARGIN_M = 4.0
APRON_M = 4.0  # a zone reaches this far beyond the lines of its plot
WALL_M = 0.3  # eaves lines hang this far off the wall
LINE_HEIGHT_M, WALL_HEIGHT_M, KIOSK_HEIGHT_M = 2.6, 6.0, 3.0
WEIGHTS = (1.0, 1.0, 1.5, 2.0, 3.0)
ORIGIN = Frame(-140.0, -35.0)  # in the open ocean
Points = list[tuple[float, float]]

FEW, FACING, OBLIQUE, RINGS, MARKET = "few shared", "facing", "oblique", "closed", "market"
PLOTS: dict[str, tuple[str, ...]] = {
    FEW: ("hall", "hall", "court", "hedge", "hedge", "hall", "aisle"),
    FACING: ("aisle", "aisle", "aisle", "aisle", "hall"),
    OBLIQUE: ("hedge", "hall", "hedge", "aisle"),
    RINGS: ("hall", "court"),
    MARKET: ("hall",),
}


@dataclass(frozen=True)
class Site:
    """What to draw. kind: FEW, FACING, OBLIQUE, RINGS or MARKET; line_m: metres of mounting line, kept to within a
    plot's; turn_deg: plots are turned by up to so much; geographic: written in longitude and latitude."""

    kind: str
    line_m: float
    seed: int
    turn_deg: float = 0.0
    geographic: bool = False

    @property
    def plot_m(self) -> tuple[float, float]:
        """Width and height of a plot."""
        return STALL_M if self.kind == MARKET else PLOT_M


@dataclass(frozen=True)
class _Plot:
    """Lines [points], the way their nozzles face, and a building or None, about the plot's own origin."""

    lines: tuple[Points, ...]
    facing: tuple[str, ...]
    building: Points | None = None


def site_text(site: Site) -> str:
    """The site.geojson of a site."""
    features = _features(site)
    document: dict[str, Any] = {"type": "FeatureCollection", "schema_version": 1, "name": f"Invented, {site.kind}"}
    if not site.geographic:
        document["frame"] = "local_m"
    return json.dumps({**document, "features": [_written(one, site) for one in features]})


def _features(site: Site) -> list[Feature]:
    draw = Random(site.seed)
    drawn: list[_Plot] = []
    while sum(_length(line) for plot in drawn for line in plot.lines) < site.line_m:
        kinds = PLOTS[site.kind]
        drawn.append(_turned(_plot(kinds[len(drawn) % len(kinds)], draw), draw.uniform(-site.turn_deg, site.turn_deg)))
    wide, high = site.plot_m
    columns = max(1, math.ceil(math.sqrt(len(drawn) * high / wide)))
    rows = math.ceil(len(drawn) / columns)
    features = _ground(columns * wide, [MARGIN_M + row * high for row in range(rows + 1)])
    for number, plot in enumerate(drawn):
        row, column = divmod(number, columns)
        corner = MARGIN_M + column * wide, MARGIN_M + row * high
        features += _placed(plot, number, corner, (wide, high), draw)
    return features


def _ground(plots_wide: float, streets: list[float]) -> list[Feature]:
    """Boundary, streets below and above the plots, a trunk that joins them, a pump site at its foot and its head."""
    wide, high = plots_wide + 2.0 * MARGIN_M, streets[-1] + MARGIN_M
    corners = [[0.0, 0.0], [wide, 0.0], [wide, high - MARGIN_M / 2.0], [MARGIN_M / 2.0, high], [0.0, 0.0]]
    trunk = [[MARGIN_M, streets[0]], [MARGIN_M, streets[-1]]]
    return [
        feature("boundary", "Polygon", [corners]),
        *(
            feature(
                "tubing_link", "LineString", [[MARGIN_M, y], [wide - MARGIN_M, y]], name=f"Street {i}", ground="paving"
            )
            for i, y in enumerate(streets)
        ),
        feature("tubing_link", "LineString", trunk, name="Trunk", ground="paving"),
        feature("pump_site", "Point", trunk[0], name="Pumps south"),
        feature("pump_site", "Point", trunk[1], name="Pumps north"),
    ]


def _plot(kind: str, draw: Random) -> _Plot:
    wide, high = draw.uniform(16.0, 24.0), draw.uniform(9.0, 13.0)
    if kind == "hall":
        return _Plot((_ring(wide + 2.0 * WALL_M, high + 2.0 * WALL_M),), ("out",), _ring(wide, high))
    if kind == "court":
        return _Plot((_ring(wide, high + 4.0),), ("in",))
    if kind == "hedge":
        bend = draw.uniform(-4.0, 4.0)
        return _Plot(([(-17.0, -bend), (-3.0, bend), (6.0, 0.0), (17.0, bend)],), (draw.choice(["left", "right"]),))
    lower = draw.uniform(1.5, 1.9)
    near = [(-16.0, -lower), (16.0, -lower - draw.uniform(0.0, 0.4))]
    return _Plot((near, [(-16.0, lower), (16.0, lower)]), ("left", "right"))


def _placed(
    plot: _Plot, number: int, corner: tuple[float, float], size: tuple[float, float], draw: Random
) -> list[Feature]:
    """The plot's features at its place: its zone, its lines with the links that feed them, what stands in the way."""
    (left, street), at = corner, (corner[0] + size[0] / 2.0, corner[1] + size[1] / 2.0)
    lines = [_moved(line, at) for line in plot.lines]
    everything = np.array([point for line in lines for point in line])
    (west, south), (east, north) = everything.min(axis=0) - APRON_M, everything.max(axis=0) + APRON_M
    apron = _box(max(west, left), max(south, street), min(east, left + size[0]), min(north, street + size[1]))
    features = [feature("zone", "Polygon", [apron], name=f"Plot {number}", weight=draw.choice(WEIGHTS))]
    features += _terrace(number, lines[0], at, draw)
    if plot.building:
        features.append(
            feature("obstacle", "Polygon", [_moved(plot.building, at)], name=f"Hall {number}", height_m=WALL_HEIGHT_M)
        )
    for side, (line, facing) in enumerate(zip(lines, plot.facing, strict=True)):
        name = f"Line {number}.{side}"
        features.append(_mounting_line(name, line, facing, draw))
        x, y = min(line, key=lambda point: (point[1], point[0]))
        features.append(feature("tubing_link", "LineString", [[x, street], [x, y]], name=f"To {name}", ground="lawn"))
    return features


def _mounting_line(name: str, line: Points, facing: str, draw: Random) -> Feature:
    length = _length(line)
    door = draw.uniform(0.2, 0.7) * length
    free = [{"from_m": round(door, 2), "to_m": round(door + draw.uniform(1.2, 2.4), 2), "reason": "door"}]
    return feature(
        "mounting_line", "LineString", line, name=name, facing=facing, height_m=LINE_HEIGHT_M, no_nozzles=free
    )  # fmt: skip


def _terrace(number: int, line: Points, at: tuple[float, float], draw: Random) -> list[Feature]:
    """On two plots of three a terrace of higher priority, on some a kiosk that hides ground or a pond free of mist."""
    if number % 3 == 2:
        return []
    (x, y), half = line[1], draw.uniform(2.5, 4.0)
    x, y = x - math.copysign(half, x - at[0]), y - math.copysign(half, y - at[1])
    terrace = _box(x - half, y - half, x + half, y + half)
    features = [feature("zone", "Polygon", [terrace], name=f"Terrace {number}", weight=4.0)]
    x, y = _middle(line, draw)
    spot = _box(x - 0.6, y - 0.6 - 2.4, x + 0.6, y + 0.6 - 2.4)
    if number % 3 == 0:
        features.append(feature("obstacle", "Polygon", [spot], name=f"Kiosk {number}", height_m=KIOSK_HEIGHT_M))
    elif number % 6 == 1:
        features.append(feature("keep_out", "Polygon", [spot], name=f"Pond {number}", forbids=["mist"], setback_m=0.3))
    return features


def _middle(line: Points, draw: Random) -> tuple[float, float]:
    (x0, y0), (x1, y1) = line[0], line[1]
    share = draw.uniform(0.3, 0.7)
    return x0 + share * (x1 - x0), y0 + share * (y1 - y0)


def _ring(wide: float, high: float) -> Points:
    x, y = wide / 2.0, high / 2.0
    return [(-x, -y), (x, -y), (x, y), (-x, y), (-x, -y)]


def _box(west: float, south: float, east: float, north: float) -> Points:
    return [(west, south), (east, south), (east, north), (west, north), (west, south)]


def _turned(plot: _Plot, turn_deg: float) -> _Plot:
    cos, sin = math.cos(math.radians(turn_deg)), math.sin(math.radians(turn_deg))

    def turn(points: Points) -> Points:
        return [(cos * x - sin * y, sin * x + cos * y) for x, y in points]

    return _Plot(tuple(turn(line) for line in plot.lines), plot.facing, turn(plot.building) if plot.building else None)


def _moved(points: Points, at: tuple[float, float]) -> Points:
    return [(at[0] + x, at[1] + y) for x, y in points]


def _length(line: Points) -> float:
    return float(np.hypot(*np.diff(np.array(line), axis=0).T).sum())


def _written(one: Feature, site: Site) -> Feature:
    """The feature with its coordinates as the file gives them: rounded metres, or degrees."""
    return {**one, "geometry": {**one["geometry"], "coordinates": _coordinates(one["geometry"]["coordinates"], site)}}


def _coordinates(coordinates: Any, site: Site) -> Any:
    if not isinstance(coordinates[0], int | float):
        return [_coordinates(part, site) for part in coordinates]
    if not site.geographic:
        return [round(coordinates[0], 3), round(coordinates[1], 3)]
    lon, lat = to_lonlat(ORIGIN, *coordinates)
    return [round(float(lon), 9), round(float(lat), 9)]
