"""Random small sites: fences, houses, pergolas, zones, keep-outs, relief, links and pump sites. All invented.

A seed gives a `Case` whose band, set pressures and delivery are still those of `Case`'s defaults; `planting` sets
them to what a design of its own needs.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from random import Random
from typing import Any

from shapely import LineString, Point
from shapely.ops import nearest_points

from tests.benchmarks.planted.files import BORES_MM, Case, Feature, Nozzle, feature

SNAP_M = 0.5  # ways that come this close are joined by the reader; pump sites as well
FORBIDDEN = (["mist"], ["mounting"], ["mist", "mounting"], ["tubing"], ["trench"])


@dataclass(frozen=True)
class _Ground:
    """A rectangle on a slope."""

    width_m: float
    depth_m: float
    rise_x: float
    rise_y: float

    def z(self, x: float, y: float) -> float:
        return round(self.rise_x * x + self.rise_y * y, 2)

    def at(self, x: float, y: float) -> list[float]:
        x, y = round(x, 2), round(y, 2)
        return [x, y, self.z(x, y)]

    def ring(self, x0: float, y0: float, x1: float, y1: float) -> list[list[float]]:
        corners = ((x0, y0), (x1, y0), (x1, y1), (x0, y1), (x0, y0))
        return [self.at(x, y) for x, y in corners]

    def clipped(self, x: float, y: float) -> tuple[float, float]:
        return min(max(x, 0.0), self.width_m), min(max(y, 0.0), self.depth_m)


def drawn(seed: int, attempt: int = 0) -> Case:
    """A site and rules from a seed; attempt: another draw of the same seed."""
    draw = Random(f"site {seed} {attempt}")
    relief = draw.choice((0.0, 0.0, draw.uniform(0.5, 3.0), draw.uniform(3.0, 12.0)))
    width, depth = draw.uniform(22.0, 38.0), draw.uniform(18.0, 30.0)
    share = draw.uniform(-1.0, 1.0)
    ground = _Ground(width, depth, relief * share / width, relief * (1.0 - abs(share)) * draw.choice((-1, 1)) / depth)
    circuits = draw.choice((1, 1, 2))
    pumps = 2 if draw.random() < 0.2 else 1
    schedules = pumps * circuits > 1 and draw.random() < 0.35
    lines, obstacles = _lines(draw, ground)
    sites = [_pump_site(draw, ground, i) for i in range(max(pumps, draw.choice((1, 2))))]
    features = [
        feature("boundary", "Polygon", [ground.ring(0.0, 0.0, width, depth)]),
        *obstacles,
        *lines,
        *sites,
        *_links(draw, ground, lines, sites),
        *_zones(draw, ground, lines, schedules),
        *_keep_outs(draw, ground),
    ]
    least = draw.choice((1.0, 1.5, 2.0))
    return Case(
        features=tuple(features),
        nozzle=_nozzle(draw),
        pumps=pumps,
        circuits=circuits,
        tubes=tuple(range(len(BORES_MM))),
        sizes=1,
        spacing_m=(least, draw.choice((4.0, 5.5, 7.0))),
        step_m=draw.choice((0.5, 1.0)),
        cell_m=draw.choice((1.0, 2.0)),  # judged every 0.25 or 0.5 m
        setback_m=draw.choice((0.0, 0.5, 1.0)),
        allowance=draw.choice((0.0, 0.05, 0.1)),
        reserve=draw.choice((0.0, 0.1, 0.15, 0.25)),
        set_step_bar=draw.choice((0.1, 0.25, 0.5)),
    )


def _nozzle(draw: Random) -> Nozzle:
    return Nozzle(
        flow_ml_min=round(draw.uniform(40.0, 60.0), 1),
        at_bar=14.0,
        closing_bar=round(draw.uniform(4.5, 5.5), 2),
        exponent=draw.choice((0.5, 0.55, 0.6)),
        reach_m=round(draw.uniform(2.0, 3.5), 1),
        spray_deg=draw.choice((120.0, 150.0, 180.0, 360.0)),
    )


def _lines(draw: Random, ground: _Ground) -> tuple[list[Feature], list[Feature]]:
    """1 to 4 mounting lines, and the house that one of them may run round."""
    kinds = draw.sample(["south", "west", "east", "house", "pergola", "pergola"], draw.choice((1, 2, 2, 3, 3, 4)))
    lines: list[Feature] = []
    obstacles: list[Feature] = []
    for number, kind in enumerate(kinds):
        height = round(draw.uniform(1.8, 3.2), 2)
        if kind == "house":
            wall, path = _house(draw, ground)
            obstacles.append(wall)
            facing: Any = "out"
        elif kind == "pergola":
            path = _pergola(draw, ground)
            facing = draw.choice((["left", "right"], ["right", "left"], "all", round(draw.uniform(0, 359))))
        else:
            path = _fence(draw, ground, kind)
            facing = "in"
        own = {"name": f"{kind} {number}", "height_m": height, "facing": facing}
        free = _stretches(draw, LineString([p[:2] for p in path]).length)
        lines.append(feature("mounting_line", "LineString", path, **own, **free))
    return lines, obstacles


def _house(draw: Random, ground: _Ground) -> tuple[Feature, list[list[float]]]:
    x0, y0 = ground.width_m * draw.uniform(0.25, 0.4), ground.depth_m * draw.uniform(0.5, 0.6)
    x1, y1 = x0 + draw.uniform(6.0, 11.0), y0 + draw.uniform(4.0, 6.5)
    wall = feature(
        "obstacle", "Polygon", [ground.ring(x0, y0, x1, y1)], name="House", height_m=round(draw.uniform(2.5, 6.0), 1)
    )
    return wall, ground.ring(x0 - 0.3, y0 - 0.3, x1 + 0.3, y1 + 0.3)


def _pergola(draw: Random, ground: _Ground) -> list[list[float]]:
    x, y = ground.width_m * draw.uniform(0.1, 0.35), ground.depth_m * draw.uniform(0.15, 0.4)
    path = [ground.at(x, y), ground.at(x + draw.uniform(6.0, 12.0), y + draw.uniform(-1.5, 1.5))]
    if draw.random() < 0.4:
        path.append(ground.at(path[-1][0] + draw.uniform(-1.0, 1.0), path[-1][1] + draw.uniform(4.0, 7.0)))
    return path


def _fence(draw: Random, ground: _Ground, side: str) -> list[list[float]]:
    start, end = draw.uniform(1.0, 4.0), draw.uniform(1.0, 4.0)
    if side == "south":
        return [ground.at(start, 0.1), ground.at(ground.width_m - end, 0.1)]
    x = 0.1 if side == "west" else ground.width_m - 0.1
    return [ground.at(x, start), ground.at(x, ground.depth_m - end)]


def _stretches(draw: Random, length_m: float) -> dict[str, Any]:
    """Now and then a door, seldom a stretch without tubing."""
    free: dict[str, Any] = {}
    for key, chance in (("no_nozzles", 0.3), ("no_tubing", 0.06)):
        if draw.random() < chance:
            start = round(draw.uniform(1.0, length_m - 4.0), 2)
            free[key] = [{"from_m": start, "to_m": round(start + draw.uniform(1.0, 3.0), 2), "reason": "door"}]
    return free


def _pump_site(draw: Random, ground: _Ground, number: int) -> Feature:
    x, y = round(draw.uniform(1.0, ground.width_m - 1.0), 2), round(draw.uniform(1.0, ground.depth_m - 1.0), 2)
    lacks = {"power": {"cost": 300.0}} if draw.random() < 0.5 else {}
    return feature("pump_site", "Point", [x, y], name=f"Shed {number}", elevation_m=ground.z(x, y), **lacks)


def _links(draw: Random, ground: _Ground, lines: list[Feature], sites: list[Feature]) -> Iterator[Feature]:
    """Links that join every pump site and every line, and now and then one more, which makes a loop."""
    paths = [LineString([p[:2] for p in line["geometry"]["coordinates"]]) for line in lines]
    pairs = []
    for site in sites:
        point = Point(site["geometry"]["coordinates"])
        pairs.append((point, min(paths, key=point.distance)))
    for i in range(1, len(paths)):
        pairs.append((paths[i], min(paths[:i], key=paths[i].distance)))
    ends = [nearest_points(a, b) for a, b in pairs]
    for _ in range(draw.choice((0, 0, 1, 2))):
        some = [draw.choice(paths) for _ in range(2)]
        spots = [path.interpolate(draw.uniform(0.0, path.length)) for path in some]
        ends.append((spots[0], spots[1]))
    for number, (a, b) in enumerate(ends):
        if a.distance(b) > SNAP_M:
            yield feature(
                "tubing_link",
                "LineString",
                [ground.at(a.x, a.y), ground.at(b.x, b.y)],
                name=f"Link {number}",
                ground=draw.choice(("lawn", "paving")),
            )


def _zones(draw: Random, ground: _Ground, lines: list[Feature], schedules: bool) -> Iterator[Feature]:
    """1 to 3 rectangles by the lines; with schedules at least two, in turn of one and the other group."""
    for number in range(draw.choice((2, 3)) if schedules else draw.choice((1, 2, 3))):
        vertex = draw.choice(draw.choice(lines)["geometry"]["coordinates"])
        x, y = vertex[0] + draw.uniform(-6.0, 2.0), vertex[1] + draw.uniform(-6.0, 2.0)
        x0, y0 = ground.clipped(x, y)
        x1, y1 = ground.clipped(x + draw.uniform(6.0, 16.0), y + draw.uniform(6.0, 14.0))
        schedule = {"schedule": ("evening", "early")[number % 2]} if schedules else {}
        weight = draw.choice((1.0, 1.5, 2.0, 3.0))
        ring = [p[:2] for p in ground.ring(x0, y0, x1, y1)]
        yield feature("zone", "Polygon", [ring], name=f"Zone {number}", weight=weight, **schedule)


def _keep_outs(draw: Random, ground: _Ground) -> Iterator[Feature]:
    for number in range(draw.choice((0, 0, 1, 2))):
        x, y = draw.uniform(0.0, ground.width_m - 4.0), draw.uniform(0.0, ground.depth_m - 4.0)
        ring = [p[:2] for p in ground.ring(x, y, x + draw.uniform(1.0, 4.0), y + draw.uniform(1.0, 4.0))]
        setback = {"setback_m": round(draw.uniform(0.0, 1.0), 1)} if draw.random() < 0.5 else {}
        yield feature(
            "keep_out", "Polygon", [ring], name=f"Keep-out {number}", forbids=draw.choice(FORBIDDEN), **setback
        )
