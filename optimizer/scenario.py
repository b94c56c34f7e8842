"""A site with its rules and what is asked for it: frozen, validated, SI units.

`read_scenario` turns a folder into a `Scenario` or raises `InputFaults` with every fault of its three files.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path

from geometry.errors import Fault, SiteFaults
from geometry.geojson import read_site
from geometry.site import Clearance, HeightLimit, Site
from hydraulics.units import KILOWATT_HOUR_J, LITRE_M3
from optimizer.brief import Climate, FieldTolerances, Ground, Option, Rules, Schedule, Service
from optimizer.catalogue import Catalogue, Named, NozzleType, OnSale, Tubing, read_on_sale
from optimizer.errors import InputFault, InputFaults
from optimizer.input_file import Loc, TomlReader, read_bytes, read_toml
from optimizer.protection import DISTANCES, Stated, binding, strictest
from optimizer.protection_file import ProtectionFile, stated
from optimizer.pump_type import PumpType
from optimizer.scenario_checks import conflicts
from optimizer.scenario_file import (
    ALWAYS,
    CATALOGUE_FILE,
    GroundFile,
    HeadFile,
    OptionFile,
    RulesFile,
    ScheduleFile,
    ServiceFile,
    minutes,
)
from optimizer.scenario_parts import Parts
from optimizer.tolerances_file import TolerancesFile, field_tolerances
from optimizer.weather_file import ClimateFile, climate_of, locked_out

SCENARIO_FILE = "scenario.toml"
SITE_FILE = "site.geojson"
_SECTIONS = ("rules", "climate", "ground", "schedule", "service", "protection", "tolerances", "option")
_WHOLE_DAY = (0, 24 * 60)


@dataclass(frozen=True)
class Scenario:
    """Everything a study needs; `source` of assumed values stays with the value it belongs to.

    service: None where only what is installed counts. protection: every rule of protection that some source states;
    `site` holds those on where nozzles and their mist may be.
    tolerances: None where nobody asks how designs hold on site.
    """

    name: str
    title: str
    site: Site
    rules: Rules
    climate: Climate
    schedules: tuple[Schedule, ...]
    options: tuple[Option, ...]
    catalogue: Catalogue
    service: Service | None = None
    protection: tuple[Stated, ...] = ()
    tolerances: FieldTolerances | None = None

    def nozzle_of(self, option: Option) -> NozzleType:
        """The option's nozzle."""
        return self.catalogue.nozzle(option.nozzle)

    def pumps_of(self, option: Option) -> tuple[PumpType, ...]:
        """The pump types that the option allows."""
        return tuple(self.catalogue.pump(name) for name in option.pump_types)

    def tubing_of(self, option: Option) -> tuple[Tubing, ...]:
        """The tubing that the option allows."""
        return tuple(self.catalogue.tube(name) for name in option.tubing)


def set_range_pa(rules: Rules, pump: PumpType) -> tuple[float, float]:
    """Lowest and highest set pressure in Pa that both the rules and the pump's regulator and limit allow."""
    return max(rules.set_low_pa, pump.set_low_pa), min(rules.set_high_pa, pump.set_high_pa, pump.limit_pa)


def read_scenario(folder: Path) -> Scenario:
    """The scenario in a folder: scenario.toml, site.geojson and the catalogue that scenario.toml names.

    Raises InputFaults with every fault of the three files and between them.
    """
    if not folder.is_dir():
        problem = "is not a folder" if folder.exists() else "does not exist"
        raise InputFaults((InputFault(str(folder), "", "", problem, "name the folder of a scenario"),))
    written = _written(read_toml(folder / SCENARIO_FILE, SCENARIO_FILE))
    on_sale = _read_on_sale(folder, written.reader)
    site, site_faults = _read_site(folder / SITE_FILE)
    options = tuple(written.options)
    schedules = tuple(written.schedules)
    protection = tuple(written.protection)
    told = (written.service, options, on_sale, site, SITE_FILE, written.climate, protection)
    parts = Parts(written.reader, written.rules, schedules, *told)
    faults = (*written.reader.faults, *on_sale.faults, *site_faults, *conflicts(parts))
    if faults or site is None or on_sale.catalogue is None:
        raise InputFaults(faults)
    return _scenario(written, site, on_sale.catalogue)


@dataclass(frozen=True)
class _Written:
    """The sound tables of scenario.toml; its reader holds the faults of the others."""

    reader: TomlReader
    head: HeadFile | None
    rules: RulesFile | None
    climate: ClimateFile | None
    grounds: list[tuple[str, GroundFile]]
    schedules: list[tuple[Loc, ScheduleFile]]
    service: ServiceFile | None
    tolerances: TolerancesFile | None
    options: list[tuple[Loc, OptionFile]]
    protection: list[tuple[Loc, ProtectionFile]]


def _written(reader: TomlReader) -> _Written:
    return _Written(
        reader=reader,
        head=reader.head(HeadFile, _SECTIONS),
        rules=reader.one("rules", RulesFile),
        climate=reader.one("climate", ClimateFile),
        grounds=reader.by_name("ground", GroundFile),
        schedules=reader.many("schedule", ScheduleFile, at_least=0),
        service=reader.maybe("service", ServiceFile),
        tolerances=reader.maybe("tolerances", TolerancesFile),
        options=reader.many("option", OptionFile),
        protection=reader.many("protection", ProtectionFile, at_least=0),
    )


