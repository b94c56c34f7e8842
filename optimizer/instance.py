"""From a scenario to sets and arrays: candidate positions with footprints, coverage and the tubing graph.

`candidates` depends on the site, the rules and the nozzle only, so options that share a nozzle share it;
`instance` adds what one option asks for.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import floor
from typing import Any

import numpy as np
from numpy.typing import NDArray

from geometry.cells import coverage_cells
from geometry.corridors import Corridors, corridors
from geometry.coverage import MergedCells, covered_area_m2, merge_cells, zone_area_m2
from geometry.footprint import Reach, footprints
from geometry.positions import candidate_positions
from optimizer.brief import CoverageBy, FootprintBy, Option, Rules
from optimizer.catalogue import NozzleType, Tubing
from optimizer.dosed import Standing, dosed_cells
from optimizer.eligible import dominated, eligible
from optimizer.equipment import Reducer
from optimizer.errors import NoDesign
from optimizer.protection import binding, strictest
from optimizer.pump_type import PumpType
from optimizer.reached import reach_of
from optimizer.scenario import Scenario, set_range_pa
from optimizer.tubing_fit import fit_tubing

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

COUNT_TOLERANCE = 1e-9  # a count that fits exactly is no rounding's victim


@dataclass(frozen=True)
class Candidates:
    """What may be chosen of one nozzle: J candidates by line, chainage and slot, each with its footprint.

    line, chainage_m, x_m, y_m, z_m (tubing and nozzle inlet), height_m, azimuth_deg, tilt_deg: [J]; polygons: [J]
    footprints; group: [J] index into `groups`, the schedule groups in use; locked, preferred: [J]. A slot is one
    facing and tilt of a line; place: [J] number of the position, equal for its slots; strand: [J] number of line and
    slot. cells: merged coverage cells with incidence [C, J]. left_out: reasons why positions are no candidates, with
    their number. reach: what the footprints were drawn by.
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
    reach: Reach

    @property
    def count(self) -> int:
        """Number of candidates, J."""
        return len(self.line)

    @property
    def dosed(self) -> bool:
        """Whether cells count by the summed dosage of all nozzles."""
        return bool(self.cells.incidence.dtype.kind == "f")

    def counted(self, chosen: Sequence[int]) -> Floats:
        """[C]: the share of each cell that counts: all or nothing, or what it gets of the dosage that is enough."""
        hits = np.asarray(self.cells.incidence[:, list(chosen)].sum(axis=1)).ravel()
        return np.asarray(np.minimum(hits, 1.0) if self.dosed else hits >= self.cells.need, dtype=np.float64)


@dataclass(frozen=True)
class Unit:
    """A pump unit: its type, and how many circuits it feeds one after the other."""

    pump: PumpType
    circuits: int


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
    def circuits_most(self) -> int:
        """Circuits of all pumps at most."""
        outlets = max((pump.outlets for pump in self.pumps), default=0)
        return _units_most(self.option) * min(self.option.circuits_most, outlets)

    @property
    def most_value(self) -> float:
        """Weighted m² of all cells, with what all preferred positions are worth: no design passes it."""
        preferred = self.scenario.rules.preferred_gain_m2 * int(self.candidates.preferred.sum())
        return float(self.candidates.cells.value.sum()) + preferred

    @property
    def reducers(self) -> tuple[Reducer, ...]:
        """Pressure reducers on sale that can hold some pressure inside the band."""
        low, high = self.scenario.rules.band_low_pa, self.scenario.rules.band_high_pa
        sold = self.scenario.catalogue.equipment.reducers
        return tuple(one for one in sold if any(low <= outlet <= high for outlet in one.outlets_pa))


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
    protection: tuple[tuple[str, str], ...]


