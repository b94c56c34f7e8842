"""Faults between files and between sections: each side is sound alone, together they make no design.

Each check is a generator of faults over the sound parts; none raises, none knows of another.
"""

from __future__ import annotations

from collections.abc import Iterator
from difflib import get_close_matches

import numpy as np

from geometry.site import Site
from hydraulics.units import show
from optimizer.errors import InputFault
from optimizer.input_file import Loc, TomlReader, nearest, shown
from optimizer.mist_checks import mist_faults
from optimizer.option_checks import option_faults, schedule_faults, service_faults
from optimizer.protection_checks import protection_faults
from optimizer.pump_type import PumpType
from optimizer.scenario_file import ALWAYS, RulesFile
from optimizer.scenario_parts import Parts, usable
from optimizer.tubing_checks import tubing_faults

MOST_POSITIONS = 50_000
MOST_CELLS = 2_500_000
MOST_GRID = 8_000_000  # cells of the rectangle round all zones
BAND_LOW: Loc = ("rules", "band", "low")
SET_HIGH: Loc = ("rules", "set_pressure", "high")


def conflicts(parts: Parts) -> Iterator[InputFault]:
    """Every conflict between the parts."""
    yield from option_faults(parts)
    yield from service_faults(parts)
    yield from mist_faults(parts)
    yield from schedule_faults(parts)
    yield from protection_faults(parts)
    if parts.rules is not None:
        yield from _band(parts.reader, parts.rules)
        yield from _pumps(parts, parts.rules)
        yield from _nozzles(parts, parts.rules)
        yield from tubing_faults(parts, parts.rules)
    if parts.site is not None and parts.reader.raw:
        yield from _schedules(parts, parts.site)
        yield from _grounds(parts, parts.site)
    if parts.site is not None and parts.rules is not None:
        yield from _spacing(parts.reader, parts.rules, parts.site)
        yield from _sizes(parts.reader, parts.rules, parts.site)


def _band(reader: TomlReader, rules: RulesFile) -> Iterator[InputFault]:
    """The band must have a width and lie, at its low end, below the highest set pressure."""
    if rules.band.low == rules.band.high:
        yield reader.fault_at(("rules", "band"), "has no width", "raise high or lower low")
    if rules.band.low >= rules.set_pressure.high:
        problem = f"is at or above the highest set pressure, {_pressure(rules.set_pressure.high)}"
        yield reader.fault_at(BAND_LOW, problem, "lower it, or raise rules.set_pressure.high")


def _pumps(parts: Parts, rules: RulesFile) -> Iterator[InputFault]:
    """Every pump that an option may use must stand the set pressures and reach the band."""
    low, high = rules.set_pressure.low, rules.set_pressure.high
    for pump in usable(parts.on_sale.pumps, [option.pump_types for _, option in parts.options]):
        leave = f"or keep {pump.name} out of the options' pump_types"
        if high > pump.limit_pa:
            problem = f"is above the limit of pump {pump.name}, {_pressure(pump.limit_pa)}"
            yield parts.reader.fault_at(SET_HIGH, problem, f"lower it {leave}")
        if max(low, pump.set_low_pa) > min(high, pump.set_high_pa):
            problem = f"does not meet the range of pump {pump.name}, {_range(pump)}"
            yield parts.reader.fault_at(("rules", "set_pressure"), problem, f"widen it {leave}")
        elif rules.band.low >= pump.set_high_pa:
            highest = _pressure(pump.set_high_pa)
            problem = f"is at or above the highest set pressure of pump {pump.name}, {highest}"
            yield parts.reader.fault_at(BAND_LOW, problem, f"lower it {leave}")


def _nozzles(parts: Parts, rules: RulesFile) -> Iterator[InputFault]:
    """A nozzle must be open in the whole band; each is named where it is first asked for."""
    first = {option.nozzle: loc for loc, option in reversed(parts.options)}
    for name, loc in sorted(first.items(), key=lambda item: str(item[1])):
        nozzle = parts.on_sale.nozzles.get(name)
        if nozzle is not None and nozzle.curve.p0_pa >= rules.band.low:
            closing, low = _pressure(nozzle.curve.p0_pa), _pressure(rules.band.low)
            problem = f"closes at {closing}, not below the band's low end of {low}"
            mend = "name another nozzle, or raise rules.band.low"
            yield parts.reader.fault_at((*loc, "nozzle"), problem, mend)


