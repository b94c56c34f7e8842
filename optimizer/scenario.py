"""A site with its rules and what is asked for it: frozen, validated, SI units.

`read_scenario` turns a folder into a `Scenario` or raises `InputFaults` with every fault of its three files.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from geometry.site import Site
from optimizer.catalogue import Catalogue, NozzleType, PumpType, Tubing

ALWAYS = "always"  # the schedule group of zones that name none: they may mist at any hour


@dataclass(frozen=True)
class Ground:
    """Price of crossing one kind of ground with tubing, paid once per metre of trench however many tubes lie in it."""

    name: str
    cost_per_m: float


@dataclass(frozen=True)
class Rules:
    """Rules of the design.

    band_low_pa, band_high_pa: allowed pressure at every nozzle. set_low_pa, set_high_pa, set_step_pa: set pressures
    that may be chosen. reserve: share of a pump's delivery that stays unused. spacing_least_m: between neighbours
    on a line; spacing_greatest_m: between neighbours on a line marked continuous, None when there is no such rule.
    step_m: of candidate positions. cell_m: of coverage cells. setback_m: from keep-outs that forbid mist and state
    none. routing_allowance: share added to every tubing length. least_gain_m2: weighted square metres that a nozzle
    added after verification must bring.
    """

    band_low_pa: float
    band_high_pa: float
    set_low_pa: float
    set_high_pa: float
    set_step_pa: float
    reserve: float
    spacing_least_m: float
    spacing_greatest_m: float | None
    step_m: float
    cell_m: float
    setback_m: float
    routing_allowance: float
    least_gain_m2: float
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
    """A named group of permitted misting hours; hours: (start, end) in minutes after midnight, end may pass 1440."""

    name: str
    hours: tuple[tuple[int, int], ...]


@dataclass(frozen=True)
class Option:
    """What is asked for. pumps: how many units; circuits: of each pump; tubing_sizes: different sizes at most.
    pump_types, pump_sites, tubing: names allowed, in the order of the file; read_scenario fills in "any"."""

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
