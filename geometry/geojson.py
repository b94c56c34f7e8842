"""Read a site from GeoJSON (RFC 7946) with all faults at once; write features in the site's own frame.

The file's coordinates are longitude and latitude (WGS 84), or local metres with a member
`"frame": "local_m"`. A third number is the elevation of the ground.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from shapely.geometry import mapping, shape
from shapely.geometry.base import BaseGeometry
from shapely.geometry.polygon import orient

from geometry import build
from geometry.checks import faults_between
from geometry.corridors import PUMP_SNAP_M, SNAP_M, corridors
from geometry.errors import ArgumentError, Fault, SiteFaults
from geometry.frame import Frame, to_local, to_lonlat
from geometry.json_text import MAX_BYTES as MAX_BYTES
from geometry.json_text import load_object
from geometry.reached import unreached_lines
from geometry.shapes import Rings, read_shape
from geometry.site import MountingLine, Site
from geometry.site_file import RECORDS, FeatureRecord, did_you_mean, read_record, shown

SCHEMA_VERSION = 1
MAX_EXTENT_M = 20_000.0
LEAST_BOUNDARY_M2 = 1.0

_HEADER_KEYS = ("type", "schema_version", "name", "frame", "features", "note", "bbox")
_LONGITUDE_FIRST = 'GeoJSON gives longitude first, then latitude; metres need "frame": "local_m"'
_DEGREES = 'give metres, or leave "frame" out where the numbers are degrees'
_SHAPES = {"mounting_line": "LineString", "tubing_link": "LineString", "pump_site": "Point"}
_NEEDED = {"zone": "zone", "mounting_line": "mounting line", "pump_site": "pump site"}


@dataclass(frozen=True, eq=False)
class _Part:
    """A feature that is sound by itself, its coordinates still the file's own."""

    path: str
    record: FeatureRecord
    rings: Rings


def read_site(text: bytes | str) -> Site:
    """The site that a GeoJSON file describes.

    Raises SiteFaults with every fault: syntax and version alone, else header, features, their shapes and what
    must hold between them; whether a pump site reaches each line is looked at once all else is sound.
    """
    document = load_object(text)
    _require_version(document)
    raw = document.get("features")
    features = raw if isinstance(raw, list) else []
    faults = _header_faults(document) + _census_faults(features)
    parts: list[_Part] = []
    for index, feature in enumerate(features):
        part, found = _read_feature(index, feature)
        faults += found
        parts += [part] if part else []
    misplaced = _extent_faults(parts, local="frame" in document)
    if misplaced:
        raise SiteFaults([*faults, *misplaced])
    return _checked_site(document, parts, faults)


def _checked_site(document: Mapping[str, Any], parts: Sequence[_Part], faults: list[Fault]) -> Site:
    frame = None if "frame" in document or not parts else _frame(parts)
    local = [_Part(part.path, part.record, _local(part.rings, frame)) for part in parts]
    boundaries = [build.polygon(part.rings) for part in local if part.record.role == "boundary"]
    drawn = [(p.path, build.feature(p.record, p.rings)) for p in local if p.record.role != "boundary"]
    if len(boundaries) == 1:
        faults = [*faults, *faults_between(boundaries[0], drawn)]
    if faults:
        raise SiteFaults(faults)
    site = build.site(document.get("name", "site"), boundaries[0], [one for _, one in drawn], frame)
    unreached = unreached_lines(site, corridors(site, routing_allowance=0.0))
    if unreached:
        lost = [path for path, one in drawn if isinstance(one, MountingLine) and one.name in unreached]
        mend = f"draw links that end within {SNAP_M:g} m of it, and a pump site within {PUMP_SNAP_M:g} m"
        raise SiteFaults(Fault(path, "", "is reached from no pump site", mend) for path in lost)
    return site


def _require_version(document: Mapping[str, Any]) -> None:
    """A file of another version is refused before anything else is read: its keys may mean something else."""
    version = document.get("schema_version")
    if type(version) is not int or version < 1:
        found = shown(version) if "schema_version" in document else ""
        problem, mend = "is no schema version", f"give {SCHEMA_VERSION}"
    elif version > SCHEMA_VERSION:
        found, problem = str(version), "is newer than this program"
        mend = f"install a newer version, or export the site as schema version {SCHEMA_VERSION}"
    else:
        return
    raise SiteFaults([Fault("schema_version", found, problem, mend)])


