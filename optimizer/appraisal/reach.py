"""If the reach is not what it is said to be: coverage of the same nozzles at shorter and longer reach."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from geometry.clearance import MIST_REASON
from geometry.footprint import refitted
from geometry.shares import zone_shares_m2
from optimizer.appraisal.figures import ReachCase
from optimizer.instance import Instance

FACTORS = (0.7, 1.0, 1.3)


def reach_cases(instance: Instance, chosen: Sequence[int]) -> tuple[ReachCase, ...]:
    """The chosen candidates as they stand and face, with each of FACTORS times the reach."""
    return tuple(_case(instance, list(chosen), factor) for factor in FACTORS)


def _case(instance: Instance, chosen: list[int], factor: float) -> ReachCase:
    found, site = instance.candidates, instance.scenario.site
    polygons, faults = refitted(
        site,
        np.column_stack([found.x_m, found.y_m])[chosen],
        found.z_m[chosen],
        found.azimuth_deg[chosen],
        found.tilt_deg[chosen],
        found.height_m[chosen],
        found.reach.scaled(factor),
        instance.scenario.rules.setback_m,
    )
    shares = zone_shares_m2(polygons, site.zones)
    return ReachCase(
        factor=factor,
        reach_m=factor * found.reach.radius_m,
        covered_area_m2=float(shares.sum()),
        by_zone_m2={zone.name: float(share) for zone, share in zip(site.zones, shares, strict=True)},
        nozzles_in_keep_outs=sum(fault.startswith(MIST_REASON) for fault in faults),
    )
