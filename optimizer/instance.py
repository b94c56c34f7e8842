"""From a scenario to sets and arrays: candidate positions with footprints, coverage and the tubing graph.

`candidates` depends on the site, the rules and the nozzle only, so options that share a nozzle share it;
`instance` adds what one option asks for.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from math import floor
from typing import Any

import numpy as np
from numpy.typing import NDArray

from geometry.cells import coverage_cells
from geometry.corridors import Corridors, corridors
from geometry.coverage import MergedCells, covered_area_m2, incidence, merge_cells, zone_area_m2, zone_touch
from geometry.footprint import Footprints, Reach, footprints
from geometry.positions import Positions, candidate_positions
from geometry.reached import reached_positions
from geometry.site import Site
from optimizer.catalogue import NozzleType, PumpType, Tubing
from optimizer.errors import NoDesign
from optimizer.scenario import Option, Rules, Scenario, Schedule

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

DAY_MIN = 1440
COUNT_TOLERANCE = 1e-9  # a count that fits exactly is no rounding's victim


@dataclass(frozen=True)
class Candidates:
    """What may be chosen of one nozzle: J candidates by line, chainage and slot, each with its footprint.

    line, chainage_m, x_m, y_m, z_m (tubing and nozzle inlet), height_m, azimuth_deg, tilt_deg: [J]; polygons: [J]
    footprints; group: [J] index into `groups`, the schedule groups in use; locked, preferred: [J]. A slot is one
    facing and tilt of a line; place: [J] number of the position, equal for its slots; strand: [J] number of line and
    slot. cells: merged coverage cells with incidence [C, J]. left_out: reasons why positions are no candidates, with
    their number.
    """

    line: Ints
    chainage_m: Floats
    x_m: Floats
    y_m: Floats
    z_m: Floats
    height_m: Floats
    azimuth_deg: Floats
    tilt_deg: Floats
    polygons: NDArray[Any]
    group: Ints
    locked: NDArray[np.bool_]
    place: Ints
    strand: Ints
    preferred: NDArray[np.bool_]
    groups: tuple[str, ...]
    cells: MergedCells
    corridors: Corridors
    zone_area_m2: float
    coverable_area_m2: float
    cell_count: int
    left_out: tuple[tuple[str, int], ...]

    @property
    def count(self) -> int:
        """Number of candidates, J."""
        return len(self.line)


@dataclass(frozen=True)
class Instance:
    """One option on its scenario: what may be chosen, and from what."""

    scenario: Scenario
    option: Option
    nozzle: NozzleType
    pumps: tuple[PumpType, ...]
    tubing: tuple[Tubing, ...]
    candidates: Candidates

    @property
    def circuit_count(self) -> int:
        """Circuits of all pumps."""
        return self.option.pumps * self.option.circuits


@dataclass(frozen=True)
class Inspection:
    """What `haarline inspect` reports of a sound scenario."""

    name: str
    boundary_area_m2: float
    zone_area_m2: dict[str, float]
    line_length_m: dict[str, float]
    candidate_count: int
    positions_left_out: tuple[tuple[str, int], ...]
    cell_count: int
    coverable_area_m2: float
    pump_sites: tuple[str, ...]
    corridor_length_m: float
    junction_count: int
    options: tuple[tuple[str, int], ...]


def candidates(scenario: Scenario, nozzle: NozzleType) -> Candidates:
    """Candidate positions of a nozzle with all that placement and run splits need of the site.

    Raises NoDesign (rule `locked`) when a locked position cannot hold a nozzle.
    """
    site, rules = scenario.site, scenario.rules
    graph = corridors(site, rules.routing_allowance)
    positions = candidate_positions(site, rules.step_m)
    prints = footprints(site, positions, Reach(nozzle.reach_m, nozzle.spray_angle_deg), rules.setback_m)
    cells = coverage_cells(site, rules.cell_m)
    touched = zone_touch(prints.polygons, site.zones)
    groups, group, scheduled = _schedule_groups(scenario, touched)
    connected = reached_positions(graph, positions.line, positions.chainage_m)[prints.position]
    continuous = np.array([line.continuous for line in site.lines])[positions.line[prints.position]]
    useful = touched.any(axis=1) | positions.locked[prints.position] | continuous
    keep = scheduled & connected & useful
    reasons = Counter(reason for _, reason in prints.dropped)
    reasons["no tubing reaches it from any pump site"] += int(np.sum(~connected))
    reasons["it would mist zones whose permitted hours do not agree"] += int(np.sum(connected & ~scheduled))
    reasons["its footprint meets no zone"] += int(np.sum(connected & scheduled & ~useful))
    _require_locked(site, positions, prints, keep)
    at = prints.position[keep]
    polygons = prints.polygons[keep]
    return Candidates(
        line=positions.line[at],
        chainage_m=positions.chainage_m[at],
        x_m=positions.x_m[at],
        y_m=positions.y_m[at],
        z_m=positions.z_m[at],
        height_m=positions.height_m[at],
        azimuth_deg=prints.azimuth_deg[keep],
        tilt_deg=prints.tilt_deg[keep],
        polygons=polygons,
        group=group[keep],
        locked=positions.locked[at],
        place=_numbered(at),
        strand=_numbered(positions.line[at]),
        preferred=positions.preferred[at],
        groups=groups,
        cells=merge_cells(cells, incidence(cells, polygons)),
        corridors=graph,
        zone_area_m2=zone_area_m2(site.zones),
        coverable_area_m2=covered_area_m2(polygons, site.zones),
        cell_count=len(cells.x_m),
        left_out=tuple(sorted((reason, n) for reason, n in reasons.items() if n)),
    )


def instance(scenario: Scenario, option: Option, candidate_set: Candidates) -> Instance:
    """One option's instance.

    Raises NoDesign where the option cannot have a design whatever is chosen: no candidate position, no coverable
    cell, fewer circuits than schedule groups, more circuits than a pump has outlets.
    """
    found = Instance(
        scenario=scenario,
        option=option,
        nozzle=scenario.nozzle_of(option),
        pumps=tuple(p for p in scenario.pumps_of(option) if p.outlets >= option.circuits),
        tubing=scenario.tubing_of(option),
        candidates=candidate_set,
    )
    _require_candidates(scenario, candidate_set)
    _require_circuits(found)
    return found


def inspection(scenario: Scenario) -> Inspection:
    """Areas, lengths and counts of a sound scenario, for the nozzle of its first option."""
    found = candidates(scenario, scenario.nozzle_of(scenario.options[0]))
    site, graph = scenario.site, found.corridors
    degree = np.bincount(np.concatenate([graph.tail, graph.head]), minlength=len(graph.x_m))
    return Inspection(
        name=scenario.title,
        boundary_area_m2=float(site.boundary.area),
        zone_area_m2={zone.name: float(zone.polygon.area) for zone in site.zones},
        line_length_m={line.name: float(line.line.length) for line in site.lines},
        candidate_count=found.count,
        positions_left_out=found.left_out,
        cell_count=found.cell_count,
        coverable_area_m2=found.coverable_area_m2,
        pump_sites=tuple(pump.name for pump in site.pump_sites),
        corridor_length_m=float(graph.length_m.sum()),
        junction_count=int(np.sum(degree >= 3)),
        options=tuple((option.name, nozzles_at_most(scenario, option)) for option in scenario.options),
    )


def usable_m3_s(rules: Rules, pump: PumpType) -> float:
    """What the nozzles of one circuit may draw: (1 - reserve) x rated delivery."""
    return (1.0 - rules.reserve) * pump.delivery_m3_s


def nozzles_within(rules: Rules, pump: PumpType, flow_m3_s: float) -> int:
    """Nozzles of a mean flow that one circuit can feed."""
    return floor(usable_m3_s(rules, pump) / flow_m3_s + COUNT_TOLERANCE)


def nozzles_at_most(scenario: Scenario, option: Option) -> int:
    """Most nozzles that any in-band design of an option can feed, over its pump types.

    N_max = sum over pump circuits of floor((1 - reserve) capacity / q(band low)): each nozzle draws at least that.
    """
    least_flow = float(scenario.nozzle_of(option).curve.flow_m3_s(scenario.rules.band_low_pa))
    pumps = [pump for pump in scenario.pumps_of(option) if pump.outlets >= option.circuits]
    counts = [nozzles_within(scenario.rules, pump, least_flow) for pump in pumps]
    return option.pumps * option.circuits * max(counts, default=0)


def _numbered(keys: Ints) -> Ints:
    """Numbers from 0 in order of the keys, equal for equal keys."""
    return np.unique(keys, return_inverse=True)[1].astype(np.int64)


def _schedule_groups(scenario: Scenario, touched: NDArray[np.bool_]) -> tuple[tuple[str, ...], Ints, NDArray[np.bool_]]:
    """Group of each footprint: that of the touched zone whose hours lie within the hours of all others it touches.

    Returns the names of the groups in use, [J] index into them, [J] whether there is such a group.
    """
    zones = scenario.site.zones
    hours = {schedule.name: _minutes(schedule) for schedule in scenario.schedules}
    names = tuple(sorted({zone.schedule for zone in zones}))
    has = np.zeros((len(touched), len(names)), dtype=bool)
    for index, zone in enumerate(zones):
        has[:, names.index(zone.schedule)] |= touched[:, index]
    within = np.array([[hours[a] <= hours[b] for b in names] for a in names])
    fits = has & ~(has[:, None, :] & ~within[None, :, :]).any(axis=2)
    found = fits.any(axis=1) | ~has.any(axis=1)
    chosen = np.where(fits.any(axis=1), fits.argmax(axis=1), 0)
    used = sorted(set(chosen[found & has.any(axis=1)].tolist()))
    place = np.array([used.index(c) if c in used else 0 for c in range(len(names))])
    return tuple(names[c] for c in used), place[chosen].astype(np.int64), found


def _minutes(schedule: Schedule) -> frozenset[int]:
    return frozenset(minute % DAY_MIN for start, end in schedule.hours for minute in range(start, end))


def _require_locked(site: Site, positions: Positions, prints: Footprints, keep: NDArray[np.bool_]) -> None:
    kept = set(prints.position[keep].tolist())
    for index in np.flatnonzero(positions.locked):
        if int(index) not in kept:
            reason = dict(prints.dropped).get(int(index), "no tubing, schedule or zone suits it")
            place = f"{site.lines[positions.line[index]].name} at {positions.chainage_m[index]:.2f} m"
            raise NoDesign("locked", f"The locked position on line {place} cannot hold a nozzle: {reason}.")


def _require_candidates(scenario: Scenario, found: Candidates) -> None:
    if found.count == 0:
        causes = "; ".join(f"{reason}: {n}" for reason, n in found.left_out) or "the mounting lines are not free"
        raise NoDesign("candidates", f"No position on any mounting line can hold a nozzle ({causes}).")
    if len(found.cells.value) == 0:
        reach = scenario.nozzle_of(scenario.options[0]).reach_m
        message = f"No coverage cell lies within reach ({reach:.1f} m) of any candidate position."
        raise NoDesign("reach", f"{message} Bring mounting lines closer to the zones or use finer cells.")


def _require_circuits(found: Instance) -> None:
    option, groups = found.option, found.candidates.groups
    if found.circuit_count < len(groups):
        raise NoDesign(
            "schedule",
            f"Zones of {len(groups)} schedule groups ({', '.join(groups)}) may not share a circuit, but option "
            f"{option.name} has {found.circuit_count} in all; ask for at least {len(groups)} circuits.",
        )
    if not found.pumps:
        raise NoDesign(
            "outlets",
            f"No pump of option {option.name} ({', '.join(option.pump_types)}) has outlets for {option.circuits} "
            "circuits; name a pump with more outlets or add a pump.",
        )
    if option.pumps > len(option.pump_sites):
        raise NoDesign(
            "pump_sites",
            f"Option {option.name} asks for {option.pumps} pumps but only {len(option.pump_sites)} pump sites may be "
            "used; add a pump site or ask for fewer pumps.",
        )
