"""Tiny invented sites: 3 to 6 places for nozzles, corridors with a loop or two, relief on a third of them.

A seed gives a `Case` whose band, set pressures and delivery are still `Case`'s defaults; `planting` sets them.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass
from random import Random

from tests.benchmarks.planted.files import Case, Feature, Nozzle, feature

TUBES = ((0, 1), (0, 1, 2), (1, 2), (0, 2))  # indices into BORES_MM
APART_M = 1.6  # least distance of places along a line, more than the least spacing
LEAST_M = 1.0
CLEAR_M = 0.9  # of places from corners and junctions
XY = tuple[float, float]


@dataclass(frozen=True)
class _Ground:
    """A rectangle on a slope."""

    width_m: float
    depth_m: float
    rise_x: float
    rise_y: float

    def at(self, x: float, y: float) -> list[float]:
        return [round(x, 2), round(y, 2), round(self.rise_x * x + self.rise_y * y, 3)]


@dataclass(frozen=True)
class _Ways:
    """Mounting lines, links and pump sites as points of the plane; places: chainages on each line."""

    lines: tuple[tuple[XY, ...], ...]
    links: tuple[tuple[XY, XY], ...]
    sites: tuple[XY, ...]
    places: tuple[tuple[float, ...], ...]


def drawn(seed: int, attempt: int = 0) -> Case:
    """A site and rules from a seed; attempt: another draw of the same seed."""
    draw = Random(f"tiny {seed} {attempt}")
    pumps, circuits = ((1, 1), (1, 2), (2, 1), (1, 1))[seed % 4]
    relief = draw.uniform(3.0, 14.0) if seed % 3 == 0 else 0.0
    width, depth = draw.uniform(24.0, 46.0), draw.uniform(18.0, 32.0)
    share = draw.uniform(-1.0, 1.0)
    ground = _Ground(width, depth, relief * share / width, relief * (1.0 - abs(share)) / depth)
    most = 6 if pumps * circuits == 1 else 5
    ways = draw.choice((_ring, _ladder, _comb))(draw, ground, max(pumps, draw.choice((1, 2))), draw.randint(3, most))
    features = [
        feature("boundary", "Polygon", [_rectangle(ground, 0.0, 0.0, width, depth)]),
        *_drawn_ways(draw, ground, ways),
        *_zones(draw, ground, ways),
    ]
    tubes = draw.choice(TUBES)
    return Case(
        features=tuple(features),
        nozzle=_nozzle(draw),
        pumps=pumps,
        circuits=circuits,
        tubes=tubes,
        sizes=draw.choice((1, 2, 2)),
        spacing_m=(LEAST_M, 5.0),
        step_m=1.0,
        cell_m=1.0,
        setback_m=0.0,
        allowance=draw.choice((0.0, 0.05)),
        reserve=draw.choice((0.0, 0.1, 0.2)),
        set_step_bar=draw.choice((0.25, 0.5)),
    )


def _nozzle(draw: Random) -> Nozzle:
    return Nozzle(
        flow_ml_min=round(draw.uniform(60.0, 220.0), 1),
        at_bar=14.0,
        closing_bar=round(draw.uniform(4.5, 5.5), 2),
        exponent=draw.choice((0.5, 0.55)),
        reach_m=round(draw.uniform(2.0, 3.5), 1),
        spray_deg=360.0,
    )


def _ring(draw: Random, ground: _Ground, sites: int, places: int) -> _Ways:
    """A closed line round a yard; now and then a link across it makes a second loop."""
    x0, y0 = draw.uniform(4.0, 7.0), draw.uniform(4.0, 7.0)
    x1, y1 = ground.width_m - draw.uniform(4.0, 7.0), ground.depth_m - draw.uniform(4.0, 7.0)
    corners = (x0, y0), (x1, y0), (x1, y1), (x0, y1), (x0, y0)
    joined = [(draw.uniform(x0 + 2.0, x1 - 2.0), y) for y in (y0, y1)][:sites]
    links = [((x, y), (x, 1.0 if y == y0 else ground.depth_m - 1.0)) for x, y in joined]
    stops = [_along(corners, point) for point in joined]
    if draw.random() < 0.6:
        y = draw.uniform(y0 + 2.0, y1 - 2.0)
        links.append(((x0, y), (x1, y)))
        stops += [_along(corners, (x0, y)), _along(corners, (x1, y))]
    chosen = _places(draw, corners, stops, places)
    return _Ways((corners,), tuple(links), tuple(end for _, end in links[:sites]), (chosen,))


def _ladder(draw: Random, ground: _Ground, sites: int, places: int) -> _Ways:
    """Two lines side by side with two or three links between them."""
    low, high = ground.depth_m * draw.uniform(0.2, 0.35), ground.depth_m * draw.uniform(0.6, 0.8)
    x0, x1 = draw.uniform(2.0, 5.0), ground.width_m - draw.uniform(2.0, 5.0)
    lines = ((x0, low), (x1, low)), ((x0, high), (x1, high))
    across = sorted(_spread(draw, x0, x1, draw.choice((2, 3)), 4.0))
    links = [((x, low), (x, high)) for x in across]
    joined = [(draw.choice((across[0], x0 + 1.0)), low), (draw.choice((across[-1], x1 - 1.0)), high)][:sites]
    pumps = [((x, y), (x, 1.0 if y == low else ground.depth_m - 1.0)) for x, y in joined]
    stops = [*across, *(x for x, _ in joined)]
    first = draw.randint(1, places - 1)
    chosen = tuple(
        _places(draw, line, [x - x0 for x in stops], count)
        for line, count in zip(lines, (first, places - first), strict=True)
    )
    return _Ways(lines, tuple([*pumps, *links]), tuple(end for _, end in pumps), chosen)


def _comb(draw: Random, ground: _Ground, sites: int, places: int) -> _Ways:
    """Two or three lines that leave a trunk link; a link joins the far ends of the first two."""
    y = draw.uniform(3.0, 5.0)
    far = ground.depth_m - draw.uniform(3.0, 6.0)
    count = min(draw.choice((2, 3)), places)
    across = sorted(_spread(draw, 4.0, ground.width_m - 4.0, count, 5.0))
    lines = tuple(((x, y), (x, far)) for x in across)
    trunk = [((a, y), (b, y)) for a, b in itertools.pairwise(across)]
    ends = [(2.0, y), (ground.width_m - 2.0, y)][:sites]
    pumps = [((across[0], y), ends[0]), *([((across[-1], y), ends[1])] if sites > 1 else [])]
    shares = [places // count + (i < places % count) for i in range(count)]
    chosen = tuple(_places(draw, line, [0.0, far - y], share) for line, share in zip(lines, shares, strict=True))
    return _Ways(lines, (*pumps, *trunk, ((across[0], far), (across[1], far))), tuple(ends), chosen)


def _spread(draw: Random, low: float, high: float, count: int, apart: float) -> list[float]:
    """So many numbers between, so far apart."""
    while True:
        found = sorted(round(draw.uniform(low + 1.0, high - 1.0), 2) for _ in range(count))
        if all(b - a >= apart for a, b in itertools.pairwise(found)):
            return found


def _along(line: tuple[XY, ...], point: XY) -> float:
    """Chainage of a point on a line of sides along x or y."""
    done = 0.0
    for (ax, ay), (bx, by) in itertools.pairwise(line):
        side = abs(bx - ax) + abs(by - ay)
        here = abs(point[0] - ax) + abs(point[1] - ay)
        if here <= side and here + abs(point[0] - bx) + abs(point[1] - by) <= side + 1e-9:
            return done + here
        done += side
    raise AssertionError("the point is not on the line")


def _places(draw: Random, line: tuple[XY, ...], stops: list[float], count: int) -> tuple[float, ...]:
    """So many chainages, apart from one another, from the line's vertices and from where links meet it."""
    vertices = [0.0]
    for (ax, ay), (bx, by) in itertools.pairwise(line):
        vertices.append(vertices[-1] + abs(bx - ax) + abs(by - ay))
    kept: list[float] = []
    for _ in range(1000):
        at = round(draw.uniform(0.0, vertices[-1]), 2)
        clear = all(abs(at - stop) >= CLEAR_M for stop in (*vertices, *stops))
        if clear and all(abs(at - other) >= APART_M for other in kept):
            kept.append(at)
        if len(kept) == count:
            return tuple(sorted(kept))
    raise AssertionError("the line is too short for its places")


