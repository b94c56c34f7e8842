"""What a design costs, installed and in service, and the price that its option reckons with."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from optimizer.brief import CostOf, Service
from optimizer.costs import CostLine, Group, TakeOff, bill, total, total_of
from optimizer.design import Design
from optimizer.equipment import Dosing, Tank
from optimizer.pump_type import PumpType
from optimizer.solve.assemble import Layout, circuit_schedules
from optimizer.solve.takeoff import take_off
from optimizer.upkeep import Draw, Nozzles, Store, Unit, Upkeep, cheapest_stores, upkeep


@dataclass(frozen=True)
class Priced:
    """The take-off with its bill, and the upkeep over the seasons where the scenario has a service table.

    store_premium: what the tanks or dosing units cost more than the cheapest that are sold for these pumps.
    """

    counted: TakeOff
    lines: tuple[CostLine, ...]
    upkeep: Upkeep | None
    cost_of: CostOf
    store_premium: float

    @property
    def installed(self) -> float:
        """Sum of the bill."""
        return total(self.lines)

    @property
    def fixed(self) -> float:
        """What no other tubing of the same nozzles, pump units and valves saves: the bill without what is laid, and
        with the cheapest tanks, for other flows might do with them."""
        groups: tuple[Group, ...] = ("nozzles", "pump unit", "field valves", "site works")
        return sum(total_of(self.lines, group) for group in groups) - self.store_premium

    @property
    def service(self) -> float:
        """Cost of service over all seasons, 0 where none is stated."""
        return self.upkeep.cost if self.upkeep else 0.0

    @property
    def that_count(self) -> tuple[CostLine, ...]:
        """The lines that the option reckons with."""
        service = self.upkeep.lines if self.upkeep else ()
        return {"installed": self.lines, "service": service, "both": self.lines + service}[self.cost_of]

    @property
    def price(self) -> float:
        """The cost that the option reckons with."""
        return total(self.that_count)


def priced(made: Layout, design: Design) -> Priced:
    """A layout and its design, settled so that its flows are real, with all that they cost."""
    catalogue, service = made.instance.scenario.catalogue, made.instance.scenario.service
    counted = take_off(made)
    kept, premium = None, 0.0
    if service is not None:
        draws = _draws(made, design, service)
        offers = _offers(made, service)
        stores = cheapest_stores(service, draws, offers)
        premium = sum(own.price - min(one.price for one in fit) for own, fit in zip(stores, offers, strict=True))
        tanks = tuple((store.name, 1) for store in stores if isinstance(store, Tank))
        dosing = tuple((store.name, 1) for store in stores if isinstance(store, Dosing))
        counted = replace(counted, tanks=tanks, dosing=dosing)
        kept = _upkeep(made, draws, service, stores)
    return Priced(counted, bill(counted, catalogue), kept, made.instance.option.cost_of, premium)


def _upkeep(
    made: Layout, draws: Sequence[tuple[Draw, ...]], service: Service, stores: Sequence[Store]
) -> Upkeep:
    units = [
        Unit(own, store.volume_m3, pump.power_at_w(at.set_pressure_pa) or 0.0, _filter(pump), store.name)
        for own, store, pump, at in zip(draws, stores, made.pumps, made.problem.pumps, strict=True)
    ]
    nozzle = made.instance.nozzle
    return upkeep(service, units, Nozzles(nozzle.name, len(made.chosen), nozzle.price))


def _filter(pump: PumpType) -> tuple[str, float]:
    return pump.filter.name, pump.filter.price


def _offers(made: Layout, service: Service) -> list[Sequence[Store]]:
    """For each pump unit the tanks, or the dosing units that can take its delivery."""
    sold = made.instance.scenario.catalogue.equipment
    if service.product == "premixed":
        return [sold.tanks for _ in made.pumps]
    return [[one for one in sold.dosing if one.flow_m3_s >= pump.delivery_m3_s] for pump in made.pumps]


def _draws(made: Layout, design: Design, service: Service) -> list[tuple[Draw, ...]]:
    """[pumps][circuits] what each draws at its real flow, by the cycles of its schedule."""
    real, schedules = design.verification.flow_m3_s, circuit_schedules(made)
    mist_s = {name: math.prod(service.cycles(schedule)) for name, schedule in schedules.items()}
    return [tuple(Draw(real.get(one, 0.0), mist_s[one]) for one in pump.circuits) for pump in design.pumps]
