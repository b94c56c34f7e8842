"""How a design is run: when each circuit opens, what a day takes, how long the tanks last, what a season costs."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import isfinite

from hydraulics.units import LITRE_M3
from optimizer.design import Design, Misting
from optimizer.scenario import Scenario
from optimizer.timetable import Leads, PumpDay, clock, pump_days
from optimizer.upkeep import UnitDay, Upkeep


@dataclass(frozen=True)
class CircuitDay:
    """A circuit's day: flow_m3_s is real; starts: times of day at which it opens, in their order from the first."""

    circuit: str
    schedule: str
    cycles_per_day: int
    cycle_s: float
    flow_m3_s: float
    litres_a_day: float
    starts: tuple[str, ...]


@dataclass(frozen=True)
class PumpPlan:
    """A pump's day: mist and concentrate of all its circuits; days_between_refills of its store, a tank or a drum of
    concentrate, None where nothing is used."""

    pump: str
    circuits: tuple[CircuitDay, ...]
    litres_a_day: float
    concentrate_litres_a_day: float
    store: str
    store_litres: float
    days_between_refills: float | None


@dataclass(frozen=True)
class Operation:
    """The timetable of all pumps, whether it fits the permitted hours, and what does not; the cost of a season."""

    fits: bool
    faults: tuple[str, ...]
    pumps: tuple[PumpPlan, ...]
    cost_per_season: float


def operation(
    scenario: Scenario, design: Design, upkeep: Upkeep | None, leads: Leads | None = None
) -> Operation | None:
    """How a design is run, None where the scenario states no service; leads: seconds in which the tubing of a circuit
    comes up to pressure before it mists."""
    if upkeep is None:
        return None
    days = pump_days(design, scenario.schedules, leads)
    faults = tuple(fault for day in days for fault in day.faults)
    plans = tuple(_plan(design, day, use) for day, use in zip(days, upkeep.units, strict=True))
    return Operation(not faults, faults, plans, upkeep.cost / upkeep.seasons)


def operation_notes(found: Operation | None) -> Iterator[str]:
    """What a designer must know of the timetable."""
    if found is not None:
        yield from (f"the timetable does not fit: {fault}" for fault in found.faults)


def _plan(design: Design, day: PumpDay, use: UnitDay) -> PumpPlan:
    (circuits,) = [pump.circuits for pump in design.pumps if pump.id == day.pump]
    return PumpPlan(
        pump=day.pump,
        circuits=tuple(_circuit(design, day, one) for one in design.misting if one.circuit in circuits),
        litres_a_day=use.mist_m3 / LITRE_M3,
        concentrate_litres_a_day=use.concentrate_m3 / LITRE_M3,
        store=use.store,
        store_litres=use.store_m3 / LITRE_M3,
        days_between_refills=use.refill_days if isfinite(use.refill_days) else None,
    )


def _circuit(design: Design, day: PumpDay, one: Misting) -> CircuitDay:
    flow_m3_s = design.verification.flow_m3_s.get(one.circuit, 0.0)
    return CircuitDay(
        circuit=one.circuit,
        schedule=one.schedule,
        cycles_per_day=one.cycles_per_day,
        cycle_s=one.cycle_s,
        flow_m3_s=flow_m3_s,
        litres_a_day=one.cycles_per_day * one.cycle_s * flow_m3_s / LITRE_M3,
        starts=tuple(clock(opening.start_s) for opening in day.openings if opening.circuit == one.circuit),
    )
