"""What a pump unit on sale is, and how it is read from the catalogue."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import TypeVar

from hydraulics.errors import HydraulicsError
from hydraulics.pump import DeliveryCurve, Motor, power_drawn_w
from hydraulics.units import show
from optimizer.catalogue_file import DeliveryPointFile, PumpFile
from optimizer.equipment import Filter, InLine
from optimizer.input_file import Loc, TomlReader, nearest

Sold = TypeVar("Sold", bound=InLine)


@dataclass(frozen=True)
class PumpType:
    """A pump unit.

    delivery_m3_s: rated flow, with a `curve` the one at set_low_pa, the most that any set pressure gets;
    limit_pa: highest pressure in sustained use;
    set_low_pa, set_high_pa: range of its regulator; outlets: circuits that its manifold can carry;
    filter: one a pump; valve: one a circuit; manifold: its loss, the price is part of the pump's.
    power_w: drawn while it runs, as the maker says; None where the catalogue does not say. efficiency: of pump and
    drive together, from which the power follows instead. bypass_pa: where its bypass opens, None at the set pressure;
    relief_pa: where its relief valve opens.
    """

    name: str
    delivery_m3_s: float
    limit_pa: float
    set_low_pa: float
    set_high_pa: float
    outlets: int
    price: float
    filter: Filter
    valve: InLine
    manifold: InLine
    power_w: float | None = None
    curve: DeliveryCurve | None = None
    bypass_pa: float | None = None
    relief_pa: float | None = None
    efficiency: float | None = None
    motor: Motor | None = None

    def fixed_loss_pa(self, flow_m3_s: float) -> float:
        """Loss in Pa from the pump's gauge to the first tee at a flow in m3/s: filter + valve + manifold."""
        return sum(part.loss_at_pa(flow_m3_s) for part in (self.filter, self.valve, self.manifold))

    def delivery_at_m3_s(self, pressure_pa: float) -> float:
        """What it delivers at a pressure."""
        return self.delivery_m3_s if self.curve is None else self.curve.delivery_m3_s(pressure_pa)

    def power_at_w(self, set_pa: float) -> float | None:
        """Power drawn at a set pressure, p Q / efficiency where its bypass opens, or as stated; None where neither is
        known."""
        if self.efficiency is None:
            return self.power_w
        works_pa = set_pa if self.bypass_pa is None else self.bypass_pa
        return power_drawn_w(works_pa, self.delivery_at_m3_s(works_pa), self.efficiency)

    def times(self, factor: float) -> PumpType:
        """The same unit delivering so many times as much."""
        curve = self.curve.times(factor) if self.curve else None
        return replace(self, delivery_m3_s=self.delivery_m3_s * factor, curve=curve)


def read_pump(
    reader: TomlReader, loc: Loc, table: PumpFile, filters: Iterable[Filter], valves: Iterable[InLine]
) -> PumpType | None:
    """The pump unit of a table; the reader notes the faults, None where there are too many to go on."""
    _check_pressures(reader, loc, table)
    _check_power(reader, loc, table)
    curve = _curve(reader, loc, table)
    filter_ = _sold(reader, (*loc, "filter"), table.filter, filters)
    valve = _sold(reader, (*loc, "valve"), table.valve, valves)
    delivery = curve.delivery_m3_s(table.set_pressure.low) if curve else table.delivery
    if filter_ is None or valve is None or delivery is None:
        return None
    return PumpType(
        name=table.name,
        delivery_m3_s=delivery,
        limit_pa=table.limit,
        set_low_pa=table.set_pressure.low,
        set_high_pa=table.set_pressure.high,
        outlets=table.outlets,
        price=table.price,
        filter=filter_,
        valve=valve,
        manifold=InLine("manifold", table.manifold.loss, table.manifold.at, 0.0),
        power_w=table.power,
        curve=curve,
        bypass_pa=table.bypass,
        relief_pa=table.relief,
        efficiency=table.efficiency,
        motor=Motor(table.motor.voltage, table.motor.phases, table.motor.power_factor) if table.motor else None,
    )


def _curve(reader: TomlReader, loc: Loc, table: PumpFile) -> DeliveryCurve | None:
    """The delivery curve; a fault where delivery is told not at all, twice, or by figures of no pump."""
    if (table.delivery is None) == (table.curve is None):
        problem = "has neither delivery nor a curve" if table.curve is None else "has both delivery and a curve"
        reader.fault(loc, problem, "give delivery, or [[pump.curve]] with a delivery at each of several pressures")
    if table.curve is None:
        return None
    try:
        curve = _drawn(table.curve)
    except HydraulicsError as error:
        reader.fault((*loc, "curve"), "are figures of no pump", str(error))
        return None
    highest = max(table.set_pressure.high, table.bypass or 0.0)
    if curve.highest_pa < highest:
        problem = f"ends at {_bar(curve.highest_pa)}, below the {_bar(highest)} that the pump may work at"
        reader.fault((*loc, "curve"), problem, "add a point at that pressure or above")
        return None
    return curve


def _drawn(points: Iterable[DeliveryPointFile]) -> DeliveryCurve:
    pairs = sorted((point.pressure, point.delivery) for point in points)
    return DeliveryCurve(tuple(pressure for pressure, _ in pairs), tuple(delivery for _, delivery in pairs))


def _check_pressures(reader: TomlReader, loc: Loc, table: PumpFile) -> None:
    """Set pressure <= bypass <= limit, and both below relief: else the pump fails early, or sheds product."""
    high = table.set_pressure.high
    if high > table.limit:
        problem = "is above the pump's limit"
        reader.fault((*loc, "set_pressure", "high"), problem, f"lower it to {_bar(table.limit)} or less")
    if table.bypass is not None and table.bypass < high:
        problem = f"is below the highest set pressure, {_bar(high)}, which is then never held"
        reader.fault((*loc, "bypass"), problem, "raise it, or lower set_pressure.high")
    if table.bypass is not None and table.bypass > table.limit:
        problem = "is above the pump's limit for sustained use, at which the pump then works and fails early"
        reader.fault((*loc, "bypass"), problem, f"lower it to {_bar(table.limit)} or less")
    works = max(high, table.bypass or 0.0)
    if table.relief is not None and table.relief <= works:
        problem = f"opens where the pump may work, at {_bar(works)}, and sheds product in every cycle"
        reader.fault((*loc, "relief"), problem, "raise it, or lower bypass and set_pressure.high")


def _check_power(reader: TomlReader, loc: Loc, table: PumpFile) -> None:
    """One source of the power, and one at all where a motor asks for it."""
    if table.power is not None and table.efficiency is not None:
        reader.fault((*loc, "efficiency"), "stands beside power, which it is another figure for", "keep one of them")
    if table.motor is not None and table.power is None and table.efficiency is None:
        problem = "draws a power that is not known"
        reader.fault((*loc, "motor"), problem, 'add power, like "750 W", or efficiency')


def _sold(reader: TomlReader, loc: Loc, name: str, items: Iterable[Sold]) -> Sold | None:
    """The filter or valve of that name, after the last key of the place; a fault where the file has none."""
    section = str(loc[-1])
    if name not in reader.names(section):
        reader.fault(loc, f"is no {section} of this catalogue", nearest(name, reader.names(section)))
    return next((item for item in items if item.name == name), None)


def _bar(pressure_pa: float) -> str:
    return show(pressure_pa, "pressure", "metric")
