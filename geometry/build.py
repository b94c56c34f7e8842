"""Features of a site from the records and shapes of a file, shapes already in local metres."""

from __future__ import annotations

from collections.abc import Sequence

import shapely
from shapely import LineString, Polygon

from geometry.chainage import FloatArray
from geometry.frame import Frame
from geometry.shapes import Rings
from geometry.site import (
    PUMP_SITE_NEEDS,
    Feature,
    KeepOut,
    MountingLine,
    Obstacle,
    PumpSite,
    Site,
    Stretch,
    TubingLink,
    Zone,
)
from geometry.site_file import (
    FeatureRecord,
    KeepOutRecord,
    MountingLineRecord,
    ObstacleRecord,
    PumpSiteRecord,
    StretchRecord,
    TubingLinkRecord,
    ZoneRecord,
)


def site(name: str, boundary: Polygon, features: Sequence[Feature], frame: Frame | None) -> Site:
    """The site of a boundary and its features, each kind in the order given."""
    return Site(
        name,
        boundary,
        tuple(f for f in features if isinstance(f, Zone)),
        tuple(f for f in features if isinstance(f, KeepOut)),
        tuple(f for f in features if isinstance(f, Obstacle)),
        tuple(f for f in features if isinstance(f, MountingLine)),
        tuple(f for f in features if isinstance(f, TubingLink)),
        tuple(f for f in features if isinstance(f, PumpSite)),
        frame,
    )


def polygon(rings: Rings) -> Polygon:
    """The polygon of an outer ring and its holes."""
    return shapely.Polygon(rings[0][:, :2], [ring[:, :2] for ring in rings[1:]])


def feature(record: FeatureRecord, rings: Rings) -> Feature:
    """The feature that a record and its shape describe; the boundary has none and is built by `polygon`."""
    match record:
        case ZoneRecord():
            parts = (record.weight, record.schedule, record.kind, record.least_coverage or 0.0, record.cover_by)
            return Zone(record.name, polygon(rings), *parts, source=record.source, note=record.note)
        case KeepOutRecord():
            parts_of = (frozenset[str](record.forbids), record.setback_m, record.drift_most, record.kind)
            return KeepOut(record.name, polygon(rings), *parts_of, source=record.source, note=record.note)
        case ObstacleRecord():
            base_m = float(rings[0][:-1, 2].mean())
            return Obstacle(
                record.name, polygon(rings), record.height_m, base_m, source=record.source, note=record.note
            )
        case MountingLineRecord():
            return _mounting_line(record, rings[0])
        case TubingLinkRecord():
            return _tubing_link(record, rings[0])
        case PumpSiteRecord():
            return _pump_site(record, rings[0])
    raise AssertionError(f"no feature for a {record.role}")


def _mounting_line(record: MountingLineRecord, array: FloatArray) -> MountingLine:
    return MountingLine(
        record.name,
        _line(array),
        _ground_m(array),
        height_m=record.height_m,
        facings=tuple(record.facing),
        tilts_deg=tuple(dict.fromkeys(record.tilt_deg)),
        continuous=record.continuous,
        no_nozzles=_stretches(record.no_nozzles),
        no_tubing=_stretches(record.no_tubing),
        supports_m=tuple(sorted(record.supports_m)),
        locked_m=tuple(sorted(record.locked_m)),
        forbidden_m=tuple(sorted(record.forbidden_m)),
        preferred_m=tuple(sorted(record.preferred_m)),
        near_ends_m=record.near_ends_m,
        near_corners_m=record.near_corners_m,
        even_pitch=record.even_pitch,
        source=record.source,
        note=record.note,
    )


def _tubing_link(record: TubingLinkRecord, array: FloatArray) -> TubingLink:
    costs = (record.ground, record.unit_cost, record.sleeve_cost)
    line, ground_m = _line(array), _ground_m(array)
    return TubingLink(record.name, line, ground_m, *costs, source=record.source, note=record.note)


def _pump_site(record: PumpSiteRecord, array: FloatArray) -> PumpSite:
    x_m, y_m, z_m = (float(number) for number in array[0])
    elevation_m = z_m if record.elevation_m is None else record.elevation_m
    costs = {need: getattr(record, need) for need in PUMP_SITE_NEEDS}
    missing = tuple((need, cost) for need, cost in costs.items() if cost is not None)
    return PumpSite(record.name, x_m, y_m, elevation_m, missing, source=record.source, note=record.note)


def _line(array: FloatArray) -> LineString:
    return shapely.LineString(array[:, :2])


def _ground_m(array: FloatArray) -> tuple[float, ...]:
    return tuple(float(z) for z in array[:, 2])


def _stretches(records: Sequence[StretchRecord]) -> tuple[Stretch, ...]:
    return tuple(Stretch(record.from_m, record.to_m, record.reason) for record in records)
