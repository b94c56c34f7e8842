"""What stays uncovered of each zone, and why: areas exact, each bit of ground under the first cause that fits."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from geometry.footprint import Reach, footprints, refitted, unhindered
from geometry.positions import Positions, candidate_positions
from geometry.shares import beyond, near_lines, own_parts, region_of, shared_out, within
from geometry.site import Site
from optimizer.appraisal.figures import Cause, Uncovered
from optimizer.instance import Candidates
from optimizer.scenario import Scenario

COUNT = "nozzle count"  # a position that reaches it is free: the count is used up, or it would add too little
DRIFTING = "limit of drift"  # positions that reach it would send too much mist where it is limited
SPACING = "spacing rules"  # least spacing, rows or pitch keep out every position that reaches it
PRESSURE = "beyond the pump's pressure"  # no pump of the design can keep a position that reaches it in the band
HIDDEN = "out of sight"  # obstacles or the boundary hide it from the positions within reach of it
BARRED = "position left out"  # a position within reach and sight of it may not be used
FACED_AWAY = "no facing towards it"  # nozzles at the positions within reach and sight of it face another way
NO_POSITION = "stretch without positions"  # within reach of a mounting line, but not of a place for a nozzle
NO_LINE = "no line near"  # no mounting line within reach

LEAST_M2 = 1e-6  # what rounding leaves of areas that are all covered


@dataclass(frozen=True, eq=False)
class Ground:
    """What every design with one nozzle leaves uncovered: shared by all alternatives with that nozzle.

    area_m2 [Z]: of what counts as each zone's own; coverable [Z]: what candidates reach of it; causes: of what no
    candidate reaches, per zone.
    """

    names: tuple[str, ...]
    area_m2: NDArray[np.float64]
    coverable: NDArray[Any]
    causes: tuple[tuple[Cause, ...], ...]


def ground(scenario: Scenario, found: Candidates) -> Ground:
    """The ground of a scenario for the candidates of one nozzle."""
    site, reach = scenario.site, found.reach
    parts = own_parts(site.zones)
    reached = region_of(found.polygons)
    causes = [
        (HIDDEN, "", _unhindered(site, found, reach)),
        *((BARRED, reason, region) for reason, region in _barred(scenario, reach, found)),
        (FACED_AWAY, "", region_of(_all_round(scenario, reach, found))),
        (HIDDEN, "", _unhindered(site, found, reach.all_round())),
        (NO_POSITION, "", near_lines(site.lines, reach.radius_m)),
    ]
    shares = shared_out(beyond(parts, reached), [region for _, _, region in causes])
    kinds = [*((cause, detail) for cause, detail, _ in causes), (NO_LINE, "")]
    return Ground(
        names=tuple(zone.name for zone in site.zones),
        area_m2=shared_out(parts, [])[:, 0],
        coverable=within(parts, reached),
        causes=tuple(_causes(kinds, row) for row in shares),
    )


def uncovered(
    known: Ground, found: Candidates, chosen: Sequence[int], *may: NDArray[np.bool_]
) -> tuple[Uncovered, ...]:
    """What a choice leaves uncovered; may, three of [J]: candidates that no rule but the count keeps out, that none but
    count and drift do, and that some pump can keep in the band."""
    picked = np.zeros(found.count, dtype=bool)
    picked[list(chosen)] = True
    shares = shared_out(known.coverable, [region_of(found.polygons[some]) for some in (picked, *may)])
    kinds = [(COUNT, ""), (DRIFTING, ""), (SPACING, ""), (PRESSURE, "")]
    return tuple(
        Uncovered(name, float(area), float(row[0]), (*_causes(kinds, row[1:]), *causes))
        for name, area, row, causes in zip(known.names, known.area_m2, shares, known.causes, strict=True)
    )


def _causes(kinds: Sequence[tuple[str, str]], areas_m2: NDArray[np.float64]) -> tuple[Cause, ...]:
    """The causes that have an area, largest first."""
    total: dict[tuple[str, str], float] = {}
    for kind, area in zip(kinds, areas_m2, strict=True):
        total[kind] = total.get(kind, 0.0) + float(area)
    found = [Cause(*kind, area) for kind, area in total.items() if area > LEAST_M2]
    return tuple(sorted(found, key=lambda cause: -cause.area_m2))


def _unhindered(site: Site, found: Candidates, reach: Reach) -> Any:
    """What the candidates would reach if nothing stood in their way."""
    xy = np.column_stack([found.x_m, found.y_m])
    return region_of(unhindered(site, xy, found.azimuth_deg, found.tilt_deg, found.height_m, reach))


def _all_round(scenario: Scenario, reach: Reach, at: Candidates | Positions) -> NDArray[Any]:
    """What can be seen within reach from places, whichever way."""
    xy, level = np.column_stack([at.x_m, at.y_m]), np.zeros(len(at.x_m))
    disc = reach.all_round()
    return refitted(scenario.site, xy, at.z_m, level, level, at.height_m, disc, scenario.rules.setback_m)[0]


def _barred(scenario: Scenario, reach: Reach, found: Candidates) -> list[tuple[str, Any]]:
    """Regions in sight and reach, all round, of positions that are no candidates, by the reason."""
    site, rules = scenario.site, scenario.rules
    lost = _lost(candidate_positions(site, rules.step_m), found)
    dropped = dict(footprints(site, lost, reach, rules.setback_m).dropped)
    other = "tubing, permitted hours or facing"
    reasons = np.array([dropped.get(i, other) for i in range(len(lost))], dtype=object)
    seen = _all_round(scenario, reach, lost)
    known = sorted(set(reasons), key=lambda reason: (reason == other, reason))
    return [(reason, region_of(seen[reasons == reason])) for reason in known]


def _lost(positions: Positions, found: Candidates) -> Positions:
    """The positions that are no candidates."""
    kept = set(zip(found.line.tolist(), found.chainage_m.tolist(), strict=True))
    at = zip(positions.line.tolist(), positions.chainage_m.tolist(), strict=True)
    lost = np.array([place not in kept for place in at], dtype=bool)
    return Positions(**{one.name: getattr(positions, one.name)[lost] for one in fields(positions)})
