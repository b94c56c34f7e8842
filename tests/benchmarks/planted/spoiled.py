"""Planted cases made infeasible in a known way, each with the words that the refusal must carry."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, replace
from random import Random
from typing import Any

from shapely import LineString

from hydraulics.friction import GRAVITY_M_S2
from hydraulics.water import water_at
from tests.benchmarks.planted.files import BAR, WATER_C, Case, Feature, feature, features_of
from tests.benchmarks.planted.planting import planted

APART = 1000  # seeds of spoiled cases stand this far from those of planted ones


@dataclass(frozen=True)
class Spoiled:
    """A case that has no design. reason: regular expression for what the alternative must say."""

    seed: int
    way: str
    case: Case
    reason: str


class Unfit(Exception):
    """A case that cannot be spoiled in the way whose turn it is."""


def spoiled(seed: int) -> Spoiled:
    """A planted case, spoiled in the way whose turn it is; where it is unfit for that, another case."""
    way = list(WAYS)[seed % len(WAYS)]
    spoil, reason = WAYS[way]
    for other in itertools.count(APART + seed, APART):
        with suppress(Unfit):
            return Spoiled(seed, way, spoil(planted(other).case, Random(f"spoiled {seed}")), reason)
    raise AssertionError("counting has no end")


def _no_candidate(case: Case, _draw: Random) -> Case:
    """A pond that forbids mist takes in the whole plot."""
    ring = [point[:2] for point in features_of(case, "boundary")[0]["geometry"]["coordinates"][0]]
    return _added(_plain(case), _keep_out("Flood", ring, "mist"))


def _no_cell(case: Case, _draw: Random) -> Case:
    """On a larger plot the only zone lies far from every line."""
    keep = [_with(one, "mounting_line", facing="all") for one in _plain(case).features]
    plot = feature("boundary", "Polygon", [_ring(0.0, 0.0, 100.0)])
    zone = feature("zone", "Polygon", [_ring(-90.0, -90.0, 5.0)], name="Far")
    others = [one for one in keep if one["properties"]["role"] not in ("boundary", "zone")]
    return replace(case, features=(plot, zone, *others))


def _too_few_circuits(case: Case, _draw: Random) -> Case:
    """One circuit for zones at either end of a line that mist at different hours."""
    plain = _plain(case)
    path = _path(max(features_of(plain, "mounting_line"), key=lambda one: _path(one).length))
    ends = path.interpolate(0.0), path.interpolate(0.5, normalized=True)
    plot = features_of(case, "boundary")[0]["geometry"]["coordinates"][0][2]
    zones = [
        feature("zone", "Polygon", [_clipped(_ring(end.x, end.y, 1.2), plot)], name=f"End {hours}", schedule=hours)
        for end, hours in zip(ends, ("evening", "early"), strict=True)
    ]
    others = [one for one in plain.features if one["properties"]["role"] != "zone"]
    return replace(case, features=(*others, *zones), pumps=1, circuits=1)


def _too_small(case: Case, draw: Random) -> Case:
    """A pump that delivers, less its reserve, not what one nozzle takes at the band's low edge."""
    return replace(case, delivery_l_min=draw.uniform(0.3, 0.98) * _one_nozzle_l_min(case))


def _too_high(case: Case, draw: Random) -> Case:
    """The pumps stand so deep that the highest set pressure lifts no water into the band."""
    deep_m = 10.3 * (case.set_bar[1] - case.band_bar[0]) + draw.uniform(25.0, 40.0)
    return replace(case, features=tuple(_deeper(one, deep_m) for one in case.features))


def _too_narrow(case: Case, draw: Random) -> Case:
    """On level ground the band's low edge leaves 2 mbar to be lost between the one set pressure and any nozzle."""
    height_m = 2.0
    level = [_with(_flat(one), "mounting_line", height_m=height_m) for one in _plain(case).features]
    rise_bar = water_at(WATER_C).density_kg_m3 * GRAVITY_M_S2 * height_m / BAR
    top = case.set_bar[1]
    band = top - rise_bar - 0.002, top + draw.uniform(1.0, 2.0)
    plain = replace(case, features=tuple(level), delivery_l_min=5.0)
    return replace(plain, band_bar=band, set_bar=(top, top), tubes=(0,), sizes=1)


def _locked_close(case: Case, draw: Random) -> Case:
    """Two locked positions closer than the least spacing."""
    return _locked(_plain(case), draw, 2, 0.9 * case.spacing_m[0])


def _gap(case: Case, _draw: Random) -> Case:
    """A continuous line with a stretch longer than the greatest spacing where nothing may be mounted."""
    plain = replace(_plain(case), spacing_m=(0.5, 1.2), step_m=0.5, delivery_l_min=50.0)
    line = max(features_of(plain, "mounting_line"), key=lambda one: _path(one).length)
    name, middle = line["properties"]["name"], _path(line).interpolate(0.5, normalized=True)
    marked = [
        _with(one, "mounting_line", continuous=True) if one["properties"].get("name") == name else one
        for one in plain.features
    ]
    return _added(replace(plain, features=tuple(marked)), _keep_out("Bar", _ring(middle.x, middle.y, 1.0), "mounting"))


def _locked_in_mist_free(case: Case, draw: Random) -> Case:
    """A locked position in the middle of a pond that forbids mist."""
    locked = _locked(_plain(case), draw, 1, 1.0)
    line = next(one for one in features_of(locked, "mounting_line") if one["properties"]["locked_m"])
    spot = _path(line).interpolate(line["properties"]["locked_m"][0])
    return _added(locked, _keep_out("Pond", _ring(spot.x, spot.y, 1.0), "mist"))


