"""What a scenario asks for, apart from its site and catalogue: rules, climate, options, service. Frozen, SI units."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from hydraulics.mist.air import Air
from hydraulics.mist.wind import Wind
from hydraulics.tolerance import Tolerances

ValvesAt = Literal["pump", "field"]
Objective = Literal["coverage", "cost"]
CostOf = Literal["installed", "service", "both"]
FootprintBy = Literal["reach", "dosage"]
CoverageBy = Literal["footprints", "summed dosage"]
Product = Literal["premixed", "metered"]
Source = Literal["measured", "scaled", "assumed"]


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
    run_longest_m: tubing from the pump's outlet, or the field valve, to the furthest point of any run; None: no limit.
    run_nozzles_most: nozzles on one run; None: no limit.
    circuit_balance: flows of the circuits of one pump unit: least >= (1 - share) x greatest; None: no such rule.
    drift_most, drift_most_any_wind: share of all mist that may drift over the boundary, averaged over the winds of the
    misting hours, and in each of them; None: no limit.
    dosage_least_s, deposit_least_m: of one cycle of one nozzle, where footprints are drawn by dosage: volume of mist in
    a volume of air times seconds, and in zones of resting places volume on an area of ground; None: not stated.
    yield_margin_pa: what band_low_pa is raised by while a least yield is searched for.
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
    run_longest_m: float | None = None
    run_nozzles_most: int | None = None
    circuit_balance: float | None = None
    drift_most: float | None = None
    drift_most_any_wind: float | None = None
    dosage_least_s: float | None = None
    deposit_least_m: float | None = None
    yield_margin_pa: float = 0.0

    @property
    def ground_cost(self) -> dict[str, float]:
        """Price per metre of trench by the name of the ground."""
        return {ground.name: ground.cost_per_m for ground in self.grounds}


@dataclass(frozen=True)
class Climate:
    """Water, air and wind of the misting hours.

    water_temperature_c: of the water in the tubing; wind: in words, for the report; air; rose: the winds, and
    rose_source whether they are measured; layer_top_m: of the air that people are in; assumed: what the scenario
    leaves to this program, in words; locked_out: share of the hours in which it blows too hard to mist, whose winds are
    not among the rose; tubing_temperature_c: the hottest that the tubing gets, None where not
    stated.
    """

    water_temperature_c: float
    wind: str
    air: Air
    rose: Wind
    rose_source: Source
    layer_top_m: float
    assumed: tuple[str, ...]
    locked_out: float = 0.0
    tubing_temperature_c: float | None = None


@dataclass(frozen=True)
class Schedule:
    """A named group of permitted misting hours: (start, end) in minutes after midnight, end may pass 1440.

    cycles_per_day, cycle_s: of its circuits, None where those of the service hold.
    """

    name: str
    hours: tuple[tuple[int, int], ...]
    cycles_per_day: int | None = None
    cycle_s: float | None = None


@dataclass(frozen=True)
class Option:
    """What is asked for.

    pumps_least, pumps_most: units; circuits_least, circuits_most: of each pump; tubing_sizes: different sizes at most;
    pump_types, pump_sites, tubing: names allowed, in the order of the file, all where the file names none.
    zone_valves: where the valves of the circuits stand: at the pump, a tube per circuit from there on, or in the field
    at the end of a trunk that they share.
    objective: most coverage, within `budget` where there is one; or least cost, covering at least `least_coverage` of
    the zones' weighted area. cost_of: the cost that both, and comparisons, reckon with.
    drift_most: as in the rules, of which the stricter binds; None: only those.
    footprint: the nozzle's reach, or where the dosage of a cycle is enough. coverage_by: ground counts where some
    footprint covers it, or by the summed dosage of all nozzles.
    loops: tubing may close loops where one saves more than it costs.
    """

    name: str
    title: str
    pumps_least: int
    pumps_most: int
    pump_types: tuple[str, ...]
    pump_sites: tuple[str, ...]
    circuits_least: int
    circuits_most: int
    tubing_sizes: int
    tubing: tuple[str, ...]
    nozzle: str
    zone_valves: ValvesAt
    objective: Objective
    least_coverage: float | None
    budget: float | None
    cost_of: CostOf
    drift_most: float | None = None
    footprint: FootprintBy = "reach"
    coverage_by: CoverageBy = "footprints"
    loops: bool = False

    @property
    def pumps(self) -> int:
        """Pump units at most."""
        return self.pumps_most

    @property
    def circuits(self) -> int:
        """Circuits of each pump at most."""
        return self.circuits_most

    @property
    def cost_counts(self) -> bool:
        """Whether a budget or the least cost is asked for."""
        return self.budget is not None or self.objective == "cost"


@dataclass(frozen=True)
class Service:
    """What running the plant takes, over all its seasons. Prices are in the catalogue's currency.

    cycles_per_day: of every circuit, cycle_s long each, unless its schedule states its own.
    product: "premixed" mist from a tank, or "metered" concentrate from a drum into plumbed water.
    dilution: litres of mist from one litre of concentrate.
    visits_per_season: at least; a tank or drum that empties sooner asks for more.
    visit_price: of one visit; concentrate_per_m3, water_per_m3, power_per_j: of what is used.
    nozzles_replaced: share of the nozzles in a season; filters_replaced: elements of each filter in a season.
    """

    seasons: int
    days_per_season: int
    cycles_per_day: int
    cycle_s: float
    product: Product
    dilution: float
    visits_per_season: float
    visit_price: float
    concentrate_per_m3: float
    water_per_m3: float
    power_per_j: float
    nozzles_replaced: float
    filters_replaced: float

    def cycles(self, schedule: Schedule) -> tuple[int, float]:
        """Cycles a day and seconds of each, of a circuit of that schedule."""
        return schedule.cycles_per_day or self.cycles_per_day, schedule.cycle_s or self.cycle_s


@dataclass(frozen=True)
class FieldTolerances:
    """What may differ on site from the drawing. samples: states that are sampled; least_yield: share of them in which
    every nozzle must stay at or above the band's low edge; None: no such rule."""

    differs: Tolerances
    samples: int
    least_yield: float | None = None
