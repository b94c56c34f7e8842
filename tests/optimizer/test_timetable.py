"""Timetables by hand, and what must hold for any: one circuit after the other, within the hours, every cycle once."""

from __future__ import annotations

import csv
import io
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from optimizer.bid.schedule import COLUMNS, schedule_csv
from optimizer.brief import Schedule
from optimizer.cautions import CAUTIONS
from optimizer.design import Design, Misting
from optimizer.protection import Stated
from optimizer.protection_table import Row
from optimizer.timetable import DAY_S, PumpDay, clock, pump_days
from tests.optimizer.drawn_design import example_design, example_site
from tests.optimizer.drawn_study import example_operation

DRAWN = example_design(example_site())
HOUR_S = 3600.0


def plant(*misting: Misting) -> Design:
    """A design whose first pump has these circuits; no network is needed here."""
    pump = replace(DRAWN.pumps[0], circuits=tuple(one.circuit for one in misting))
    return replace(DRAWN, pumps=(pump,), misting=misting)


def schedule(name: str, *hours: tuple[int, int]) -> Schedule:
    """A schedule with hours as whole hours after midnight."""
    return Schedule(name, tuple((60 * start, 60 * end) for start, end in hours))


def day(design: Design, *schedules: Schedule) -> PumpDay:
    (found,) = pump_days(design, schedules)
    return found


def told(found: PumpDay) -> list[tuple[str, int, str]]:
    return [(one.circuit, one.cycle, clock(one.start_s)) for one in found.openings]


# By hand


def test_cycles_are_spread_evenly_and_circuits_follow_each_other() -> None:
    """Two cycles in 17:30 to 22:30 are 2.5 h apart; the second circuit opens when the first is done."""
    evening = Schedule("evening", ((1050, 1350),))
    found = day(plant(Misting("C1", "evening", 2, 45.0), Misting("C2", "evening", 2, 45.0)), evening)
    assert told(found) == [("C1", 1, "17:30:00"), ("C2", 1, "17:30:45"), ("C1", 2, "20:00:00"), ("C2", 2, "20:00:45")]
    assert found.faults == ()


def test_two_windows_share_the_cycles() -> None:
    """Dawn and dusk of two hours each: four cycles are one an hour of what is permitted."""
    found = day(plant(Misting("C1", "both", 4, 60.0)), schedule("both", (5, 7), (19, 21)))
    assert [start for _, _, start in told(found)] == ["05:00:00", "06:00:00", "19:00:00", "20:00:00"]


def test_hours_past_midnight_are_one_stretch() -> None:
    """22:00 to 02:00 with four cycles: every hour, over midnight, without a cut."""
    found = day(plant(Misting("C1", "late", 4, 60.0)), schedule("late", (22, 26)))
    assert [start for _, _, start in told(found)] == ["22:00:00", "23:00:00", "00:00:00", "01:00:00"]


def test_circuits_of_two_schedules_keep_to_their_own_hours() -> None:
    """An hour of cycles at 6 and at 7 each; where the hours meet, at 7, one gives way to the other."""
    found = day(
        plant(Misting("C1", "early", 2, 1800.0), Misting("C2", "later", 2, 1800.0)),
        schedule("early", (6, 8)), schedule("later", (7, 9)),
    )  # fmt: skip
    assert told(found) == [("C1", 1, "06:00:00"), ("C2", 1, "07:00:00"), ("C1", 2, "07:30:00"), ("C2", 2, "08:00:00")]


def test_where_an_even_spread_leaves_no_room_all_move_up() -> None:
    """C1 may mist from 6 to 9, C2 from 6 to 7 only and all that time: C1 waits, two cycles of 50 min from 7 on."""
    found = day(
        plant(Misting("C1", "wide", 2, 3000.0), Misting("C2", "narrow", 1, HOUR_S)),
        schedule("wide", (6, 9)), schedule("narrow", (6, 7)),
    )  # fmt: skip
    assert found.faults == ()
    assert told(found) == [("C2", 1, "06:00:00"), ("C1", 1, "07:00:00"), ("C1", 2, "07:50:00")]


def test_the_time_to_come_up_to_pressure_is_kept_free() -> None:
    (found,) = pump_days(
        plant(Misting("C1", "e", 1, 45.0), Misting("C2", "e", 1, 45.0)), [schedule("e", (6, 7))], {"C1": 20.0}
    )
    assert told(found) == [("C1", 1, "06:00:00"), ("C2", 1, "06:01:05")]


def test_a_day_that_is_too_short_says_by_how_much() -> None:
    """Two circuits of 40 cycles of 60 s are 80 min; the hours hold 60: 20 min short."""
    found = day(plant(Misting("C1", "e", 40, 60.0), Misting("C2", "e", 40, 60.0)), schedule("e", (6, 7)))
    (fault,) = found.faults
    assert fault.startswith("P1: C1 and C2 need 80.0 min a day, the hours of e hold 60.0 min: 20.0 min short; give")


