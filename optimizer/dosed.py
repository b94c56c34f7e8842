"""Cells that count by the summed dosage of all nozzles: what each candidate brings to each cell in one cycle.

As for footprints by dosage, without evaporation, over all winds, at the flow of the band's low edge; in zones of
resting places by what comes down on the ground. Ground that an obstacle hides from a nozzle gets nothing from it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array

from geometry.cells import PARTS, Cells, coverage_cells
from geometry.coverage import MergedCells, incidence
from geometry.footprint import Reach, refitted
from geometry.outline import RESTING
from hydraulics.mist.dosage import Nozzles, matrices
from hydraulics.mist.kernel import Mist
from hydraulics.mist.spectrum import classes
from optimizer.catalogue import NozzleType
from optimizer.reached import cycle_volume_m3
from optimizer.scenario import Scenario

Floats = NDArray[np.float64]
LEAST_CELL_M = 1.0  # a cell is judged at its middle, which may be as wide as a plume at its nozzle
LEAST_SHARE = 0.02  # of what is enough: less from one nozzle is left out
FAR = 4.0  # times as far as the widest outline dosage is reckoned with


@dataclass(frozen=True, eq=False)
class Standing:
    """Where candidates stand [J]: east and north, nozzle's elevation, height above ground, azimuth."""

    x_m: Floats
    y_m: Floats
    z_m: Floats
    height_m: Floats
    azimuth_deg: Floats


def dosed_cells(scenario: Scenario, nozzle: NozzleType, at: Standing, reach: Reach) -> MergedCells:
    """The cells that get some dosage, each by itself, with the share of what is enough that each candidate brings as
    incidence [C, J], 1 at most."""
    site, rules = scenario.site, scenario.rules
    cells = coverage_cells(site, PARTS * max(rules.cell_m, LEAST_CELL_M))
    brought = _brought(scenario, nozzle, at, cells)
    xy, level = np.column_stack([at.x_m, at.y_m]), np.zeros(len(at.x_m))
    disc = Reach(FAR * reach.radius_m)
    seen, _ = refitted(site, xy, at.z_m, at.azimuth_deg, level, at.height_m, disc, rules.setback_m)
    doses = csr_array(brought.multiply(incidence(cells, seen)))
    doses.eliminate_zeros()
    doses.sort_indices()
    some = np.flatnonzero(np.diff(doses.indptr))
    kind, area_m2 = cells.kind[some], np.full(len(some), cells.part_m2)
    return MergedCells(
        incidence=csr_array(doses[some]),
        value=area_m2 * cells.ground.weight[kind],
        area_m2=area_m2,
        count=np.ones(len(some), dtype=np.int64),
        need=np.ones(len(some), dtype=np.int64),
        zone_area_m2=cells.ground.zones.T[:, kind].astype(np.float64) * cells.part_m2,
    )


def _brought(scenario: Scenario, nozzle: NozzleType, at: Standing, cells: Cells) -> csr_array:
    """[C, J]: the share of what is enough, from LEAST_SHARE to 1, that each candidate brings to each cell."""
    rules, climate = scenario.rules, scenario.climate
    assert nozzle.spectrum is not None and rules.dosage_least_s is not None, "missing ones are faults of the input"
    mist = Mist(classes(nozzle.spectrum), climate.air)
    found = matrices(
        Nozzles(at.x_m, at.y_m, at.height_m), climate.rose, mist, cells.x_m, cells.y_m, top_m=climate.layer_top_m
    )
    volume_m3 = cycle_volume_m3(scenario, nozzle)
    resting = np.array([zone.kind == RESTING for zone in scenario.site.zones])[cells.ground.zone[cells.kind]]
    parts = []
    for matrix, least, own in (
        (found.airborne_s_m3, rules.dosage_least_s, ~resting),
        (found.deposit_per_m2, rules.deposit_least_m or np.inf, resting),
    ):
        share = csr_array(matrix.T).multiply(volume_m3 / least).multiply(own[:, None]).tocsr()
        share.data[share.data < LEAST_SHARE] = 0.0
        share.data = np.minimum(share.data, 1.0)
        parts.append(share)
    return csr_array(parts[0] + parts[1])