def _header_faults(document: Mapping[str, Any]) -> list[Fault]:
    faults = [
        Fault(key, shown(document[key]), "is no known key", did_you_mean(key, _HEADER_KEYS))
        for key in document
        if key not in _HEADER_KEYS
    ]
    if document.get("type") != "FeatureCollection":
        found = shown(document.get("type"))
        faults.append(Fault("type", found, "is no site file", 'give "FeatureCollection"'))
    if document.get("frame", "local_m") != "local_m":
        mend = 'give "local_m" for metres, or leave it out for longitude and latitude'
        faults.append(Fault("frame", shown(document["frame"]), "is no known frame", mend))
    name = document.get("name", "site")
    if not isinstance(name, str) or not 0 < len(name) <= 80:
        faults.append(Fault("name", shown(name), "is no name", "give a name of 1 to 80 characters"))
    if not isinstance(document.get("features"), list):
        found = shown(document.get("features"))
        faults.append(Fault("features", found, "is no list of features", "list the site's features"))
    return faults


def _census_faults(features: Sequence[Any]) -> list[Fault]:
    """Roles missing or given too often and names given twice, over sound and faulty features alike."""
    named = [p for f in features if isinstance(f, dict) and isinstance(p := f.get("properties"), dict)]
    roles = Counter(str(properties.get("role")) for properties in named)
    faults = []
    if roles["boundary"] != 1:
        mend = "draw one polygon with role boundary"
        faults.append(Fault("features", str(roles["boundary"]), "do not hold exactly one boundary", mend))
    faults += [
        Fault("features", "", f"hold no {words}", f"draw at least one feature with role {role}")
        for role, words in _NEEDED.items()
        if not roles[role]
    ]
    names = Counter((str(p.get("role")), p["name"]) for p in named if isinstance(p.get("name"), str))
    for (role, name), count in names.items():
        if count > 1 and role in RECORDS:
            problem = f"name {count} features with role {role} alike"
            faults.append(Fault("features", shown(name), problem, "give each a name of its own"))
    return faults


def _read_feature(index: int, raw: object) -> tuple[_Part | None, list[Fault]]:
    path = f"features[{index}]"
    if not isinstance(raw, dict) or not isinstance(raw.get("properties"), dict):
        mend = 'give "properties" with a role, and a "geometry"'
        return None, [Fault(path, shown(raw), "is no feature", mend)]
    properties = raw["properties"]
    role = properties.get("role")
    if not isinstance(role, str) or role not in RECORDS:
        place = f"{path}.properties.role"
        return None, [Fault(place, shown(role), "is no known role", did_you_mean(role, RECORDS))]
    label = f"{path} ({role} {shown(properties['name'])})" if "name" in properties else f"{path} ({role})"
    record = read_record(role, properties, f"{label}.properties")
    rings = read_shape(raw.get("geometry"), _SHAPES.get(role, "Polygon"), f"{label}.geometry")
    faults = [fault for one in (record, rings) if isinstance(one, list) for fault in one]
    faults += [
        Fault(f"{label}.{key}", shown(raw[key]), "is no known key", "move it into properties")
        for key in raw
        if key not in ("type", "properties", "geometry", "id", "bbox")
    ]
    if isinstance(record, list) or isinstance(rings, list):
        return None, faults
    return _Part(label, record, rings), faults