def _too_many_locked(case: Case, draw: Random) -> Case:
    """Three locked positions, and circuits for at most two nozzles in all."""
    locked = _locked(_plain(case), draw, 3, case.spacing_m[0])
    return replace(locked, delivery_l_min=1.5 * _one_nozzle_l_min(case), pumps=1, circuits=min(case.circuits, 2))


def _too_few_outlets(case: Case, _draw: Random) -> Case:
    """More circuits than the pump has outlets."""
    return replace(case, circuits=case.circuits + 1, outlets=case.circuits)


WAYS: dict[str, tuple[Callable[[Case, Random], Case], str]] = {
    "no candidate": (_no_candidate, r"Flood.*rule: candidates"),
    "no coverable cell": (_no_cell, r"meets no zone|rule: reach"),
    "fewer circuits than schedule groups": (_too_few_circuits, r"rule: schedule"),
    "pump too small for one nozzle": (_too_small, r"rule: reserve"),
    "nozzle too high": (_too_high, r"too high.*rule: (band|set_pressure)"),
    "band unreachable with the tubing": (_too_narrow, r"widest tubing.*rule: band"),
    "locked too close": (_locked_close, r"locked.*rule: spacing_least_m"),
    "continuous line with a gap": (_gap, r"gap.*rule: spacing_greatest_m"),
    "locked in a keep-out": (_locked_in_mist_free, r"Pond.*rule: locked"),
    "too many locked for the pump": (_too_many_locked, r"locked.*rule: reserve"),
    "too few outlets": (_too_few_outlets, r"rule: outlets"),
}


def _one_nozzle_l_min(case: Case) -> float:
    """Delivery that, less the reserve, is one nozzle's flow at the band's low edge."""
    nozzle = case.nozzle
    above = (case.band_bar[0] - nozzle.closing_bar) / (nozzle.at_bar - nozzle.closing_bar)
    return float(nozzle.flow_ml_min / 1e3 * above**nozzle.exponent / (1.0 - case.reserve))


def _plain(case: Case) -> Case:
    """The case without keep-outs, locked positions, stretches kept free, continuous lines and schedules."""
    rest = [one for one in case.features if one["properties"]["role"] != "keep_out"]
    rest = [_with(one, "zone", schedule="always") for one in rest]
    bare = {"continuous": False, "locked_m": [], "no_nozzles": [], "no_tubing": []}
    return replace(case, features=tuple(_with(one, "mounting_line", **bare) for one in rest))


def _locked(case: Case, draw: Random, count: int, apart_m: float) -> Case:
    """So many positions locked on one line, so far apart."""
    lines = [one for one in features_of(case, "mounting_line") if _path(one).length > (count + 1) * apart_m]
    if not lines:
        raise Unfit
    line = draw.choice(lines)
    first = draw.uniform(0.0, _path(line).length - count * apart_m)
    at_m = [round(first + i * apart_m, 3) for i in range(count)]
    if _bends(line, at_m):
        raise Unfit
    name = line["properties"]["name"]
    marked = [_with(one, "mounting_line", locked_m=at_m if one["properties"].get("name") == name else [])
              for one in case.features]  # fmt: skip
    return replace(case, features=tuple(marked))


def _bends(line: Feature, at_m: list[float]) -> bool:
    """Whether a corner brings some of these nearer to one another than along the line."""
    spots = [_path(line).interpolate(at) for at in at_m]
    return any(
        a.distance(b) < at_b - at_a - 1e-6 for (at_a, a), (at_b, b) in itertools.pairwise(zip(at_m, spots, strict=True))
    )


def _with(one: Feature, role: str, **properties: Any) -> Feature:
    """The feature, with properties set where it has the role."""
    if one["properties"]["role"] != role:
        return one
    return {**one, "properties": {**one["properties"], **properties}}


def _added(case: Case, *more: Feature) -> Case:
    return replace(case, features=(*case.features, *more))


def _keep_out(name: str, ring: list[list[float]], forbids: str) -> Feature:
    return feature("keep_out", "Polygon", [ring], name=name, forbids=[forbids], setback_m=0.0)


def _ring(x: float, y: float, half: float) -> list[list[float]]:
    corners = ((-half, -half), (half, -half), (half, half), (-half, half), (-half, -half))
    return [[x + east, y + north] for east, north in corners]


def _clipped(ring: list[list[float]], corner: list[float]) -> list[list[float]]:
    """The ring within a plot from the origin to its far corner."""
    return [[min(max(x, 0.0), corner[0]), min(max(y, 0.0), corner[1])] for x, y in ring]


def _deeper(one: Feature, deep_m: float) -> Feature:
    return _with(one, "pump_site", elevation_m=round(one["properties"].get("elevation_m", 0.0) - deep_m, 2))


def _flat(one: Feature) -> Feature:
    """The feature on level ground."""
    geometry, level = one["geometry"], _with(one, "pump_site", elevation_m=0.0)
    if geometry["type"] == "Point":
        return level
    coordinates = geometry["coordinates"]
    flat = [[p[:2] for p in ring] for ring in coordinates] if geometry["type"] == "Polygon" else None
    return {**level, "geometry": {**geometry, "coordinates": flat or [p[:2] for p in coordinates]}}


def _path(line: Feature) -> LineString:
    return LineString([point[:2] for point in line["geometry"]["coordinates"]])