def candidates(
    scenario: Scenario, nozzle: NozzleType, footprint: FootprintBy = "reach", coverage_by: CoverageBy = "footprints"
) -> Candidates:
    """Candidates of a nozzle, by line, chainage and slot, with all that placement and run splits need of the site.

    Raises NoDesign (rule `locked`) when a locked position cannot hold a nozzle, and (rule `dosage_least`) where no
    ground gets the least dosage that footprints are asked for.
    """
    site, rules = scenario.site, scenario.rules
    graph = corridors(site, rules.routing_allowance)
    positions = candidate_positions(site, rules.step_m)
    reach = reach_of(scenario, nozzle, footprint)
    prints = footprints(site, positions, reach, rules.setback_m)
    cells = coverage_cells(site, rules.cell_m)
    able = eligible(scenario, graph, positions, prints)
    merged = merge_cells(cells, prints.polygons[able.of])
    gains = ~dominated(merged.incidence, prints.position[able.of], able.group)
    keep = able.of[gains]
    at = prints.position[keep]
    polygons = prints.polygons[keep]
    stand = Standing(
        positions.x_m[at], positions.y_m[at], positions.z_m[at], positions.height_m[at], prints.azimuth_deg[keep]
    )
    if coverage_by == "summed dosage":
        merged = dosed_cells(scenario, nozzle, stand, reach)
    elif not gains.all():
        merged = merge_cells(cells, polygons)
    return Candidates(
        line=positions.line[at],
        chainage_m=positions.chainage_m[at],
        x_m=stand.x_m,
        y_m=stand.y_m,
        z_m=stand.z_m,
        height_m=stand.height_m,
        azimuth_deg=stand.azimuth_deg,
        tilt_deg=prints.tilt_deg[keep],
        polygons=polygons,
        group=able.group[gains],
        locked=positions.locked[at],
        place=_numbered(at),
        strand=_numbered(positions.line[at] * (prints.slot.max(initial=0) + 1) + prints.slot[keep]),
        preferred=positions.preferred[at],
        groups=able.groups,
        cells=merged,
        corridors=graph,
        zone_area_m2=zone_area_m2(site.zones),
        coverable_area_m2=covered_area_m2(polygons, site.zones),
        cell_count=cells.cell_count,
        left_out=able.left_out,
        reach=reach,
    )


def instance(scenario: Scenario, option: Option, candidate_set: Candidates) -> Instance:
    """One option's instance; the band ends where a nozzle gives what rules of protection allow.

    Raises NoDesign where the option cannot have a design whatever is chosen: no candidate position, no coverable
    cell, fewer circuits than schedule groups, more circuits than a pump has outlets, no tubing that stands its pumps.
    """
    pumps = _pumps(scenario, option)
    found = Instance(
        scenario=within_nozzle_flow(scenario, option),
        option=option,
        nozzle=scenario.nozzle_of(option),
        pumps=pumps,
        tubing=fit_tubing(scenario, option, pumps, candidate_set.corridors),
        candidates=candidate_set,
    )
    _require_candidates(scenario, candidate_set)
    _require_circuits(found)
    return found


def within_nozzle_flow(scenario: Scenario, option: Option) -> Scenario:
    """The scenario with the band's high edge where the option's nozzle gives what the rules of protection allow, if
    that is below the edge that the rules state."""
    limit = binding(scenario.protection, "nozzle_flow")
    if limit is None:
        return scenario
    high_pa = float(scenario.nozzle_of(option).curve.pressure_pa(limit.value))
    high_pa = min(scenario.rules.band_high_pa, high_pa)
    return replace(scenario, rules=replace(scenario.rules, band_high_pa=high_pa))


def _pumps(scenario: Scenario, option: Option) -> tuple[PumpType, ...]:
    """The pump types with outlets enough; of those the ones that feed a nozzle at all, or all where none does."""
    least_flow = float(scenario.nozzle_of(option).curve.flow_m3_s(scenario.rules.band_low_pa))
    found = tuple(pump for pump in scenario.pumps_of(option) if pump.outlets >= option.circuits_least)
    usable = (most_usable_m3_s(scenario.rules, pump) for pump in found)
    fed = tuple(pump for pump, most in zip(found, usable, strict=True) if nozzles_within(most, least_flow) > 0)
    return fed or found


