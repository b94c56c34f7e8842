"""What stands beside nozzles, tubing and pumps: filters, valves, reducers, controllers, tanks, dosing, boxes, wire.

All but filters and valves may be left out of a catalogue; what it does not sell is in no bill.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from optimizer.catalogue_file import (
    ControllerFile,
    DosingFile,
    EnclosureFile,
    ReducerFile,
    TankFile,
    ValveBoxFile,
    WireFile,
)
from optimizer.input_file import TomlReader

EQUIPMENT_SECTIONS = ("reducer", "controller", "tank", "dosing", "enclosure", "valve_box", "wire")
_STEP_TOLERANCE = 1e-9


@dataclass(frozen=True)
class InLine:
    """A filter or valve: its pressure loss is known at one flow and grows with the square of the flow."""

    name: str
    loss_pa: float
    loss_flow_m3_s: float
    price: float

    def loss_at_pa(self, flow_m3_s: float) -> float:
        """Pressure loss in Pa at a flow in m3/s, turbulent: loss (flow / loss_flow)^2."""
        return self.loss_pa * (flow_m3_s / self.loss_flow_m3_s) ** 2


@dataclass(frozen=True)
class Filter(InLine):
    """A filter. dirty_pa: what one to be changed loses at the same flow, None where its maker does not say."""

    dirty_pa: float | None = None


@dataclass(frozen=True)
class Reducer(InLine):
    """A pressure-reducing fitting: holds its outlet at a pressure set from low to high in steps; its loss is that of
    the fitting wide open, which it is where the inlet is below the outlet asked for."""

    outlet_low_pa: float
    outlet_high_pa: float
    outlet_step_pa: float

    @property
    def outlets_pa(self) -> tuple[float, ...]:
        """Outlet pressures that can be set, low to high."""
        steps = math.floor((self.outlet_high_pa - self.outlet_low_pa) / self.outlet_step_pa + _STEP_TOLERANCE)
        return tuple(self.outlet_low_pa + i * self.outlet_step_pa for i in range(steps + 1))


@dataclass(frozen=True)
class Controller:
    """Opens the valves of a pump unit by the clock; stations: circuits that it can serve."""

    name: str
    stations: int
    price: float


@dataclass(frozen=True)
class Tank:
    """A tank of premixed product, one a pump unit."""

    name: str
    volume_m3: float
    price: float


@dataclass(frozen=True)
class Dosing:
    """Meters concentrate from a drum of `volume_m3` into plumbed water of up to `flow_m3_s`; one a pump unit."""

    name: str
    volume_m3: float
    flow_m3_s: float
    price: float


@dataclass(frozen=True)
class ValveBox:
    """A box in the ground that holds up to `valves` valves."""

    valves: int
    price: float


@dataclass(frozen=True)
class Equipment:
    """Everything on sale beside nozzles, tubing, fittings, filters, valves and pumps, in the order of the file."""

    reducers: tuple[Reducer, ...] = ()
    controllers: tuple[Controller, ...] = ()
    tanks: tuple[Tank, ...] = ()
    dosing: tuple[Dosing, ...] = ()
    enclosure_price: float | None = None
    valve_box: ValveBox | None = None
    wire_per_m: float | None = None


NO_EQUIPMENT = Equipment()


def read_equipment(reader: TomlReader) -> Equipment:
    """The sound equipment of a catalogue; the reader notes the faults."""
    enclosure = reader.maybe("enclosure", EnclosureFile)
    box = reader.maybe("valve_box", ValveBoxFile)
    wire = reader.maybe("wire", WireFile)
    return Equipment(
        reducers=tuple(_reducer(table) for _, table in reader.many("reducer", ReducerFile, at_least=0)),
        controllers=tuple(
            Controller(table.name, table.stations, table.price)
            for _, table in reader.many("controller", ControllerFile, at_least=0)
        ),
        tanks=tuple(
            Tank(table.name, table.volume, table.price) for _, table in reader.many("tank", TankFile, at_least=0)
        ),
        dosing=tuple(
            Dosing(table.name, table.drum, table.flow, table.price)
            for _, table in reader.many("dosing", DosingFile, at_least=0)
        ),
        enclosure_price=enclosure.price if enclosure else None,
        valve_box=ValveBox(box.valves, box.price) if box else None,
        wire_per_m=wire.price_per_m if wire else None,
    )


def _reducer(table: ReducerFile) -> Reducer:
    outlet = table.outlet
    return Reducer(table.name, table.loss, table.at, table.price, outlet.low, outlet.high, outlet.step)