def _extent_faults(parts: Sequence[_Part], local: bool) -> list[Fault]:
    """Coordinates that cannot be of one site: beyond the globe, too far apart, degrees taken for metres."""
    if not parts:
        return []
    for part in () if local else parts:
        lon, lat = _extreme(part.rings, 0), _extreme(part.rings, 1)
        if abs(lat) > 90.0 or abs(lon) > 180.0:
            what = f"latitude {lat:g}" if abs(lat) > 90.0 else f"longitude {lon:g}"
            return [Fault(f"{part.path}.geometry", what, "lies beyond the globe", _LONGITUDE_FIRST)]
    frame = None if local else _frame(parts)
    xy = np.concatenate([_local(part.rings, frame)[0][:, :2] for part in parts])
    extent = float(np.ptp(xy, axis=0).max())
    if extent > MAX_EXTENT_M:
        problem = f"are more than {MAX_EXTENT_M / 1000:g} km apart"
        mend = "look for a position that is off" if local else _LONGITUDE_FIRST
        return [Fault("features", f"{extent / 1000:.0f} km", problem, mend)]
    return [
        Fault(f"{part.path}.geometry", f"{area:.3g} m2", "is too small for a site", _DEGREES)
        for part in parts
        if part.record.role == "boundary"
        and (area := build.polygon(_local(part.rings, frame)).area) < LEAST_BOUNDARY_M2
    ]


def _extreme(rings: Rings, axis: int) -> float:
    values = np.concatenate([ring[:, axis] for ring in rings])
    return float(values[np.argmax(np.abs(values))])


def _frame(parts: Sequence[_Part]) -> Frame:
    """Origin in the middle of the boundary, or of everything where no boundary is sound."""
    chosen = [part for part in parts if part.record.role == "boundary"] or parts
    lonlat = np.concatenate([ring[:, :2] for part in chosen for ring in part.rings])
    lon0, lat0 = (lonlat.min(axis=0) + lonlat.max(axis=0)) / 2.0
    return Frame(float(lon0), float(lat0))


def _local(rings: Rings, frame: Frame | None) -> Rings:
    if frame is None:
        return rings
    return tuple(np.column_stack([*to_local(frame, ring[:, 0], ring[:, 1]), ring[:, 2]]) for ring in rings)


def geometry_of(raw: Mapping[str, Any]) -> BaseGeometry:
    """The shapely geometry of a GeoJSON geometry in local metres. Raises ArgumentError where it is none."""
    try:
        geometry = shape(raw)
    except (shapely.errors.ShapelyError, ValueError, TypeError, LookupError, AttributeError) as error:
        raise ArgumentError(f"geometry: {shown(raw)} is no GeoJSON geometry ({error})") from error
    if not geometry.is_valid:
        raise ArgumentError(f"geometry: {shown(raw)} is not valid: {shapely.is_valid_reason(geometry)}")
    return geometry


def mapping_of(geometry: BaseGeometry) -> dict[str, Any]:
    """A geometry in local metres as GeoJSON, unrounded, outer rings counter-clockwise (RFC 7946)."""
    turned = orient(geometry) if geometry.geom_type == "Polygon" else geometry
    raw: dict[str, Any] = mapping(turned)
    return {"type": raw["type"], "coordinates": _lists(raw["coordinates"])}


def feature(geometry: BaseGeometry, properties: Mapping[str, Any]) -> dict[str, Any]:
    """A GeoJSON feature in local metres, for `collection`."""
    return {"type": "Feature", "properties": dict(properties), "geometry": geometry}


def collection(frame: Frame | None, features: Iterable[Mapping[str, Any]]) -> dict[str, Any]:
    """A FeatureCollection in the site's own frame: degrees to 0.1 mm, or local metres to 0.1 mm."""
    head: dict[str, Any] = {"type": "FeatureCollection"}
    if frame is None:
        head["frame"] = "local_m"
    written = [{**one, "geometry": mapping_of(_own_frame(one["geometry"], frame))} for one in features]
    return {**head, "features": written}


def _own_frame(geometry: BaseGeometry, frame: Frame | None) -> BaseGeometry:
    def own(xy: np.ndarray[Any, Any]) -> np.ndarray[Any, Any]:
        if frame is None:
            return np.round(xy, 4)
        return np.round(np.column_stack(to_lonlat(frame, xy[:, 0], xy[:, 1])), 9)

    return shapely.transform(geometry, own)


def _lists(coordinates: Any) -> Any:
    if isinstance(coordinates, tuple | list):
        return [_lists(one) for one in coordinates]
    return float(coordinates)
