"""What must hold between the features of a site: checks on parts already sound by themselves.

Every reader of site plans can use them: they take what was drawn as (path, feature) pairs and name the path.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
import shapely
from shapely import Polygon

from geometry.chainage import NEAR_M, places_at, strictly_inside, within_stretches
from geometry.errors import Fault
from geometry.facing import faces_outward, preferences, sides
from geometry.site import Feature, KeepOut, MountingLine, Obstacle, PumpSite, Stretch, TubingLink, Zone

DRAWN_M = 0.05
"""How far a zone or pump site may stand out over the boundary: the accuracy of drawing."""
FENCE_M = 0.5
"""How far a line may stand outside the boundary: half the thickness of a hedge or a wall."""

_ASKED = (
    ("locked_m", "locks a nozzle", "unlock it or free its place"),
    ("preferred_m", "prefers a nozzle", "prefer another place or free this one"),
)

Drawn = Sequence[tuple[str, Feature]]


def faults_between(boundary: Polygon, drawn: Drawn) -> list[Fault]:
    """Every fault of features against the boundary, the obstacles, the keep-outs and their own lines."""
    obstacles = [feature for _, feature in drawn if isinstance(feature, Obstacle)]
    keep_outs = [feature for _, feature in drawn if isinstance(feature, KeepOut)]
    faults: list[Fault] = []
    for path, feature in drawn:
        if isinstance(feature, Zone):
            faults += _zone_faults(path, feature, boundary)
        if isinstance(feature, PumpSite):
            faults += _pump_site_faults(path, feature, boundary)
        off_site = _off_site_faults(path, feature, boundary)
        faults += off_site
        if isinstance(feature, MountingLine):
            faults += _chainage_faults(path, feature)
            faults += _asked_faults(path, feature, keep_outs)
            faults += _ends_faults(path, feature)
            faults += [] if off_site else _facing_faults(path, feature, boundary, obstacles)
    return faults


def _zone_faults(path: str, zone: Zone, boundary: Polygon) -> Iterator[Fault]:
    if not shapely.covers(shapely.buffer(boundary, DRAWN_M), zone.polygon):
        outside = shapely.area(shapely.difference(zone.polygon, boundary))
        mend = "keep zones within the site's boundary"
        yield Fault(f"{path}.geometry", f"{outside:.2f} m2 outside", "reaches outside the boundary", mend)


def _pump_site_faults(path: str, site: PumpSite, boundary: Polygon) -> Iterator[Fault]:
    off = float(shapely.distance(boundary, shapely.Point(site.x_m, site.y_m)))
    if off > DRAWN_M:
        mend = "put pump sites inside the boundary"
        yield Fault(f"{path}.geometry", f"{off:.2f} m outside", "lies outside the boundary", mend)


def _off_site_faults(path: str, feature: Feature, boundary: Polygon) -> list[Fault]:
    if not isinstance(feature, MountingLine | TubingLink):
        return []
    if shapely.covers(shapely.buffer(boundary, FENCE_M), feature.line):
        return []
    outside = shapely.length(shapely.difference(feature.line, boundary))
    mend = f"keep lines on the site, at most {FENCE_M:g} m outside its boundary"
    return [Fault(f"{path}.geometry", f"{outside:.2f} m outside", "runs off the site", mend)]


def _chainage_faults(path: str, line: MountingLine) -> Iterator[Fault]:
    length = float(line.line.length)
    mend = f"the line is {length:.2f} m long as drawn"
    for key in ("no_nozzles", "no_tubing"):
        stretches: tuple[Stretch, ...] = getattr(line, key)
        for i, stretch in enumerate(stretches):
            place, value = f"{path}.properties.{key}[{i}]", f"{stretch.from_m:g} to {stretch.to_m:g} m"
            if stretch.to_m <= stretch.from_m:
                mend_order = "give from_m below to_m; divide one that runs over a closed line's start"
                yield Fault(place, value, "ends before it starts", mend_order)
            elif stretch.to_m > length + DRAWN_M:
                yield Fault(place, value, "runs past the end of the line", mend)
    for key in ("supports_m", "locked_m", "forbidden_m", "preferred_m"):
        for i, chainage in enumerate(getattr(line, key)):
            if chainage > length + DRAWN_M:
                place = f"{path}.properties.{key}[{i}]"
                yield Fault(place, f"{chainage:g} m", "lies past the end of the line", mend)


def _asked_faults(path: str, line: MountingLine, keep_outs: Sequence[KeepOut]) -> Iterator[Fault]:
    """A locked or preferred nozzle must be allowed to stand where it is asked for."""
    for key, asks, mend in _ASKED:
        for i, chainage in enumerate(getattr(line, key)):
            for reason in _barred(line, chainage, keep_outs):
                yield Fault(f"{path}.properties.{key}[{i}]", f"{chainage:g} m", f"{asks} {reason}", mend)


def _barred(line: MountingLine, chainage: float, keep_outs: Sequence[KeepOut]) -> Iterator[str]:
    """Every reason why no nozzle may stand at a chainage."""
    x, y, _ = places_at(line.line, line.ground_m, [chainage])
    for keep_out in keep_outs:
        if "mounting" in keep_out.forbids and strictly_inside(keep_out.polygon, x, y)[0]:
            yield f'where keep-out "{keep_out.name}" forbids mounting'
    for key in ("no_nozzles", "no_tubing"):
        if within_stretches(np.array([chainage]), getattr(line, key))[0]:
            yield f"within a stretch of {key}"
    if any(abs(chainage - other) <= NEAR_M for other in line.forbidden_m):
        yield "at a forbidden chainage"


def _ends_faults(path: str, line: MountingLine) -> Iterator[Fault]:
    if line.closed and line.near_ends_m is not None:
        place, value = f"{path}.properties.near_ends_m", f"{line.near_ends_m:g} m"
        yield Fault(place, value, "has no meaning on a closed line", "leave it out; near_corners_m holds for corners")


def _facing_faults(path: str, line: MountingLine, boundary: Polygon, obstacles: Sequence[Obstacle]) -> Iterator[Fault]:
    place = f"{path}.properties.facing"
    of = sides(line, boundary, obstacles)
    for facing in preferences(line.facings, of):
        if facing in ("in", "out") and of.in_left is None:
            mend = "say left, right or an azimuth"
            yield Fault(place, str(facing), "has no meaning on an open line off boundary and walls", mend)
        elif of.on_boundary and faces_outward(line.line, of, facing):
            yield Fault(place, str(facing), "points out of the site from its boundary", "let it face in")
