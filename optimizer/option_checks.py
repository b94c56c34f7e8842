"""Faults of options and of the service table: keys that do not go together, names and equipment that nobody sells."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from hydraulics.units import show
from optimizer.errors import InputFault
from optimizer.input_file import Loc, TomlReader, nearest
from optimizer.scenario_file import ALWAYS, OptionFile, ScheduleFile, ServiceFile, minutes
from optimizer.scenario_parts import Parts, usable

MINUTE_S = 60.0
DAY_MIN = 1440
WHOLE_DAY = ["00:00-24:00"]
STUDY_FILES = ("study.json", "frontier.svg", "drift.svg")  # stand beside the folders of the options


def option_faults(parts: Parts) -> Iterator[InputFault]:
    """Every fault of the options."""
    yield from _unknown_names(parts)
    for loc, option in parts.options:
        if option.name in STUDY_FILES:
            yield parts.reader.fault_at((*loc, "name"), "is a file that a study writes", "choose another name")
        yield from _objective(parts.reader, loc, option)
        yield from _cost_of(parts, loc, option)
        yield from _controllers(parts, loc, option)


def _unknown_names(parts: Parts) -> Iterator[InputFault]:
    """Names in an option that catalogue or site do not have."""
    names = parts.on_sale.names
    sites = {site.name for site in parts.site.pump_sites} if parts.site else set()
    for loc, option in parts.options:
        unsold, absent = "is sold by nobody in the catalogue", f"is no pump site of {parts.site_file}"
        for key, asked, known, problem in (
            ("pump_types", option.pump_types, names["pump"], unsold),
            ("pump_sites", option.pump_sites, sites, absent),
            ("tubing", option.tubing, names["tubing"], unsold),
        ):
            places = {(*loc, key, i): name for i, name in enumerate(asked)}
            yield from _unknown(parts.reader, places, known, problem)
        yield from _unknown(parts.reader, {(*loc, "nozzle"): option.nozzle}, names["nozzle"], unsold)


def _unknown(reader: TomlReader, asked: Mapping[Loc, str], known: set[str], problem: str) -> Iterator[InputFault]:
    """Names that are not known; none where nothing is known, for that is a fault of its own."""
    for loc, name in asked.items():
        if known and name not in known:
            yield reader.fault_at(loc, problem, nearest(name, known))


def _objective(reader: TomlReader, loc: Loc, option: OptionFile) -> Iterator[InputFault]:
    """Least cost needs a coverage to reach; most coverage may have a budget; neither takes the other's limit."""
    if option.objective == "cost":
        if option.least_coverage is None:
            problem, mend = "is missing, but the objective is cost", "add a share of the zones' weighted area, like 0.9"
            yield reader.fault_at((*loc, "least_coverage"), problem, mend)
        if option.budget is not None:
            mend = 'leave it out, or ask for objective = "coverage"'
            yield reader.fault_at((*loc, "budget"), "is no limit of objective cost", mend)
    elif option.least_coverage is not None:
        mend = 'leave it out, or ask for objective = "cost"'
        yield reader.fault_at((*loc, "least_coverage"), "is no limit of objective coverage", mend)


def _cost_of(parts: Parts, loc: Loc, option: OptionFile) -> Iterator[InputFault]:
    """The cost of service needs the table that says what service is."""
    if option.cost_of != "installed" and parts.service is None and "service" not in parts.reader.raw:
        problem = f"needs a table [service] in {parts.reader.file}"
        yield parts.reader.fault_at((*loc, "cost_of"), problem, 'add it, or ask for cost_of = "installed"')


def _controllers(parts: Parts, loc: Loc, option: OptionFile) -> Iterator[InputFault]:
    """Where controllers are sold, one must have a station for each circuit of a pump."""
    controllers = parts.on_sale.catalogue.equipment.controllers if parts.on_sale.catalogue else ()
    most = max((controller.stations for controller in controllers), default=option.circuits.most)
    if option.circuits.most > most:
        problem = f"is more than the stations of the largest controller in the catalogue, {most}"
        yield parts.reader.fault_at((*loc, "circuits"), problem, "lower it, or add a [[controller]] with more stations")


def service_faults(parts: Parts) -> Iterator[InputFault]:
    """Every fault between the service table and the rest."""
    if parts.service is None:
        return
    yield from _hours(parts, parts.service)
    yield from _circuits_in_turn(parts, parts.service)
    if parts.on_sale.catalogue is not None:
        yield from _product(parts, parts.service)
        yield from _power(parts, parts.service)