def _read_on_sale(folder: Path, reader: TomlReader) -> OnSale:
    """What the scenario's catalogue sells; the usual one, if it is there, where scenario.toml names none in words."""
    named = reader.raw.get("catalogue", CATALOGUE_FILE)
    if reader.raw and isinstance(named, str) and named:
        return read_on_sale(folder / named, named)
    on_sale = read_on_sale(folder / CATALOGUE_FILE, CATALOGUE_FILE)
    return on_sale if (folder / CATALOGUE_FILE).exists() else replace(on_sale, faults=())


def _read_site(path: Path) -> tuple[Site | None, tuple[InputFault, ...]]:
    content, faults = read_bytes(path, SITE_FILE)
    if faults:
        return None, tuple(faults)
    try:
        return read_site(content), ()
    except SiteFaults as error:
        return None, tuple(_as_input_fault(fault) for fault in error.faults)


def _as_input_fault(fault: Fault) -> InputFault:
    path = "" if fault.path == "file" else fault.path
    return InputFault(SITE_FILE, path, fault.value, fault.problem, fault.mend)


def _scenario(written: _Written, site: Site, catalogue: Catalogue) -> Scenario:
    head, rules, climate = written.head, written.rules, written.climate
    assert head and rules and climate, "a table that is missing or not sound is a fault"
    protection = stated(table for _, table in written.protection)
    wind = binding(protection, "wind_most")
    return Scenario(
        name=head.name,
        title=head.title,
        site=_protected(site, protection),
        rules=_rules(rules, written.grounds),
        climate=climate_of(climate) if wind is None else locked_out(climate_of(climate), wind.value),
        schedules=_schedules(table for _, table in written.schedules),
        options=tuple(_option(table, catalogue, site) for _, table in written.options),
        catalogue=catalogue,
        service=_service(written.service) if written.service else None,
        tolerances=field_tolerances(written.tolerances, climate.water_temperature) if written.tolerances else None,
        protection=protection,
    )


def _protected(site: Site, protection: Iterable[Stated]) -> Site:
    """The site with the rules on where nozzles and their mist may be, the strictest of each."""
    bound = strictest(protection)
    distances = (one for one in bound if one.rule in DISTANCES)
    heights = (one for one in bound if one.rule.startswith("height"))
    return replace(
        site,
        clearances=tuple(Clearance(one.of, one.value, one.source, one.rule == "mist_distance") for one in distances),
        heights=tuple(HeightLimit(one.value, one.source, one.rule == "height.least") for one in heights),
    )


def _rules(table: RulesFile, grounds: Iterable[tuple[str, GroundFile]]) -> Rules:
    return Rules(
        band_low_pa=table.band.low,
        band_high_pa=table.band.high,
        set_low_pa=table.set_pressure.low,
        set_high_pa=table.set_pressure.high,
        set_step_pa=table.set_pressure.step,
        reserve=table.reserve,
        spacing_least_m=table.spacing.least,
        spacing_greatest_m=table.spacing.greatest,
        row_gap_m=table.spacing.row_gap,
        step_m=table.step,
        cell_m=table.cell,
        setback_m=table.setback,
        routing_allowance=table.routing_allowance,
        least_gain_m2=table.least_gain,
        preferred_gain_m2=table.preferred_gain,
        grounds=tuple(Ground(name, ground.cost_per_m) for name, ground in grounds),
        run_longest_m=table.run_longest,
        run_nozzles_most=table.run_nozzles_most,
        circuit_balance=table.circuit_balance,
        drift_most=table.drift_most,
        drift_most_any_wind=table.drift_most_any_wind,
        dosage_least_s=table.dosage_least,
        deposit_least_m=table.deposit_least,
    )


def _schedules(tables: Iterable[ScheduleFile]) -> tuple[Schedule, ...]:
    """The schedules of the file, and "always" where the file leaves its meaning to the program."""
    written = tuple(
        Schedule(table.name, tuple(map(minutes, table.hours)), table.cycles_per_day, table.cycle) for table in tables
    )
    known = any(schedule.name == ALWAYS for schedule in written)
    return written if known else (*written, Schedule(ALWAYS, (_WHOLE_DAY,)))


def _option(table: OptionFile, catalogue: Catalogue, site: Site) -> Option:
    """The option with "any" spelled out and names that stand twice taken once."""
    return Option(
        name=table.name,
        title=table.title,
        pumps_least=table.pumps.least,
        pumps_most=table.pumps.most,
        pump_types=_named_or_all(table.pump_types, catalogue.pumps),
        pump_sites=_named_or_all(table.pump_sites, site.pump_sites),
        circuits_least=table.circuits.least,
        circuits_most=table.circuits.most,
        tubing_sizes=table.tubing_sizes,
        tubing=_named_or_all(table.tubing, catalogue.tubing),
        nozzle=table.nozzle,
        zone_valves=table.zone_valves,
        objective=table.objective,
        least_coverage=table.least_coverage,
        budget=table.budget,
        cost_of=table.cost_of,
        drift_most=table.drift_most,
        footprint=table.footprint,
        coverage_by=table.coverage_by,
        loops=table.loops,
    )


def _service(table: ServiceFile) -> Service:
    return Service(
        seasons=table.seasons,
        days_per_season=table.days_per_season,
        cycles_per_day=table.cycles_per_day,
        cycle_s=table.cycle,
        product=table.product,
        dilution=table.dilution,
        visits_per_season=table.visits_per_season,
        visit_price=table.visit_price,
        concentrate_per_m3=table.concentrate_per_litre / LITRE_M3,
        water_per_m3=table.water_per_m3,
        power_per_j=table.power_per_kwh / KILOWATT_HOUR_J,
        nozzles_replaced=table.nozzles_replaced,
        filters_replaced=table.filters_replaced,
    )


def _named_or_all(named: Iterable[str], items: Iterable[Named]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(named)) or tuple(item.name for item in items)
