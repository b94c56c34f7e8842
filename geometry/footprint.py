"""Footprints: what a nozzle's mist reaches in plan, from its height, in the facings and tilts of its line."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
import shapely

from geometry.chainage import BoolArray, FloatArray, IntArray
from geometry.clearance import MIST_REASON, mist_faults, standing_faults
from geometry.errors import ArgumentError
from geometry.facing import facing_azimuths_deg, preferences, sides
from geometry.outline import Outline, laid_out
from geometry.positions import Positions
from geometry.sight import Shapes, blockers, eyes, shadows
from geometry.site import KeepOut, Site

ARC_STEP_DEG = 5.625
"""Longest arc that one straight edge stands for: a quarter circle has 16."""
LEAST_AREA_M2 = 1e-6
TOUCH_M2 = 1e-9
COPY_SHARE = 0.005
"""Footprints that differ by less of their area are one: discs whose corners are turned differ by 0.2 %."""


@dataclass(frozen=True)
class Reach:
    """How far a nozzle's mist carries in calm air, and the angle of its spray in plan (360 = all round).

    outlines: where there are any, one for each height of nozzles, they are the footprints, whichever way a nozzle
    faces and tilts; the radius is then that of the widest.
    """

    radius_m: float
    spray_angle_deg: float = 360.0
    outlines: tuple[Outline, ...] = ()

    def scaled(self, factor: float) -> Reach:
        """So many times as far."""
        outlines = tuple(outline.scaled(factor) for outline in self.outlines)
        return Reach(factor * self.radius_m, self.spray_angle_deg, outlines)

    def all_round(self) -> Reach:
        """The same whichever way a nozzle faces."""
        return Reach(self.radius_m, 360.0, self.outlines)


@dataclass(frozen=True, eq=False)
class _Aim:
    """Nozzles [M] and which way they face; laid: their outlines, where these are the footprints."""

    xy: FloatArray
    z_m: FloatArray
    azimuth_deg: FloatArray
    radius_m: FloatArray
    angle_deg: float
    laid: Shapes | None = None

    def of(self, chosen: IntArray) -> _Aim:
        """Some of them."""
        xy, z_m, azimuth_deg, radius_m = (
            array[chosen] for array in (self.xy, self.z_m, self.azimuth_deg, self.radius_m)
        )
        laid = None if self.laid is None else self.laid[chosen]
        return _Aim(xy, z_m, azimuth_deg, radius_m, self.angle_deg, laid)

    def nearest(self, eye: FloatArray) -> FloatArray | None:
        """Where parts of footprints count that obstacles or the boundary cut off: at the eyes; of outlines all do."""
        return eye if self.laid is None else None

    def shapes(self, eye: FloatArray) -> Shapes:
        """Their discs or sectors about the eyes [M, 2], or their outlines."""
        if self.laid is not None:
            return self.laid
        return reach_shapes(eye, self.azimuth_deg, self.radius_m, self.angle_deg)


@dataclass(frozen=True, eq=False)
class Footprints:
    """Legal footprints [M'], by position and, of one position, by slot.

    `position` indexes the positions given, `slot` the line's choices of facing and tilt; `dropped` pairs every
    position that has no legal footprint with the reasons.
    """

    polygons: Shapes
    position: IntArray
    slot: IntArray
    azimuth_deg: FloatArray
    tilt_deg: FloatArray
    dropped: tuple[tuple[int, str], ...]


@dataclass(frozen=True, eq=False)
class _Tries:
    """Aims of every position, a row a slot, [S, M]; NaN where a line has no further slot."""

    azimuth_deg: FloatArray
    tilt_deg: FloatArray


def footprints(site: Site, positions: Positions, reach: Reach, setback_m: float) -> Footprints:
    """The footprints of every position: a disc or sector of the reach, cut by obstacles and the boundary.

    The slots of a line are its facings in their order, each with every tilt. The reach of a tilted nozzle is
    radius_m x cos(tilt). A footprint is legal when it keeps the setback (the keep-out's own, else `setback_m`) from
    every keep-out that forbids mist, and the site's clearances and heights; of footprints of one position that are
    alike the first counts. Of a footprint that the boundary divides, the part at the nozzle stays. Raises ArgumentError
    for a reach or setback that is none.
    """
    _require(reach, setback_m)
    tries = _tries(site, positions)
    xy = np.column_stack([positions.x_m, positions.y_m])
    laid = _laid(site, reach, xy, positions.height_m)
    polygons = np.full(tries.azimuth_deg.shape, None, dtype=object)
    standing = standing_faults(site, positions)
    reasons: list[list[str]] = [[fault] if fault else [] for fault in standing]
    may_stand = np.array([not fault for fault in standing], dtype=bool)
    for slot, (azimuth_deg, tilt_deg) in enumerate(zip(tries.azimuth_deg, tries.tilt_deg, strict=True)):
        open_ = np.flatnonzero(~np.isnan(azimuth_deg) & may_stand)
        radius_m = _radius_m(reach, tilt_deg)
        aim = _Aim(xy, positions.z_m, azimuth_deg, radius_m, reach.spray_angle_deg, laid).of(open_)
        cut, faults = _judged(site, aim, setback_m)
        legal = np.array([not fault for fault in faults], dtype=bool)
        polygons[slot, open_[legal]] = cut[legal]
        for i, fault in zip(open_, faults, strict=True):
            reasons[i] += [fault] if fault else []
    _drop_copies(polygons)
    legal = shapely.is_geometry(polygons).T
    position, slot_of = np.nonzero(legal)
    dropped = tuple((int(i), "; ".join(dict.fromkeys(reasons[i]))) for i in np.flatnonzero(~legal.any(axis=1)))
    chosen = (slot_of, position)
    return Footprints(polygons[chosen], position, slot_of, tries.azimuth_deg[chosen], tries.tilt_deg[chosen], dropped)


def refitted(
    site: Site,
    xy: FloatArray,
    z_m: FloatArray,
    azimuth_deg: FloatArray,
    tilt_deg: FloatArray,
    height_m: FloatArray,
    reach: Reach,
    setback_m: float,
) -> tuple[Shapes, tuple[str, ...]]:
    """Footprints [M] of nozzles that stand at xy [M, 2], height_m above ground, and face so already, perhaps placed for
    another reach; and why each is not legal, "" where it is.

    Those that are not have their footprint all the same. Raises ArgumentError for a reach or setback that is none.
    """
    _require(reach, setback_m)
    laid = _laid(site, reach, xy, height_m)
    aim = _Aim(xy, z_m, azimuth_deg, _radius_m(reach, tilt_deg), reach.spray_angle_deg, laid)
    polygons, faults = _judged(site, aim, setback_m)
    return polygons, tuple(faults)


def unhindered(
    site: Site, xy: FloatArray, azimuth_deg: FloatArray, tilt_deg: FloatArray, height_m: FloatArray, reach: Reach
) -> Shapes:
    """What such nozzles [M] would reach if nothing stood in their way."""
    laid = _laid(site, reach, xy, height_m)
    return reach_shapes(xy, azimuth_deg, _radius_m(reach, tilt_deg), reach.spray_angle_deg) if laid is None else laid


def _laid(site: Site, reach: Reach, xy: FloatArray, height_m: FloatArray) -> Shapes | None:
    return laid_out(reach.outlines, site, xy, height_m) if reach.outlines else None


def _radius_m(reach: Reach, tilt_deg: FloatArray) -> FloatArray:
    """Radius of a tilted nozzle; how an outline is drawn knows of no tilt."""
    return np.asarray(reach.radius_m * (1.0 if reach.outlines else np.cos(np.radians(tilt_deg)))) + 0.0 * tilt_deg


def reach_shapes(centre: FloatArray, azimuth_deg: FloatArray, radius_m: FloatArray, angle_deg: float) -> Shapes:
    """Discs or sectors [M] of spray angle `angle_deg` about azimuths, their area the true one.

    An inscribed polygon whose edges span the angle d has the area of its circle when its corners stand at
    radius x sqrt(d / sin d): n/2 r^2 sin d = n/2 d R^2.
    """
    count = int(np.ceil(angle_deg / ARC_STEP_DEG))
    step = np.radians(angle_deg) / count
    whole = angle_deg >= 360.0
    offsets = np.arange(count if whole else count + 1) * step - np.radians(angle_deg) / 2.0
    angles = np.radians(azimuth_deg)[:, None] + offsets
    corner_m = (radius_m * np.sqrt(step / np.sin(step)))[:, None, None]
    corners = centre[:, None, :] + corner_m * np.stack([np.sin(angles), np.cos(angles)], axis=-1)
    if not whole:
        corners = np.concatenate([centre[:, None, :], corners], axis=1)
    shapes: Shapes = shapely.polygons(corners)
    return shapes


def _require(reach: Reach, setback_m: float) -> None:
    if not 0.0 < reach.radius_m < np.inf:
        raise ArgumentError(f"radius_m: {reach.radius_m} m is no reach; give one above 0 m")
    if not 0.0 < reach.spray_angle_deg <= 360.0:
        raise ArgumentError(f"spray_angle_deg: {reach.spray_angle_deg} is no angle above 0 and up to 360 degrees")
    if not setback_m >= 0.0:
        raise ArgumentError(f"setback_m: {setback_m} m is no setback; give 0 m or more")


def _tries(site: Site, positions: Positions) -> _Tries:
    """What every position may try, slot by slot."""
    of = [sides(line, site.boundary, site.obstacles) for line in site.lines]
    slots = [
        list(product(preferences(line.facings, own), line.tilts_deg)) for line, own in zip(site.lines, of, strict=True)
    ]
    shape = (max(map(len, slots), default=0), len(positions))
    azimuth_deg, tilt_deg = np.full(shape, np.nan), np.full(shape, np.nan)
    for index, line in enumerate(site.lines):
        on_line = np.flatnonzero(positions.line == index)
        for slot, (facing, tilt) in enumerate(slots[index]):
            at = positions.chainage_m[on_line]
            azimuth_deg[slot, on_line] = facing_azimuths_deg(line.line, of[index], facing, at)
            tilt_deg[slot, on_line] = tilt
    return _Tries(azimuth_deg, tilt_deg)


def _drop_copies(polygons: Shapes) -> None:
    """None in place of each footprint [S, M] that is an earlier slot's again: a full circle has no facing."""
    for slot in range(1, len(polygons)):
        for earlier in polygons[:slot]:
            both = np.flatnonzero(shapely.is_geometry(earlier) & shapely.is_geometry(polygons[slot]))
            off = shapely.area(shapely.symmetric_difference(earlier[both], polygons[slot][both]))
            polygons[slot, both[off <= COPY_SHARE * shapely.area(earlier[both])]] = None


def _judged(site: Site, aim: _Aim, setback_m: float) -> tuple[Shapes, list[str]]:
    """Footprints of nozzles so aimed, and why each is illegal ("" where it is legal)."""
    polygons = np.full(len(aim.xy), shapely.Polygon(), dtype=object)
    beyond = polygons.copy()  # mist does not end at the boundary
    faults = [""] * len(aim.xy)
    for tall, members in _by_blockers(site, aim.z_m):
        polygons[members], beyond[members], deep = _seen(site, tall, aim.of(members))
        for i in members[deep]:
            faults[i] = f"stands inside obstacle {_around(site, tall, aim.xy[i])}, below its top"
    bare = shapely.area(polygons) < LEAST_AREA_M2
    _add_faults(faults, bare, "obstacles and the boundary leave no footprint")
    for keep_out in site.keep_outs:
        if "mist" in keep_out.forbids:
            _add_faults(faults, _enters(beyond, keep_out, setback_m), _mist_reason(keep_out, setback_m))
    too_near = mist_faults(site, beyond)
    return polygons, [fault or other for fault, other in zip(faults, too_near, strict=True)]


def _seen(site: Site, tall: Sequence[int], aim: _Aim) -> tuple[Shapes, Shapes, BoolArray]:
    """What nozzles see of their reach over the obstacles that are not `tall`, inside the boundary and in all; which
    stand deep inside those."""
    if not tall:
        free = aim.shapes(aim.xy)
        return _within(site, free, aim.nearest(aim.xy)), free, np.zeros(len(aim.xy), dtype=bool)
    block = blockers([site.obstacles[k].polygon for k in tall])
    eye, deep = eyes(block, aim.xy, aim.azimuth_deg)
    # The corners of a footprint stand a little outside its radius.
    lit = _lit(aim.shapes(eye), shadows(block, eye, 1.01 * aim.radius_m))
    return _within(site, lit, aim.nearest(eye)), lit, deep


def _around(site: Site, tall: Sequence[int], xy: FloatArray) -> str:
    point = shapely.Point(xy)
    return " and ".join(f'"{one.name}"' for k in tall if (one := site.obstacles[k]).polygon.covers(point))


def _by_blockers(site: Site, z_m: FloatArray) -> list[tuple[tuple[int, ...], IntArray]]:
    """Positions by the set of obstacles whose top is above them."""
    tops = np.array([obstacle.top_m for obstacle in site.obstacles])
    above = tops[None, :] > z_m[:, None] + 1e-9
    sets, inverse = np.unique(above, axis=0, return_inverse=True)
    return [(tuple(int(k) for k in np.flatnonzero(tall)), np.flatnonzero(inverse == s)) for s, tall in enumerate(sets)]


def _lit(shapes: Shapes, hidden: Shapes) -> Shapes:
    lit = shapes.copy()
    some = ~shapely.is_empty(hidden)
    lit[some] = shapely.difference(shapes[some], hidden[some])
    return lit


def _within(site: Site, shapes: Shapes, eye: FloatArray | None) -> Shapes:
    """The polygonal part of shapes inside the boundary; of several parts those at the eye, if there is one."""
    cut = shapes.copy()
    shapely.prepare(site.boundary)
    over = ~shapely.covers(site.boundary, shapes)
    cut[over] = shapely.intersection(shapes[over], site.boundary)
    for i in np.flatnonzero(shapely.get_type_id(cut) != shapely.GeometryType.POLYGON):
        cut[i] = _parts_at(cut[i], None if eye is None else shapely.Point(eye[i]))
    return cut


def _parts_at(shape: shapely.Geometry, eye: shapely.Point | None) -> shapely.Geometry:
    """The polygons of a shape, those nearest to an eye if there is one."""
    parts = [p for p in shapely.get_parts(shape) if p.geom_type == "Polygon" and p.area > TOUCH_M2]
    if not parts:
        return shapely.Polygon()
    if eye is None:
        return shapely.union_all(parts)
    off = shapely.distance(parts, eye)
    return shapely.union_all([p for p, away in zip(parts, off, strict=True) if away <= off.min() + 1e-3])


def _enters(polygons: Shapes, keep_out: KeepOut, setback_m: float) -> BoolArray:
    own = setback_m if keep_out.setback_m is None else keep_out.setback_m
    if own > 0.0:
        near: BoolArray = shapely.distance(polygons, keep_out.polygon) < own - TOUCH_M2
        return near
    enters: BoolArray = shapely.area(shapely.intersection(polygons, keep_out.polygon)) > TOUCH_M2
    return enters


def _mist_reason(keep_out: KeepOut, setback_m: float) -> str:
    own = setback_m if keep_out.setback_m is None else keep_out.setback_m
    return f'{MIST_REASON} {own:g} m of keep-out "{keep_out.name}"'


def _add_faults(faults: list[str], at: BoolArray, reason: str) -> None:
    for i in np.flatnonzero(at):
        faults[i] = faults[i] or reason