def _hours(parts: Parts, service: ServiceFile) -> Iterator[InputFault]:
    """The cycles of one circuit must fit into the hours of its schedule."""
    for loc, own in _schedules(parts):
        cycle_s, daily_min = own.cycle or service.cycle, _daily_min(own, service)
        allowed = sum(end - start for start, end in map(minutes, own.hours))
        if daily_min > allowed:
            cycle = show(cycle_s, "duration", "metric")
            problem = (
                f"makes {daily_min:g} minutes of mist a day with a cycle of {cycle}, more than the {allowed} that "
                f"schedule {own.name} allows"
            )
            place: Loc = (*loc, "cycles_per_day") if own.cycles_per_day or own.cycle else ("service", "cycles_per_day")
            yield parts.reader.fault_at(place, problem, "lower it, or shorten the cycle")
            return


def _circuits_in_turn(parts: Parts, service: ServiceFile) -> Iterator[InputFault]:
    """The circuits of a pump mist one after the other: the fewest that an option allows must find time in all hours in
    which some zone may mist."""
    used = {zone.schedule for zone in parts.site.zones} if parts.site else set()
    own = [schedule for _, schedule in _schedules(parts) if schedule.name in used]
    hours = [minutes(some) for schedule in own for some in schedule.hours]
    allowed = len({minute % DAY_MIN for start, end in hours for minute in range(start, end)})
    least_min = min((_daily_min(schedule, service) for schedule in own), default=0.0)
    for loc, option in parts.options:
        need_min = option.circuits.least * least_min
        if least_min <= allowed < need_min:
            in_turn = f"makes {need_min:g} minutes of mist a day on a pump, one circuit after the other"
            problem = f"{in_turn}, {need_min - allowed:g} more than its hours hold"
            mend = "ask for fewer circuits, fewer or shorter cycles, or longer hours"
            yield parts.reader.fault_at((*loc, "circuits"), problem, mend)


def _schedules(parts: Parts) -> list[tuple[Loc, ScheduleFile]]:
    """By name, with the one that need not be written."""
    always = (("schedule",), ScheduleFile(name=ALWAYS, hours=WHOLE_DAY))
    written = {schedule.name for _, schedule in parts.schedules}
    return sorted((*parts.schedules, *([] if ALWAYS in written else [always])), key=lambda item: item[1].name)


def _daily_min(schedule: ScheduleFile, service: ServiceFile) -> float:
    """Minutes a day that a circuit of a schedule mists."""
    cycles = schedule.cycles_per_day or service.cycles_per_day
    return cycles * (schedule.cycle or service.cycle) / MINUTE_S


def schedule_faults(parts: Parts) -> Iterator[InputFault]:
    """Cycles of a schedule are told beside those of the service, which says the rest."""
    if parts.service is not None or "service" in parts.reader.raw:
        return
    for loc, schedule in parts.schedules:
        for key in ("cycles_per_day", "cycle"):
            if getattr(schedule, key) is not None:
                problem = f"needs a table [service] in {parts.reader.file}"
                yield parts.reader.fault_at((*loc, key), problem, "add it, or leave this out")


def _product(parts: Parts, service: ServiceFile) -> Iterator[InputFault]:
    """Premixed product needs a tank; metered concentrate a dosing unit for the delivery of every usable pump."""
    assert parts.on_sale.catalogue is not None
    equipment, loc = parts.on_sale.catalogue.equipment, ("service", "product")
    if service.product == "premixed" and not equipment.tanks:
        problem, mend = "needs a tank, and the catalogue sells none", "add a [[tank]] to the catalogue"
        yield parts.reader.fault_at(loc, problem, mend)
    if service.product == "metered":
        most = max((dosing.flow_m3_s for dosing in equipment.dosing), default=0.0)
        for pump in usable(parts.on_sale.pumps, [option.pump_types for _, option in parts.options]):
            if pump.delivery_m3_s > most:
                delivery = show(pump.delivery_m3_s, "flow", "metric")
                problem = f"needs dosing for the delivery of pump {pump.name}, {delivery}, and the catalogue sells none"
                mend = "add a [[dosing]] of such a flow to the catalogue"
                yield parts.reader.fault_at(loc, problem, mend)
                return


def _power(parts: Parts, service: ServiceFile) -> Iterator[InputFault]:
    """Where power has a price, every usable pump must say how much it draws."""
    for pump in usable(parts.on_sale.pumps, [option.pump_types for _, option in parts.options]):
        if service.power_per_kwh > 0 and pump.power_at_w(pump.set_high_pa) is None:
            problem = f"is a price, but pump {pump.name} does not say what power it draws"
            yield parts.reader.fault_at(("service", "power_per_kwh"), problem, 'add power, like "750 W", to that pump')
            return