def test_a_shortfall_of_two_schedules_together_is_found() -> None:
    """Either fits its two hours, 6 to 8 and 7 to 9, alone with 100 min; both together need 200 of 180."""
    found = day(
        plant(Misting("C1", "a", 10, 600.0), Misting("C2", "b", 10, 600.0)),
        schedule("a", (6, 8)), schedule("b", (7, 9)),
    )  # fmt: skip
    (fault,) = found.faults
    assert "need 200.0 min a day, the hours of a and b hold 180.0 min: 20.0 min short" in fault


def test_cycles_that_no_stretch_holds_are_told_though_the_minutes_would_do() -> None:
    """Three cycles of 40 min into two stretches of an hour: 120 minutes for 120, but only one whole cycle fits each."""
    found = day(plant(Misting("C1", "e", 3, 2400.0)), schedule("e", (6, 7), (20, 21)))
    (fault,) = found.faults
    assert fault.startswith("P1: no order was found that leaves time for 1 of the cycles of C1 within its hours")


# What must hold for any

hours = st.lists(
    st.tuples(st.integers(0, 1439), st.integers(1, 1440)).map(lambda two: (two[0], two[0] + two[1])),
    min_size=1, max_size=3,
).map(tuple)  # fmt: skip
plants = st.lists(
    st.tuples(st.sampled_from("abc"), st.integers(1, 12), st.floats(1.0, 4000.0)), min_size=1, max_size=4
).map(lambda some: plant(*(Misting(f"C{k}", *one) for k, one in enumerate(some, start=1))))


def minutes_of(one: Schedule) -> set[int]:
    return {minute % 1440 for start, end in one.hours for minute in range(start, end)}


@given(plants, st.tuples(hours, hours, hours))
def test_one_circuit_at_a_time_within_its_hours_and_every_cycle_once(
    design: Design, some: tuple[tuple[tuple[int, int], ...], ...]
) -> None:
    """Hours checked minute by minute on the clock, the pump by the ends of what went before."""
    schedules = {name: Schedule(name, each) for name, each in zip("abc", some, strict=True)}
    found = day(design, *schedules.values())
    for one in found.openings:
        allowed = minutes_of(schedules[one.schedule])
        taken = range(int((one.start_s + 1e-3) // 60), int((one.end_s - 1e-3) // 60) + 1)
        assert all(minute % 1440 in allowed for minute in taken)
    for before, after in zip(found.openings, found.openings[1:], strict=False):
        assert before.end_s <= after.start_s + 1e-6
    if found.openings:
        assert found.openings[-1].end_s <= found.openings[0].start_s + DAY_S + 1e-6
    placed = {(one.circuit, one.cycle) for one in found.openings}
    assert len(placed) == len(found.openings)
    every = {(one.circuit, cycle) for one in design.misting for cycle in range(1, one.cycles_per_day + 1)}
    assert (placed == every) is (found.faults == ()) and placed <= every


@given(plants, st.tuples(hours, hours, hours))
def test_a_shortfall_is_no_less_than_what_any_schedule_lacks(
    design: Design, some: tuple[tuple[tuple[int, int], ...], ...]
) -> None:
    """Where the cycles of one schedule are more than its minutes, there is a fault, whatever the order."""
    schedules = [Schedule(name, each) for name, each in zip("abc", some, strict=True)]
    for one in schedules:
        need_s = sum(m.cycles_per_day * m.cycle_s for m in design.misting if m.schedule == one.name)
        if need_s > 60.0 * len(minutes_of(one)) + 1e-3:
            assert day(design, *schedules).faults


# The table


def test_the_table_has_every_opening_the_days_the_rules_and_the_cautions() -> None:
    """A circuit of 3e-5 m3/s gives 1.8 L/min and 1.35 L in 45 s; twice a day 2.7 L, of both pumps."""
    rules = [Row(Stated("wind_most", "", 3.0, "invented label"), None, None, ())]
    text = schedule_csv(example_operation(), rules)
    rows = list(csv.DictReader(io.StringIO(text, newline="")))
    assert tuple(rows[0]) == COLUMNS
    assert list(rows[0].values()) == ["P1", "C1", "always", "1", "05:00:00", "45", "1.800", "1.350"]
    assert list(rows[2].values()) == ["P1", "C1", "always", "day", "", "90", "1.800", "2.700"]
    assert list(rows[3].values()) == ["P1", "", "", "day", "", "90", "", "2.700"]
    notes = [row["pump"] for row in rows[8:]]
    assert notes[0] == "Note: P1 uses 0.014 L of concentrate a day; K100 (100 L) lasts 37.0 days"
    assert notes[2].startswith("Rule: wind speed at which misting stops: at most 3.0 m/s (6.7 mph) (invented label)")
    assert notes[3:] == [f"Caution: {words}" for words in CAUTIONS]


def test_a_timetable_that_does_not_fit_says_so_in_the_table() -> None:
    short = replace(example_operation(), fits=False, faults=("P1: 20.0 min short",))
    assert "Fault: the timetable does not fit: P1: 20.0 min short" in schedule_csv(short, ())


@pytest.mark.parametrize(("second", "words"), [(0.0, "00:00:00"), (86_461.0, "00:01:01"), (21_645.4, "06:00:45")])
def test_a_time_of_day(second: float, words: str) -> None:
    assert clock(second) == words