def _drawn_ways(draw: Random, ground: _Ground, ways: _Ways) -> Iterator[Feature]:
    height = round(draw.uniform(1.8, 3.0), 2)
    hung_m = draw.choice((0.0, height, height))  # links in the ground need risers
    for number, (line, places) in enumerate(zip(ways.lines, ways.places, strict=True)):
        own = {"name": f"Line {number}", "height_m": height, "facing": "all", "supports_m": list(places)}
        yield feature("mounting_line", "LineString", [ground.at(*point) for point in line], **own)
    for number, link in enumerate(ways.links):
        kind = draw.choice(("lawn", "lawn", "paving"))
        sleeve = {"sleeve_cost": 40.0} if draw.random() < 0.2 else {}
        ends = [[x, y, round(z + hung_m, 3)] for x, y, z in (ground.at(*point) for point in link)]
        yield feature("tubing_link", "LineString", ends, name=f"Link {number}", ground=kind, **sleeve)
    for number, (x, y) in enumerate(ways.sites):
        place = ground.at(x, y)
        yield feature("pump_site", "Point", place[:2], name=f"Shed {number}", elevation_m=round(place[2] + hung_m, 3))


def _zones(draw: Random, ground: _Ground, ways: _Ways) -> Iterator[Feature]:
    """A zone over everything, and one of more weight over part of it."""
    yield feature("zone", "Polygon", [_rectangle(ground, 0.5, 0.5, ground.width_m - 0.5, ground.depth_m - 0.5)],
                  name="All")  # fmt: skip
    x, y = draw.uniform(1.0, ground.width_m - 12.0), draw.uniform(1.0, ground.depth_m - 10.0)
    ring = _rectangle(ground, x, y, x + draw.uniform(6.0, 11.0), y + draw.uniform(5.0, 9.0))
    yield feature("zone", "Polygon", [ring], name="Court", weight=draw.choice((1.5, 2.0, 3.0)))


def _rectangle(ground: _Ground, x0: float, y0: float, x1: float, y1: float) -> list[list[float]]:
    return [ground.at(x, y)[:2] for x, y in ((x0, y0), (x1, y0), (x1, y1), (x0, y1), (x0, y0))]
