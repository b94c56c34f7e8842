"""What footprints are drawn by: the reach of a nozzle, or where the dosage of its mist is enough.

Dosage is that of one cycle of one nozzle, without evaporation, averaged over the winds of the misting hours, at the
flow of the band's low edge and for the shortest cycle of the zones' schedules: every nozzle of a design gives as much
at least. Zones of resting places are judged by what comes down on the ground.
"""

from __future__ import annotations

import numpy as np

from geometry.footprint import Reach
from geometry.outline import RESTING, Outline, level_region
from hydraulics.mist.dosage import Maps, Nozzles, dosage
from hydraulics.mist.kernel import Mist
from hydraulics.mist.spectrum import classes
from optimizer.brief import FootprintBy
from optimizer.catalogue import NozzleType
from optimizer.errors import NoDesign
from optimizer.scenario import Scenario

CYCLE_S = 45.0  # where the scenario states no service; assumed
CELL_M = 0.25
FIRST_HALF_M, MOST_HALF_M = 8.0, 64.0  # of the square looked at, doubled until it holds the outline


def reach_of(scenario: Scenario, nozzle: NozzleType, footprint: FootprintBy) -> Reach:
    """What the footprints of a nozzle are drawn by.

    Raises NoDesign (rule `dosage_least`) where no ground gets enough, or ground as far as 64 m still does.
    """
    if footprint == "reach":
        return Reach(nozzle.reach_m, nozzle.spray_angle_deg)
    heights_m = sorted({round(line.height_m, 2) for line in scenario.site.lines})
    outlines = tuple(outline(scenario, nozzle, height_m) for height_m in heights_m)
    return Reach(max(one.radius_m for one in outlines), 360.0, outlines)


def outline(scenario: Scenario, nozzle: NozzleType, height_m: float) -> Outline:
    """Where a nozzle so high above ground gives enough. Raises NoDesign as `reach_of` does."""
    rules = scenario.rules
    assert rules.dosage_least_s is not None, "footprints by dosage without a least one are a fault of the input"
    deposit_least_m = rules.deposit_least_m if any(zone.kind == RESTING for zone in scenario.site.zones) else None
    half_m = FIRST_HALF_M
    while True:
        cells = round(2.0 * half_m / CELL_M)
        maps = _maps(scenario, nozzle, height_m, half_m, cells)
        levels = [(maps.airborne_s.reshape(cells, cells), rules.dosage_least_s)]
        if deposit_least_m is not None:
            levels.append((maps.deposit_m.reshape(cells, cells), deposit_least_m))
        edges = [float(max(v[0].max(), v[-1].max(), v[:, 0].max(), v[:, -1].max())) / least for v, least in levels]
        if max(edges) < 1.0:
            break
        half_m *= 2.0
        if half_m > MOST_HALF_M:
            raise NoDesign("dosage_least", f"a nozzle {height_m:g} m above ground gives the least dosage or deposit "
                                           f"further than {MOST_HALF_M:g} m away: ask for more")
    regions = [level_region(values, -half_m, -half_m, CELL_M, least) for values, least in levels]
    if regions[0].is_empty:
        most = float(levels[0][0].max())
        raise NoDesign(
            "dosage_least",
            f"a nozzle {height_m:g} m above ground gives {1e6 * most:.2g} mL·s/m³ at most in a cycle, less than the "
            f"{1e6 * rules.dosage_least_s:.2g} that footprints are asked for: ask for less, or mist longer",
        )
    return Outline(height_m, regions[0], regions[-1])


def cycle_volume_m3(scenario: Scenario, nozzle: NozzleType) -> float:
    """What a nozzle at the band's low edge sprays in the shortest cycle of any schedule in use."""
    return float(nozzle.curve.flow_m3_s(scenario.rules.band_low_pa)) * _least_cycle_s(scenario)


def _least_cycle_s(scenario: Scenario) -> float:
    service, in_use = scenario.service, {zone.schedule for zone in scenario.site.zones}
    if service is None:
        return CYCLE_S
    return min(service.cycles(one)[1] for one in scenario.schedules if one.name in in_use)


def _maps(scenario: Scenario, nozzle: NozzleType, height_m: float, half_m: float, cells: int) -> Maps:
    """Dosage and deposit of one cycle over a square of cells round a nozzle at its middle."""
    assert nozzle.spectrum is not None, "footprints by dosage of drops that nobody tells are a fault of the input"
    climate = scenario.climate
    at = Nozzles(np.zeros(1), np.zeros(1), np.array([height_m]))
    row, column = np.divmod(np.arange(cells * cells), cells)
    x_m, y_m = ((index + 0.5) * CELL_M - half_m for index in (column, row))
    mist = Mist(classes(nozzle.spectrum), climate.air)
    volume_m3 = np.array([cycle_volume_m3(scenario, nozzle)])
    return dosage(at, volume_m3, climate.rose, mist, x_m, y_m, climate.layer_top_m)
