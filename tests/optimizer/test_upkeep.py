"""Service over seasons against sums done by hand, and what must hold for any plant."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import product

import pytest
from hypothesis import given
from hypothesis import strategies as st

from optimizer.brief import Schedule, Service
from optimizer.equipment import Dosing, Tank
from optimizer.upkeep import Draw, Nozzles, Store, Unit, cheapest_stores, mist_m3_a_day, refill_days, upkeep

LITRE, KWH = 1e-3, 3.6e6
SERVICE = Service(3, 120, 4, 45.0, "premixed", 200.0, 2.0, 80.0, 90.0 / LITRE, 2.0, 0.36 / KWH, 0.1, 1.0)
def draws(*flows_m3_s: float, service: Service | None = None) -> tuple[Draw, ...]:
    """Circuits of these flows with the cycles of a service."""
    cycles, cycle_s = (service or SERVICE).cycles(Schedule("late", ()))
    return tuple(Draw(flow, cycles * cycle_s) for flow in flows_m3_s)


UNIT = Unit(draws(2e-5, 1e-5), 0.2, 750.0, ("F1", 90.0))
NOZZLES = Nozzles("N1", 50, 10.0)


def test_a_premixed_plant_by_hand() -> None:
    """4 cycles of 45 s are 180 s a day. Mist: 180 x (2e-5 + 1e-5) = 5.4e-3 m3 = 5.4 L a day; the tank of 200 L lasts
    200 / 5.4 = 37.04 days, so 120 days take 4 fills, more than the 2 visits asked for: 12 visits in 3 seasons, 960.
    Mist of 360 days: 1944 L, 1 part in 200 concentrate, 9.72 L x 90 = 874.80; water 1.93428 m3 x 2 = 3.86856.
    Power: 750 W x 180 s x 2 circuits x 360 days = 97.2e6 J = 27 kWh x 0.36 = 9.72.
    Nozzles: 3 x 0.1 x 50 = 15 x 10 = 150; filter: 3 x 1 x 90 = 270. In all 2268.38856."""
    found = upkeep(SERVICE, [UNIT], NOZZLES)
    assert found.litres_a_day == pytest.approx(5.4)
    assert found.days_between_refills == pytest.approx(200 / 5.4)
    assert found.visits_per_season == 4
    told = [(line.item, line.unit, pytest.approx(line.quantity), pytest.approx(line.amount)) for line in found.lines]
    assert told == [
        ("concentrate", "L", 9.72, 874.80),
        ("water", "m3", 1.93428, 3.86856),
        ("power", "kWh", 27.0, 9.72),
        ("visit", "pc", 12, 960.0),
        ("N1, replaced", "pc", 15, 150.0),
        ("F1, replaced", "pc", 3, 270.0),
    ]
    assert found.cost == pytest.approx(2268.38856)


def test_a_metered_plant_by_hand() -> None:
    """A drum of 20 L makes 4000 L of mist, 4000 / 5.4 = 740.7 days: one fill a season, so the 2 visits stand."""
    metered = replace(SERVICE, product="metered")
    found = upkeep(metered, [replace(UNIT, store_m3=0.02)], NOZZLES)
    assert found.days_between_refills == pytest.approx(4000 / 5.4)
    assert found.visits_per_season == 2
    assert found.cost == pytest.approx(2268.38856 - 6 * 80.0)


def test_two_units_share_a_visit_and_the_first_to_empty_calls_it() -> None:
    """The second unit draws 180 x 1e-5 = 1.8 L a day from 36 L: 20 days, 6 fills of 120 days. 7.2 L a day in all. It
    runs one circuit: power 27 + 13.5 = 40.5 kWh. One filter each."""
    second = Unit(draws(1e-5), 0.036, 750.0, ("F2", 50.0))
    found = upkeep(SERVICE, [UNIT, second], NOZZLES)
    assert (found.litres_a_day, found.days_between_refills) == pytest.approx((7.2, 20.0))
    assert found.visits_per_season == 6
    amounts = {line.item: line.quantity for line in found.lines}
    assert amounts["power"] == pytest.approx(40.5)
    assert (amounts["F1, replaced"], amounts["F2, replaced"]) == (3, 3)


def test_a_tank_that_lasts_whole_days_is_not_filled_once_too_often() -> None:
    """5.4 L a day from 162 L: 30 days, and 120 days are 4 fills, not 5, whatever the rounding."""
    assert upkeep(SERVICE, [replace(UNIT, store_m3=0.162)], NOZZLES).visits_per_season == 4


def test_circuits_of_two_schedules_mist_as_their_schedule_says() -> None:
    """The second circuit mists twice for 60 s instead of 4 times for 45 s: 180 x 2e-5 + 120 x 1e-5 = 4.8 L a day; power
    750 W x 300 s x 360 days = 22.5 kWh."""
    cycles, cycle_s = SERVICE.cycles(Schedule("dawn", (), 2, 60.0))
    assert (cycles, cycle_s, SERVICE.cycles(Schedule("late", (), cycle_s=30.0))) == (2, 60.0, (4, 30.0))
    found = upkeep(SERVICE, [replace(UNIT, draws=(*draws(2e-5), Draw(1e-5, cycles * cycle_s)))], NOZZLES)
    assert found.litres_a_day == pytest.approx(4.8)
    assert {line.item: line.quantity for line in found.lines}["power"] == pytest.approx(22.5)


def test_no_flow_takes_no_product() -> None:
    """What is left are the 2 visits a season and what is replaced: 6 x 80 + 150 + 270."""
    found = upkeep(SERVICE, [replace(UNIT, draws=draws(0.0))], NOZZLES)
    assert (found.litres_a_day, found.days_between_refills, found.cost) == (0.0, math.inf, pytest.approx(900.0))


flows = st.lists(st.builds(Draw, st.floats(1e-7, 1e-3), st.floats(1, 24_000)), min_size=1, max_size=3).map(tuple)
units = st.builds(
    Unit, flows, st.floats(1e-3, 5.0), st.floats(0, 5e3), st.sampled_from([("F1", 90.0), ("F2", 165.0), ("F1", 95.0)])
)
services = st.builds(
    Service,
    seasons=st.integers(1, 20),
    days_per_season=st.integers(1, 366),
    cycles_per_day=st.integers(1, 40),
    cycle_s=st.floats(1, 600),
    product=st.sampled_from(["premixed", "metered"]),
    dilution=st.floats(1, 1000),
    visits_per_season=st.floats(0, 50),
    visit_price=st.floats(0, 500),
    concentrate_per_m3=st.floats(0, 1e6),
    water_per_m3=st.floats(0, 20),
    power_per_j=st.floats(0, 1e-6),
    nozzles_replaced=st.floats(0, 0.99),
    filters_replaced=st.floats(0, 10),
)
plants = st.lists(units, min_size=1, max_size=3)


@given(services, plants)
def test_a_further_season_costs_as_much_as_each_before(service: Service, plant: list[Unit]) -> None:
    """More seasons are never cheaper: cost is proportional to them."""
    once = upkeep(replace(service, seasons=1), plant, NOZZLES).cost
    assert once >= 0
    assert upkeep(service, plant, NOZZLES).cost == pytest.approx(service.seasons * once, rel=1e-9, abs=1e-9)


@given(services, units)
def test_what_is_used_between_refills_is_the_tank(service: Service, unit: Unit) -> None:
    """Premixed: days x litres a day = tank; metered: that over the dilution = drum."""
    found = upkeep(service, [unit], NOZZLES)
    used = found.days_between_refills * found.litres_a_day * LITRE
    assert (used if service.product == "premixed" else used / service.dilution) == pytest.approx(unit.store_m3)


@given(services, plants)
def test_more_cycles_or_visits_are_never_cheaper(service: Service, plant: list[Unit]) -> None:
    cost = upkeep(service, plant, NOZZLES).cost
    longer = [replace(u, draws=tuple(d._replace(mist_s=d.mist_s + 30.0) for d in u.draws)) for u in plant]
    assert upkeep(service, longer, NOZZLES).cost >= cost * (1 - 1e-12)
    for more in (
        replace(service, visits_per_season=service.visits_per_season + 1),
        replace(service, days_per_season=service.days_per_season + 1),
    ):
        assert upkeep(more, plant, NOZZLES).cost >= cost * (1 - 1e-12)


@given(services, plants)
def test_water_and_concentrate_make_the_mist(service: Service, plant: list[Unit]) -> None:
    found = upkeep(service, plant, NOZZLES)
    quantity = {line.item: line.quantity for line in found.lines}
    made = quantity["concentrate"] * LITRE + quantity.get("water", 0.0)
    days = service.seasons * service.days_per_season
    assert made == pytest.approx(days * sum(mist_m3_a_day(unit.draws) for unit in plant))


stores: st.SearchStrategy[Store] = st.builds(
    Tank, st.sampled_from("abcd"), st.floats(1e-3, 2.0), st.floats(0, 2000)
) | st.builds(Dosing, st.sampled_from("abcd"), st.floats(1e-3, 2.0), st.just(1.0), st.floats(0, 2000))


@given(services, st.lists(st.tuples(flows, st.lists(stores, min_size=1, max_size=4)), min_size=1, max_size=3))
def test_no_other_choice_of_tanks_is_cheaper(
    service: Service, offered: list[tuple[tuple[Draw, ...], list[Store]]]
) -> None:
    """Against every choice there is, priced by the upkeep itself."""

    def price(chosen: tuple[Store, ...]) -> float:
        plant = [
            Unit(own, store.volume_m3, 0.0, ("F1", 0.0)) for (own, _), store in zip(offered, chosen, strict=True)
        ]
        return sum(store.price for store in chosen) + upkeep(service, plant, NOZZLES).cost

    found = cheapest_stores(service, [own for own, _ in offered], [fit for _, fit in offered])
    best = min(price(chosen) for chosen in product(*(fit for _, fit in offered)))
    assert all(store in fit for store, (_, fit) in zip(found, offered, strict=True))
    assert price(found) == pytest.approx(best, rel=1e-9, abs=1e-6)


@given(services, flows, st.floats(1e-3, 5.0))
def test_twice_the_tank_lasts_twice_as_long(service: Service, own: tuple[Draw, ...], tank_m3: float) -> None:
    assert refill_days(service, own, 2 * tank_m3) == pytest.approx(2 * refill_days(service, own, tank_m3))