def inspection(scenario: Scenario) -> Inspection:
    """Areas, lengths and counts of a sound scenario, for the nozzle of its first option."""
    first = scenario.options[0]
    found = candidates(scenario, scenario.nozzle_of(first), first.footprint, first.coverage_by)
    site, graph = scenario.site, found.corridors
    degree = np.bincount(np.concatenate([graph.tail, graph.head]), minlength=len(graph.x_m))
    return Inspection(
        name=scenario.title,
        boundary_area_m2=float(site.boundary.area),
        zone_area_m2={zone.name: float(zone.polygon.area) for zone in site.zones},
        line_length_m={line.name: float(line.line.length) for line in site.lines},
        candidate_count=len(np.unique(found.place)),
        positions_left_out=found.left_out,
        cell_count=found.cell_count,
        coverable_area_m2=found.coverable_area_m2,
        pump_sites=tuple(pump.name for pump in site.pump_sites),
        corridor_length_m=float(graph.length_m.sum()),
        junction_count=int(np.sum(degree >= 3)),
        options=tuple((option.name, nozzles_at_most(scenario, option)) for option in scenario.options),
        protection=tuple((one.name, one.words) for one in strictest(scenario.protection)),
    )


def usable_m3_s(rules: Rules, pump: PumpType, set_pa: float) -> float:
    """What the nozzles of one circuit may draw: (1 - reserve) x delivery at a set pressure."""
    return (1.0 - rules.reserve) * pump.delivery_at_m3_s(set_pa)


def most_usable_m3_s(rules: Rules, pump: PumpType) -> float:
    """What the nozzles of one circuit may draw at the lowest set pressure, where the pump delivers most."""
    return usable_m3_s(rules, pump, set_range_pa(rules, pump)[0])


def nozzles_within(draw_m3_s: float, flow_m3_s: float) -> int:
    """Nozzles of a mean flow that may draw so much together."""
    return floor(draw_m3_s / flow_m3_s + COUNT_TOLERANCE)


def nozzles_at_most(scenario: Scenario, option: Option) -> int:
    """Most nozzles that any in-band design of an option can feed, over its pump types.

    N_max = sum over pump circuits of floor((1 - reserve) capacity / q(band low)): each nozzle draws at least that.
    """
    least_flow = float(scenario.nozzle_of(option).curve.flow_m3_s(scenario.rules.band_low_pa))
    counts = [
        min(pump.outlets, option.circuits_most) * nozzles_within(most_usable_m3_s(scenario.rules, pump), least_flow)
        for pump in scenario.pumps_of(option)
        if pump.outlets >= option.circuits_least
    ]
    return _units_most(option) * max(counts, default=0)


def _units_most(option: Option) -> int:
    """Pump units at most: no two share a site."""
    return min(option.pumps_most, len(option.pump_sites))


def _numbered(keys: Ints) -> Ints:
    """Numbers from 0 in order of the keys, equal for equal keys."""
    return np.unique(keys, return_inverse=True)[1].astype(np.int64)


def _require_candidates(scenario: Scenario, found: Candidates) -> None:
    if found.count == 0:
        causes = "; ".join(f"{reason}: {n}" for reason, n in found.left_out) or "the mounting lines are not free"
        raise NoDesign("candidates", f"No position on any mounting line can hold a nozzle ({causes}).")
    if len(found.cells.value) == 0:
        reach = found.reach.radius_m
        message = f"No coverage cell lies within reach ({reach:.1f} m) of any candidate position."
        raise NoDesign("reach", f"{message} Bring mounting lines closer to the zones or use finer cells.")


def _require_circuits(found: Instance) -> None:
    option, groups = found.option, found.candidates.groups
    if not found.pumps:
        raise NoDesign(
            "outlets",
            f"No pump of option {option.name} ({', '.join(option.pump_types)}) has outlets for {option.circuits_least} "
            "circuits; name a pump with more outlets or add a pump.",
        )
    if option.pumps_least > len(option.pump_sites):
        raise NoDesign(
            "pump_sites",
            f"Option {option.name} asks for {option.pumps_least} pumps but only {len(option.pump_sites)} pump sites "
            "may be used; add a pump site or ask for fewer pumps.",
        )
    if found.circuits_most < len(groups):
        raise NoDesign(
            "schedule",
            f"Zones of {len(groups)} schedule groups ({', '.join(groups)}) may not share a circuit, but option "
            f"{option.name} has {found.circuits_most} in all; ask for at least {len(groups)} circuits.",
        )
