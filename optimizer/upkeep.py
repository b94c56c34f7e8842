"""What running a plant takes over stated seasons, priced: product, water, power, visits, wear.

Arithmetic on stated figures and verified flows: no rate is judged here, the product's label does that.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from hydraulics.units import KILOWATT_HOUR_J, LITRE_M3
from optimizer.brief import Service
from optimizer.costs import CostLine, cost_line, total
from optimizer.equipment import Dosing, Tank

Store = Tank | Dosing

_WHOLE = 1e-9  # of rounding in days over days


class Draw(NamedTuple):
    """What a circuit draws: its real flow, and the seconds a day that it mists."""

    flow_m3_s: float
    mist_s: float

    @property
    def mist_m3(self) -> float:
        """Mist of a day."""
        return self.flow_m3_s * self.mist_s


Draws = Sequence[Draw]  # of the circuits of a unit


@dataclass(frozen=True)
class Unit:
    """A pump unit in service.

    draws: of each circuit; store_m3: of its tank, or of its drum of concentrate; power_w: drawn while
    it runs; filter: name and price; store: its name.
    """

    draws: tuple[Draw, ...]
    store_m3: float
    power_w: float
    filter: tuple[str, float]
    store: str = ""


@dataclass(frozen=True)
class Nozzles:
    """The nozzles of all units: their name, how many, price each."""

    name: str
    count: int
    price: float


@dataclass(frozen=True)
class UnitDay:
    """What a unit uses on a day of the season: mist, and the concentrate in it; its tank or drum and how long that
    lasts, inf where nothing is used."""

    mist_m3: float
    concentrate_m3: float
    store: str
    store_m3: float
    refill_days: float


@dataclass(frozen=True)
class Upkeep:
    """Service over all seasons. litres_a_day: mist of all units; days_between_refills: of the unit that empties first,
    inf where none is used; lines: what is used and its cost over all seasons; units: of each pump unit."""

    seasons: int
    litres_a_day: float
    days_between_refills: float
    visits_per_season: float
    lines: tuple[CostLine, ...]
    units: tuple[UnitDay, ...] = ()

    @property
    def cost(self) -> float:
        """Sum of the lines."""
        return total(self.lines)


def upkeep(service: Service, units: Sequence[Unit], nozzles: Nozzles) -> Upkeep:
    """What the units take over all seasons.

    Each season begins with a full tank or drum, filled on a visit, and a visit fills all units.
    """
    of_units = tuple(_unit_day(service, unit) for unit in units)
    days = min((unit.refill_days for unit in of_units), default=math.inf)
    visits = visits_per_season(service, days)
    a_day = sum(mist_m3_a_day(unit.draws) for unit in units)
    lines = (*_used(service, units, a_day), *_work(service, units, nozzles, visits))
    used = tuple(line for line in lines if line.quantity > 0)
    return Upkeep(service.seasons, a_day / LITRE_M3, days, visits, used, of_units)


def _unit_day(service: Service, unit: Unit) -> UnitDay:
    mist = mist_m3_a_day(unit.draws)
    lasts = refill_days(service, unit.draws, unit.store_m3)
    return UnitDay(mist, mist / service.dilution, unit.store, unit.store_m3, lasts)


def mist_m3_a_day(draws: Draws) -> float:
    """Cycles x seconds x flow, over the circuits."""
    return sum(draw.mist_m3 for draw in draws)


def refill_days(service: Service, draws: Draws, store_m3: float) -> float:
    """Days that a unit's tank lasts, or its drum of concentrate, of which mist has 1 part in `dilution`."""
    mist = mist_m3_a_day(draws)
    lasts_for = store_m3 if service.product == "premixed" else store_m3 * service.dilution
    return lasts_for / mist if mist > 0 else math.inf


def visits_per_season(service: Service, refilled_every_days: float) -> float:
    """At least those stated, and one for each time that the store must be filled."""
    fills = math.ceil(service.days_per_season / refilled_every_days - _WHOLE)
    return max(service.visits_per_season, fills)


def cheapest_stores(
    service: Service, draws: Sequence[Draws], sold: Sequence[Sequence[Store]]
) -> tuple[Store, ...]:
    """The store of each unit with which all cost least over the seasons, with the visits that refilling takes.

    draws: [units][circuits]; sold: [units], what each may have, one at least. Visits depend on the unit that
    empties first alone, so it is enough to try each interval at which some store would empty, with the cheapest store
    of each unit that lasts as long.
    """
    offers = [
        [(refill_days(service, own, store.volume_m3), store) for store in fit]
        for own, fit in zip(draws, sold, strict=True)
    ]
    found: list[tuple[float, tuple[Store, ...]]] = []
    for days in sorted({days for offer in offers for days, _ in offer}):
        lasting = [[store for other, store in offer if other >= days] for offer in offers]
        if all(lasting):
            stores = tuple(min(fit, key=lambda store: (store.price, store.name)) for fit in lasting)
            visits = service.seasons * visits_per_season(service, days)
            found.append((sum(store.price for store in stores) + visits * service.visit_price, stores))
    return min(found, key=lambda one: one[0])[1]


def _used(service: Service, units: Sequence[Unit], mist_m3_a_day: float) -> Iterator[CostLine]:
    """Concentrate, water and power."""
    days = service.seasons * service.days_per_season
    concentrate = days * mist_m3_a_day / service.dilution
    water = days * mist_m3_a_day - concentrate
    power_j = days * sum(unit.power_w * sum(one.mist_s for one in unit.draws if one.flow_m3_s > 0) for unit in units)
    price = service.concentrate_per_m3 * LITRE_M3
    yield cost_line("concentrate", "service", concentrate / LITRE_M3, "L", price)
    yield cost_line("water", "service", water, "m3", service.water_per_m3)
    price = service.power_per_j * KILOWATT_HOUR_J
    yield cost_line("power", "service", power_j / KILOWATT_HOUR_J, "kWh", price)


def _work(service: Service, units: Sequence[Unit], nozzles: Nozzles, visits: float) -> Iterator[CostLine]:
    """Visits, and what is replaced on them."""
    yield cost_line("visit", "service", service.seasons * visits, "pc", service.visit_price)
    replaced = service.seasons * service.nozzles_replaced * nozzles.count
    yield cost_line(f"{nozzles.name}, replaced", "service", replaced, "pc", nozzles.price)
    for name, price in sorted({unit.filter for unit in units}):
        count = sum(unit.filter == (name, price) for unit in units)
        times = service.seasons * service.filters_replaced * count
        yield cost_line(f"{name}, replaced", "service", times, "pc", price)
