"""scenario.toml as it is written, a closed table a section; `scenario.py` turns them into a Scenario."""

from __future__ import annotations

from typing import Self

from pydantic import Field, model_validator
from pydantic_core import PydanticCustomError

from optimizer.brief import CostOf, CoverageBy, FootprintBy, Objective, Product, ValvesAt
from optimizer.fields import (
    Amount,
    Area,
    Count,
    CountRange,
    Counts,
    Days,
    Dilution,
    Dosage,
    Duration,
    Grid,
    Hours,
    Length,
    LengthOrZero,
    Name,
    Part,
    PressureRange,
    PressureSteps,
    Price,
    Rate,
    Share,
    Table,
    Times,
    Words,
)

CATALOGUE_FILE = "../catalogue.toml"  # where a scenario looks unless it names another
CELL_M = 0.5  # of coverage cells where a scenario states none
ALWAYS = "always"  # the schedule of zones that name none: they may mist at any hour


class HeadFile(Table):
    """Keys outside any section."""

    name: Name
    title: Words
    note: Words | None = None
    catalogue: Words = CATALOGUE_FILE


class SpacingFile(Table):
    """Distance between neighbours on a line; greatest applies to lines marked continuous, and with row_gap, the least
    distance from one row to the next, to the rows of every line."""

    least: Length
    greatest: Length | None = None
    row_gap: Length | None = None

    @model_validator(mode="after")
    def _possible(self) -> Self:
        if self.greatest is not None and self.greatest < self.least:
            _refuse("is upside down: greatest is below least", "swap least and greatest")
        if self.row_gap is not None and self.greatest is None:
            _refuse("has a row_gap but no greatest", "add greatest, the widest spacing within a row")
        if self.row_gap is not None and self.greatest is not None and self.row_gap < self.greatest:
            _refuse("has a row_gap below greatest", "raise row_gap, or leave it out")
        return self


def _refuse(problem: str, mend: str) -> None:
    raise PydanticCustomError("impossible", "{problem}", {"problem": problem, "mend": mend})


class RulesFile(Table):
    """Rules of the design."""

    note: Words | None = None
    band: PressureRange = Field(description='a range like { low = "9 bar", high = "11 bar" }')
    set_pressure: PressureSteps = Field(
        description='a range like { low = "9 bar", high = "12 bar", step = "0.25 bar" }'
    )
    reserve: Share
    spacing: SpacingFile = Field(description='distances like { least = "2 m", greatest = "5 m" }')
    step: Grid
    cell: Grid = CELL_M
    setback: LengthOrZero
    routing_allowance: Share
    least_gain: Area
    preferred_gain: Area = 0.0
    run_longest: Length | None = None
    run_nozzles_most: Count | None = None
    circuit_balance: Share | None = None
    drift_most: Part | None = None
    drift_most_any_wind: Part | None = None
    dosage_least: Dosage | None = None
    deposit_least: Rate | None = None


class GroundFile(Table):
    """Price of one kind of ground."""

    note: Words | None = None
    cost_per_m: Price


class ScheduleFile(Table):
    """A named group of permitted misting hours."""

    name: Name
    note: Words | None = None
    hours: list[Hours] = Field(min_length=1, description='a list of hours like ["06:00-08:30"]')
    cycles_per_day: Count | None = None
    cycle: Duration | None = None


class ServiceFile(Table):
    """What running the plant takes, over all its seasons."""

    note: Words | None = None
    seasons: Count
    days_per_season: Days
    cycles_per_day: Count
    cycle: Duration
    product: Product
    dilution: Dilution
    visits_per_season: Times
    visit_price: Price
    concentrate_per_litre: Price
    water_per_m3: Price = 0.0
    power_per_kwh: Price = 0.0
    nozzles_replaced: Share = 0.0
    filters_replaced: Times = 0.0


class OptionFile(Table):
    """What is asked for; a list left out allows every item."""

    name: Name
    title: Words
    note: Words | None = None
    pumps: Counts
    pump_types: list[Words] = Field([], description="a list of names of pumps in the catalogue")
    pump_sites: list[Words] = Field([], description="a list of names of pump sites in site.geojson")
    circuits: Counts = CountRange(least=1, most=1)
    nozzle: Words
    tubing_sizes: Count
    tubing: list[Words] = Field([], description="a list of names of tubing in the catalogue")
    zone_valves: ValvesAt = "pump"
    objective: Objective = "coverage"
    least_coverage: Part | None = None
    budget: Amount | None = None
    cost_of: CostOf = "installed"
    drift_most: Part | None = None
    footprint: FootprintBy = "reach"
    coverage_by: CoverageBy = "footprints"
    loops: bool = Field(False, description="true or false")


def minutes(hours: str) -> tuple[int, int]:
    """Start and end of "22:00-02:00" in minutes after midnight; the end lies behind the start."""
    start, end = (int(time[:2]) * 60 + int(time[3:]) for time in hours.split("-"))
    return start, end if end > start else end + 24 * 60
