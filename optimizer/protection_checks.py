"""Faults between the rules of protection and the rest: a band, service or plan that no design could keep them with."""

from __future__ import annotations

from collections.abc import Iterator

from hydraulics.units import show
from optimizer.catalogue import NozzleType
from optimizer.errors import InputFault
from optimizer.input_file import Loc
from optimizer.protection import RATES, Stated, amount, binding
from optimizer.protection_file import stated
from optimizer.scenario_parts import Parts
from optimizer.weather_file import climate_of


def protection_faults(parts: Parts) -> Iterator[InputFault]:
    """Every fault of the rules of protection."""
    rules = stated(table for _, table in parts.protection)
    for loc, _ in parts.protection:
        if set(parts.reader.raw["protection"][loc[1]]) <= {"source", "note"}:
            yield parts.reader.fault_at(loc, "states no rule", "add one, like notice_days = 2, or leave the table out")
    yield from _heights(parts, rules)
    yield from _nozzle_flows(parts, rules)
    yield from _cycles(parts, rules)
    yield from _rates(parts)
    yield from _winds(parts, rules)
    if parts.service is not None and (limit := binding(rules, "dilution")) and parts.service.dilution < limit.value:
        mend = "raise it, for a weaker mix"
        yield parts.reader.fault_at(("service", "dilution"), f"is stronger than allowed, {limit.words}", mend)


def _heights(parts: Parts, rules: tuple[Stated, ...]) -> Iterator[InputFault]:
    """Least and greatest height of all sources together must leave some."""
    least, greatest = binding(rules, "height.least"), binding(rules, "height.greatest")
    if least and greatest and least.value > greatest.value:
        problem = f"leaves no height for a nozzle: {least.words}, {greatest.words}"
        yield parts.reader.fault_at(("protection",), problem, "correct one of the two heights")


def _nozzle_flows(parts: Parts, rules: tuple[Stated, ...]) -> Iterator[InputFault]:
    """At the band's low edge every nozzle that is asked for must give less than it may; each is named once."""
    limit = binding(rules, "nozzle_flow")
    if limit is None or parts.rules is None:
        return
    first = {option.nozzle: loc for loc, option in reversed(parts.options)}
    for name, loc in sorted(first.items(), key=lambda item: str(item[1])):
        nozzle = parts.on_sale.nozzles.get(name)
        if nozzle is not None and (problem := _too_much(nozzle, parts.rules.band.low, limit)):
            yield parts.reader.fault_at((*loc, "nozzle"), problem, "choose another nozzle, or a lower rules.band")


def _too_much(nozzle: NozzleType, low_pa: float, limit: Stated) -> str:
    flow_m3_s = float(nozzle.curve.flow_m3_s(low_pa))
    if flow_m3_s < limit.value:
        return ""
    edge = show(low_pa, "pressure", "metric")
    gives = amount("nozzle_flow", flow_m3_s)
    return f"gives {gives} at the band's low edge of {edge}, {limit.source} allows {amount('nozzle_flow', limit.value)}"


def _cycles(parts: Parts, rules: tuple[Stated, ...]) -> Iterator[InputFault]:
    """No more cycles a day than the strictest source allows."""
    limit = binding(rules, "cycles_per_day")
    if limit is None:
        return
    asked: list[tuple[Loc, int | None]] = [((*at, "cycles_per_day"), one.cycles_per_day) for at, one in parts.schedules]
    if parts.service is not None:
        asked.append((("service", "cycles_per_day"), parts.service.cycles_per_day))
    for loc, cycles in asked:
        if cycles is not None and cycles > limit.value:
            yield parts.reader.fault_at(loc, f"is more than allowed, {limit.words}", "lower it")


def _winds(parts: Parts, rules: tuple[Stated, ...]) -> Iterator[InputFault]:
    """Some wind of the misting hours must be one in which it may mist."""
    limit = binding(rules, "wind_most")
    if limit is None or parts.climate is None:
        return
    least = min(state.speed_m_s for state in climate_of(parts.climate).rose.states)
    if least > limit.value:
        problem = f"blows harder than misting is allowed at all hours, {limit.words}"
        yield parts.reader.fault_at(("climate", "wind"), problem, "choose other hours, or correct the wind")


def _rates(parts: Parts) -> Iterator[InputFault]:
    """A rate per area can only be told where the scenario says how long and how often nozzles mist."""
    if parts.service is not None or "service" in parts.reader.raw:
        return
    for loc, table in parts.protection:
        for rule in RATES:
            if getattr(table, rule) is not None:
                problem = f"needs a table [service] in {parts.reader.file} that says how long and often nozzles mist"
                yield parts.reader.fault_at((*loc, rule), problem, "add it, or leave the rate out")
