"""A site with its rules and what is asked for it: frozen, validated, SI units.

`read_scenario` turns a folder into a `Scenario` or raises `InputFaults` with every fault of its three files.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

from geometry.errors import Fault, SiteFaults
from geometry.geojson import read_site
from geometry.site import Site
from optimizer.catalogue import Catalogue, Named, NozzleType, OnSale, PumpType, Tubing, read_on_sale
from optimizer.errors import InputFault, InputFaults
from optimizer.input_file import Loc, TomlReader, read_bytes, read_toml
from optimizer.scenario_checks import Parts, conflicts
from optimizer.scenario_file import (
    ALWAYS,
    CATALOGUE_FILE,
    ClimateFile,
    GroundFile,
    HeadFile,
    OptionFile,
    RulesFile,
    ScheduleFile,
)

SCENARIO_FILE = "scenario.toml"
SITE_FILE = "site.geojson"
_SECTIONS = ("rules", "climate", "ground", "schedule", "option")
_WHOLE_DAY = (0, 24 * 60)


@dataclass(frozen=True)
class Ground:
    """One kind of ground; its price is paid once per metre of trench, however many tubes lie in it."""

    name: str
    cost_per_m: float


@dataclass(frozen=True)
class Rules:
    """Rules of the design.

    band_low_pa, band_high_pa: allowed pressure at every nozzle.
    set_low_pa, set_high_pa, set_step_pa: set pressures that may be chosen.
    reserve: share of a pump's delivery that stays unused.
    spacing_least_m: between neighbours; spacing_greatest_m: on a line marked continuous, None where no line is;
    row_gap_m: from one row to the next on any line, whose rows then keep spacing_greatest_m; None: no such rule.
    step_m: of candidate positions; cell_m: of coverage cells.
    setback_m: of mist from keep-outs that state none.
    routing_allowance: share added to every tubing length.
    least_gain_m2: weighted square metres that a nozzle added after verification must bring.
    preferred_gain_m2: weighted square metres that a nozzle at a preferred position is worth besides.
    grounds: prices of crossing ground with tubing.
    """

    band_low_pa: float
    band_high_pa: float
    set_low_pa: float
    set_high_pa: float
    set_step_pa: float
    reserve: float
    spacing_least_m: float
    spacing_greatest_m: float | None
    row_gap_m: float | None
    step_m: float
    cell_m: float
    setback_m: float
    routing_allowance: float
    least_gain_m2: float
    preferred_gain_m2: float
    grounds: tuple[Ground, ...]

    @property
    def ground_cost(self) -> dict[str, float]:
        """Price per metre of trench by the name of the ground."""
        return {ground.name: ground.cost_per_m for ground in self.grounds}


@dataclass(frozen=True)
class Climate:
    """water_temperature_c: of the water in the tubing; wind: in words, for the report."""

    water_temperature_c: float
    wind: str


@dataclass(frozen=True)
class Schedule:
    """A named group of permitted misting hours: (start, end) in minutes after midnight, end may pass 1440."""

    name: str
    hours: tuple[tuple[int, int], ...]


@dataclass(frozen=True)
class Option:
    """What is asked for.

    pumps: how many units; circuits: of each pump; tubing_sizes: different sizes at most;
    pump_types, pump_sites, tubing: names allowed, in the order of the file, all where the file names none.
    """

    name: str
    title: str
    pumps: int
    pump_types: tuple[str, ...]
    pump_sites: tuple[str, ...]
    circuits: int
    tubing_sizes: int
    tubing: tuple[str, ...]
    nozzle: str
    objective: Literal["coverage"]


@dataclass(frozen=True)
class Scenario:
    """Everything a study needs; `source` of assumed values stays with the value it belongs to."""

    name: str
    title: str
    site: Site
    rules: Rules
    climate: Climate
    schedules: tuple[Schedule, ...]
    options: tuple[Option, ...]
    catalogue: Catalogue

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
    parts = Parts(written.reader, written.rules, tuple(written.options), on_sale, site, SITE_FILE)
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
    options: list[tuple[Loc, OptionFile]]


def _written(reader: TomlReader) -> _Written:
    return _Written(
        reader=reader,
        head=reader.head(HeadFile, _SECTIONS),
        rules=reader.one("rules", RulesFile),
        climate=reader.one("climate", ClimateFile),
        grounds=reader.by_name("ground", GroundFile),
        schedules=reader.many("schedule", ScheduleFile, at_least=0),
        options=reader.many("option", OptionFile),
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
    return Scenario(
        name=head.name,
        title=head.title,
        site=site,
        rules=_rules(rules, written.grounds),
        climate=Climate(climate.water_temperature, climate.wind),
        schedules=_schedules(table for _, table in written.schedules),
        options=tuple(_option(table, catalogue, site) for _, table in written.options),
        catalogue=catalogue,
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
    )


def _schedules(tables: Iterable[ScheduleFile]) -> tuple[Schedule, ...]:
    """The schedules of the file, and "always" where the file leaves its meaning to the program."""
    written = tuple(Schedule(table.name, tuple(map(_minutes, table.hours))) for table in tables)
    known = any(schedule.name == ALWAYS for schedule in written)
    return written if known else (*written, Schedule(ALWAYS, (_WHOLE_DAY,)))


def _minutes(hours: str) -> tuple[int, int]:
    """Start and end of "22:00-02:00" in minutes after midnight; the end lies behind the start."""
    start, end = (int(time[:2]) * 60 + int(time[3:]) for time in hours.split("-"))
    return start, end if end > start else end + 24 * 60


def _option(table: OptionFile, catalogue: Catalogue, site: Site) -> Option:
    """The option with "any" spelled out and names that stand twice taken once."""
    return Option(
        name=table.name,
        title=table.title,
        pumps=table.pumps,
        pump_types=_named_or_all(table.pump_types, catalogue.pumps),
        pump_sites=_named_or_all(table.pump_sites, site.pump_sites),
        circuits=table.circuits,
        tubing_sizes=table.tubing_sizes,
        tubing=_named_or_all(table.tubing, catalogue.tubing),
        nozzle=table.nozzle,
        objective=table.objective,
    )


def _named_or_all(named: Iterable[str], items: Iterable[Named]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(named)) or tuple(item.name for item in items)
