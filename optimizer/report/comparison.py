"""Alternatives side by side as rows of words, every number with its unit. Nothing is computed."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from hydraulics.units import LITRE_M3, System, show
from optimizer.appraisal import yield_words
from optimizer.appraisal.operation import Operation
from optimizer.appraisal.words import NONE
from optimizer.study import Alternative

Rows = Sequence[tuple[str, Callable[[Alternative], str]]]  # name of a row, and how its cell is written


def figure_rows(currency: str, units: System) -> Rows:
    """Of every alternative: name of each row, and how its cell is written."""

    def quantity(name: str, kind: str, digits: int | None = None) -> Callable[[Alternative], str]:
        return lambda one: _or_none(getattr(one, name), lambda value: show(value, kind, units, digits))

    def share_of(name: str, digits: int = 1) -> Callable[[Alternative], str]:
        return lambda one: _or_none(getattr(one, name), lambda value: percent_of(value, digits))

    return (
        ("status", lambda one: one.status.replace("_", " ")),
        ("pumps", lambda one: _or_none(one.pump_count, lambda value: count(value, "pump"))),
        ("pump types", lambda one: ", ".join(one.pump_types or ()) or NONE),
        ("circuits", lambda one: _or_none(one.circuit_count, lambda value: count(value, "circuit"))),
        ("nozzles", lambda one: _or_none(one.nozzle_count, lambda value: count(value, "nozzle"))),
        ("covered area", quantity("covered_area_m2", "area", 0)),
        ("share of the zones", lambda one: _share(one.covered_area_m2, one.zone_area_m2)),
        ("share of the coverable", lambda one: _share(one.covered_area_m2, one.coverable_area_m2)),
        ("gap to any in-band design", share_of("gap", 2)),
        ("gap at this many nozzles", share_of("gap_at_count", 2)),
        ("gap at the cost or coverage asked", share_of("joint_gap", 2)),
        ("lowest pressure", quantity("min_pressure_pa", "pressure")),
        ("highest pressure", quantity("max_pressure_pa", "pressure")),
        ("yield on site", lambda one: NONE if one.design is None else yield_words.yield_cell(one.field_yield)),
        ("flow of all circuits", quantity("flow_m3_s", "flow")),
        ("unused pump capacity", share_of("reserve")),
        ("tubing", quantity("tubing_m", "length", 0)),
        (
            "installed cost",
            lambda one: _or_none(one.installed_cost, lambda value: f"{value:,.0f} {currency}"),
        ),
        (
            "cost cannot be below",
            lambda one: _or_none(one.cost_bound, lambda value: f"{value:,.0f} {currency}"),
        ),
        ("cost gap, all told", share_of("cost_gap")),
        ("of tubing and ground alone", share_of("cost_gap_tubing")),
        ("time limit", lambda one: "reached" if one.time_limit_hit else "not reached"),
        ("time", lambda one: f"{sum(one.seconds.values()):.1f} s" if one.seconds else NONE),
    )


def service_rows(currency: str, units: System) -> Rows:
    """Of one with service."""

    def money(name: str) -> Callable[[Alternative], str]:
        return lambda one: _or_none(getattr(one, name), lambda value: f"{value:,.0f} {currency}")

    def volume(litres: float, digits: int | None = None) -> str:
        return show(litres * LITRE_M3, "volume", units, digits)

    def of_run(words: Callable[[Operation], str]) -> Callable[[Alternative], str]:
        return lambda one: NONE if one.operation is None else words(one.operation)

    return (
        ("mist a day", lambda one: _or_none(one.litres_a_day, volume)),
        ("concentrate a day", of_run(lambda run: volume(sum(pump.concentrate_litres_a_day for pump in run.pumps), 3))),
        ("timetable", of_run(lambda run: "fits the hours" if run.fits else "DOES NOT FIT")),
        ("time between refills", lambda one: _or_none(one.days_between_refills, lambda value: f"{value:.1f} days")),
        ("cost of a season", of_run(lambda run: f"{run.cost_per_season:,.0f} {currency}")),
        ("service cost", money("service_cost")),
        ("cost that counts", money("price")),
    )


def _or_none(value: float | None, words: Callable[[float], str]) -> str:
    return NONE if value is None else words(value)


def count(number: float, what: str) -> str:
    """A number of things: 1 nozzle, 2 nozzles."""
    return f"{number:.0f} {what}" + ("" if number == 1 else "s")


def _share(part: float | None, whole: float | None) -> str:
    return NONE if part is None or not whole else percent_of(part / whole)


def percent_of(share: float, digits: int = 1) -> str:
    """A share as a percentage."""
    return f"{100.0 * share:.{digits}f} %"
