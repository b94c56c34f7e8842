"""Installed cost against sums done by hand, and what must hold for any bill."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hydraulics.nozzle import NozzleCurve
from optimizer.catalogue import Catalogue, Fittings, NozzleType, Tubing, read_catalogue
from optimizer.costs import CostLine, SiteWork, TakeOff, Trench, bill, total, total_of, tube_cost_per_m
from optimizer.equipment import Controller, Dosing, Equipment, InLine, Reducer, Tank, ValveBox
from optimizer.pump_type import PumpType

SCENARIOS = Path(__file__).parents[2] / "scenarios"


def _catalogue() -> Catalogue:
    filter_, valve = InLine("F1", 1e4, 1e-4, 90.0), InLine("V1", 1e4, 1e-4, 60.0)
    return Catalogue(
        currency="USD",
        nozzles=(NozzleType("N1", NozzleCurve("N1", 1e-9, 5e5, 0.5), 3.0, "assumed", 360.0, 10.0),),
        tubing=(Tubing("T4", 0.004, 0.0, 4e6, 1.5, 2.0), Tubing("T6", 0.006, 0.0, 4e6, 2.5, 2.25)),
        fittings=Fittings(4.0, 0.6, 1.8, 3.0, 0.9, 2.5, 1.25, 0.5),
        filters=(filter_,),
        valves=(valve,),
        pumps=(PumpType("P1", 1e-4, 17e5, 1e6, 16e5, 2, 2000.0, filter_, valve, replace(valve, price=0.0)),),
    )


TAKE_OFF = TakeOff(
    nozzles=(("N1", 7), ("N1", 3)),
    tubing_m=(("T6", 20.0), ("T4", 12.5), ("T6", 10.0)),
    tees=9,
    elbows=2,
    couplings=1,
    plugs=4,
    trenches=(
        Trench("lawn", 6.0, 8.0),
        Trench("paving", 2.0, 30.0),
        Trench("lawn", 4.0, 8.0),
        Trench("lawn", 1.0, 9.0),
    ),
    sleeves=(SiteWork("sleeve of Lane link", 240.0),),
    pumps=(("P1", 1),),
    filters=(("F1", 1),),
    valves=(("V1", 2),),
    site_works=(SiteWork("water at Shed", 300.0),),
)


def test_bill_by_hand() -> None:
    lines = bill(TAKE_OFF, _catalogue())
    assert [(line.item, line.quantity, line.unit, line.unit_price, line.amount) for line in lines] == [
        ("N1", 10, "pc", 10.0, 100.0),
        ("tubing T6", 30.0, "m", 2.5, 75.0),
        ("tubing T4", 12.5, "m", 1.5, 18.75),
        ("fixing of tubing T6", 30.0, "m", 2.25, 67.5),
        ("fixing of tubing T4", 12.5, "m", 2.0, 25.0),
        ("tee", 9, "pc", 4.0, 36.0),
        ("elbow", 2, "pc", 3.0, 6.0),
        ("coupling", 1, "pc", 2.5, 2.5),
        ("plug", 4, "pc", 1.25, 5.0),
        ("trench in lawn", 10.0, "m", 8.0, 80.0),
        ("trench in paving", 2.0, "m", 30.0, 60.0),
        ("trench in lawn", 1.0, "m", 9.0, 9.0),
        ("sleeve of Lane link", 1, "pc", 240.0, 240.0),
        ("P1", 1, "pc", 2000.0, 2000.0),
        ("F1", 1, "pc", 90.0, 90.0),
        ("V1", 2, "pc", 60.0, 120.0),
        ("water at Shed", 1, "pc", 300.0, 300.0),
    ]


def test_totals_by_hand() -> None:
    lines = bill(TAKE_OFF, _catalogue())
    assert total(lines) == 3234.75
    assert total_of(lines, "tubing") == 186.25
    assert total_of(lines, "fittings") == 49.5
    assert total_of(lines, "ground") == 389.0
    assert total_of(lines, "pump unit") == 2210.0


def test_equipment_by_hand() -> None:
    """2 x 45 + 210 + 2 x 240 + 620 + 2 x 380 + 1 x 65 + 30 x 1.1 = 2258; without any for sale, what has a name of its
    own has no price, and the rest is in no bill."""
    sold = Equipment(
        reducers=(Reducer("R1", 1e4, 1e-4, 45.0, 9e5, 10e5, 0.5e5),),
        controllers=(Controller("C2", 2, 210.0),),
        tanks=(Tank("K200", 0.2, 240.0),),
        dosing=(Dosing("D1", 0.02, 1e-4, 620.0),),
        enclosure_price=380.0,
        valve_box=ValveBox(4, 65.0),
        wire_per_m=1.1,
    )
    more = TakeOff(
        reducers=(("R1", 2),),
        controllers=(("C2", 1),),
        tanks=(("K200", 1), ("K200", 1)),
        dosing=(("D1", 1),),
        enclosures=2,
        valve_boxes=1,
        wire_m=30.0,
    )
    lines = bill(more, replace(_catalogue(), equipment=sold))
    assert [(line.item, line.group, line.quantity, line.unit, line.amount) for line in lines] == [
        ("R1", "fittings", 2, "pc", 90.0),
        ("C2", "pump unit", 1, "pc", 210.0),
        ("K200", "pump unit", 2, "pc", 480.0),
        ("D1", "pump unit", 1, "pc", 620.0),
        ("enclosure", "pump unit", 2, "pc", 760.0),
        ("valve box", "field valves", 1, "pc", 65.0),
        ("wire", "field valves", 30.0, "m", pytest.approx(33.0)),
    ]
    assert total(lines) == pytest.approx(2258.0)
    assert bill(TakeOff(enclosures=2, valve_boxes=1, wire_m=30.0), _catalogue()) == ()


def test_nothing_costs_nothing() -> None:
    assert bill(TakeOff(), _catalogue()) == ()
    assert total(()) == 0.0


def test_what_nobody_sells_has_no_price() -> None:
    with pytest.raises(KeyError, match="N9"):
        bill(TakeOff(nozzles=(("N9", 1),)), _catalogue())


def test_a_metre_of_tubing_includes_its_clips() -> None:
    """By hand: 2.5 + 2.25."""
    assert tube_cost_per_m(_catalogue().tube("T6")) == 4.75


counts = st.integers(0, 500)
metres = st.floats(0, 5000, allow_nan=False)
names = st.sampled_from(["T4", "T6"])
trenches = st.builds(Trench, st.sampled_from(["lawn", "bed"]), metres, st.floats(0, 99))
take_offs = st.builds(
    TakeOff,
    nozzles=st.lists(st.tuples(st.just("N1"), counts), max_size=4).map(tuple),
    tubing_m=st.lists(st.tuples(names, metres), max_size=6).map(tuple),
    tees=counts,
    elbows=counts,
    plugs=counts,
    trenches=st.lists(trenches, max_size=5).map(tuple),
)


@given(take_offs, take_offs)
def test_two_take_offs_cost_what_each_costs(one: TakeOff, other: TakeOff) -> None:
    """Prices are linear: the bill of both together is the sum of the bills."""
    both = TakeOff(
        nozzles=one.nozzles + other.nozzles,
        tubing_m=one.tubing_m + other.tubing_m,
        tees=one.tees + other.tees,
        elbows=one.elbows + other.elbows,
        plugs=one.plugs + other.plugs,
        trenches=one.trenches + other.trenches,
    )
    sold = _catalogue()
    apart = total(bill(one, sold)) + total(bill(other, sold))
    assert total(bill(both, sold)) == pytest.approx(apart, rel=1e-9, abs=1e-9)


@given(take_offs)
def test_every_line_multiplies_and_none_is_empty(take_off: TakeOff) -> None:
    lines: tuple[CostLine, ...] = bill(take_off, _catalogue())
    assert all(line.amount == line.quantity * line.unit_price and line.quantity > 0 for line in lines)


def test_bigger_tubing_of_the_demo_costs_more() -> None:
    """common practice, no source: the price of tubing rises with its bore."""
    tubing = sorted(read_catalogue(SCENARIOS / "catalogue.toml").tubing, key=lambda tube: tube.bore_m)
    prices = [tube_cost_per_m(tube) for tube in tubing]
    assert prices == sorted(set(prices))