def _schedules(parts: Parts, site: Site) -> Iterator[InputFault]:
    """A zone's schedule must be defined."""
    known = parts.reader.names("schedule") | {ALWAYS}
    for zone in site.zones:
        if zone.schedule not in known:
            add = f"or add a [[schedule]] of that name to {parts.reader.file}"
            mend = f"{nearest(zone.schedule, known)}; {add}"
            path, problem = f'(zone "{zone.name}").properties.schedule', "is no schedule that is defined"
            yield InputFault(parts.site_file, path, shown(zone.schedule), problem, mend)


def _grounds(parts: Parts, site: Site) -> Iterator[InputFault]:
    """A tubing link must have a price: its own, or that of its ground."""
    known = parts.reader.names("ground")
    for link in site.links:
        if link.unit_cost is None and link.ground not in known:
            problem = "has no price" if link.ground else "is missing, and so is unit_cost"
            ground = f"[ground.{link.ground or 'NAME'}] with cost_per_m"
            mend = f"add {ground} to {parts.reader.file}, or give the link a unit_cost"
            if link.ground and get_close_matches(link.ground, known, n=1):
                mend = f"{nearest(link.ground, known)} Else {mend}"
            value = shown(link.ground) if link.ground else ""
            path = f'(tubing_link "{link.name}").properties.ground'
            yield InputFault(parts.site_file, path, value, problem, mend)


def _spacing(reader: TomlReader, rules: RulesFile, site: Site) -> Iterator[InputFault]:
    """Some line must hold two nozzles; lines marked continuous need a greatest spacing, a step or more."""
    least, greatest = rules.spacing.least, rules.spacing.greatest
    longest = max(float(line.line.length) for line in site.lines)
    if least > longest:
        found = show(longest, "length", "metric")
        problem = f"is more than the length of every mounting line; the longest has {found}"
        yield reader.fault_at(("rules", "spacing", "least"), problem, "lower it")
    continuous = [line.name for line in site.lines if line.continuous]
    if continuous and greatest is None:
        problem = f"is missing, but mounting line {continuous[0]} is marked continuous"
        yield reader.fault_at(("rules", "spacing", "greatest"), problem, 'add greatest, a length like "5 m"')
    if continuous and greatest is not None and rules.step > greatest:
        problem = f"is longer than the greatest spacing, {show(greatest, 'length', 'metric')}"
        yield reader.fault_at(("rules", "step"), problem, "lower it")


def _sizes(reader: TomlReader, rules: RulesFile, site: Site) -> Iterator[InputFault]:
    """Steps and cells so small that no machine holds them are slips of the pen."""
    length_m = sum(float(line.line.length) for line in site.lines)
    area_m2 = sum(float(zone.polygon.area) for zone in site.zones)
    boxes = np.array([zone.polygon.bounds for zone in site.zones])
    wide_m, high_m = boxes[:, 2:].max(axis=0) - boxes[:, :2].min(axis=0)
    told: set[str] = set()
    for key, count, most, what in (
        ("step", length_m / rules.step, MOST_POSITIONS, "candidate positions"),
        ("cell", area_m2 / rules.cell**2, MOST_CELLS, "coverage cells"),
        ("cell", wide_m * high_m / rules.cell**2, MOST_GRID, "cells of the rectangle round all zones"),
    ):
        if count > most and key not in told:
            told.add(key)
            problem = f"makes {count:.2g} {what}, more than {most:.2g}"
            yield reader.fault_at(("rules", key), problem, "raise it, or look for a coordinate that is off")


def _pressure(pressure_pa: float) -> str:
    return show(pressure_pa, "pressure", "metric")


def _range(pump: PumpType) -> str:
    return f"{_pressure(pump.set_low_pa)} to {_pressure(pump.set_high_pa)}"
