"""Timetables: for each pump one circuit after the other, every cycle within the permitted hours of its schedule.

Cycles are spread evenly over the hours and give way to each other on the pump; where that leaves no room for some, all
start as early as they can, the schedule with the fewest hours first.
"""

from __future__ import annotations

from bisect import insort
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

from optimizer.brief import Schedule
from optimizer.design import Design, Misting, Pump

DAY_S = 86_400.0
MINUTE_S = 60.0
MOST_TOGETHER = 10  # schedules of one pump: every set of them is looked at for a shortfall
_TOUCH_S = 1e-6

Hours = tuple[tuple[float, float], ...]  # from, to in seconds, in order and apart
Leads = Mapping[str, float]  # by circuit: seconds in which its tubing comes up to pressure, before it mists


@dataclass(frozen=True)
class Opening:
    """A circuit opens at start_s after midnight (past 86,400: of the next day), comes up to pressure in lead_s and then
    mists for mist_s. cycle: counted from 1."""

    circuit: str
    schedule: str
    cycle: int
    start_s: float
    lead_s: float
    mist_s: float

    @property
    def takes_s(self) -> float:
        """How long the pump is at it."""
        return self.lead_s + self.mist_s

    @property
    def end_s(self) -> float:
        """When the pump is free again."""
        return self.start_s + self.takes_s


@dataclass(frozen=True)
class PumpDay:
    """A pump's day: its openings by their start, and what finds no time, in words."""

    pump: str
    openings: tuple[Opening, ...]
    faults: tuple[str, ...]


def pump_days(design: Design, schedules: Sequence[Schedule], leads: Leads | None = None) -> tuple[PumpDay, ...]:
    """The day of each pump of a design that knows its misting; leads: 0 where a circuit has none."""
    hours = {one.name: _joined((start * MINUTE_S, end * MINUTE_S) for start, end in one.hours) for one in schedules}
    misting = {one.circuit: one for one in design.misting}
    return tuple(_day(pump, misting, hours, leads or {}) for pump in design.pumps)


def clock(second: float) -> str:
    """A time of day, to the second: "06:00:45"."""
    whole = round(second) % round(DAY_S)
    return f"{whole // 3600:02d}:{whole // 60 % 60:02d}:{whole % 60:02d}"


def _day(pump: Pump, misting: Mapping[str, Misting], hours: Mapping[str, Hours], leads: Leads) -> PumpDay:
    own = [misting[circuit] for circuit in pump.circuits if circuit in misting]
    open_in = _from_a_gap({one.schedule: hours[one.schedule] for one in own})
    asked = [job for one in own for job in _cycles(one, open_in[one.schedule], leads.get(one.circuit, 0.0))]
    placed, lost = _placed(sorted(asked, key=lambda job: (job.start_s, job.cycle)), open_in)
    if lost:
        early = [replace(job, start_s=open_in[job.schedule][0][0]) for job in asked]
        placed, lost = _placed(sorted(early, key=lambda job: (_length(open_in[job.schedule]), job.cycle)), open_in)
    return PumpDay(pump.id, placed, tuple(_faults(pump, asked, lost, open_in)))


def _cycles(one: Misting, hours: Hours, lead_s: float) -> Iterator[Opening]:
    """Every cycle of a circuit, spread evenly over its hours, on whole minutes."""
    apart_s = _length(hours) / one.cycles_per_day
    for cycle in range(one.cycles_per_day):
        start_s = _after(hours, cycle * apart_s // MINUTE_S * MINUTE_S)
        yield Opening(one.circuit, one.schedule, cycle + 1, start_s, lead_s, one.cycle_s)


def _placed(jobs: Iterable[Opening], hours: Mapping[str, Hours]) -> tuple[tuple[Opening, ...], list[Opening]]:
    """The jobs, one by one where the pump is free: at the time they ask for or as soon as can be after it, else as soon
    as can be in the day; and those that find no time."""
    taken: list[tuple[float, float]] = []
    placed, lost = [], []
    for job in jobs:
        start_s = _first_free(hours[job.schedule], taken, job.takes_s, job.start_s)
        if start_s is None:
            start_s = _first_free(hours[job.schedule], taken, job.takes_s, 0.0)
        if start_s is None:
            lost.append(job)
            continue
        insort(taken, (start_s, start_s + job.takes_s))
        placed.append(replace(job, start_s=start_s))
    return tuple(sorted(placed, key=lambda job: job.start_s)), lost


def _first_free(
    hours: Hours, taken: Sequence[tuple[float, float]], takes_s: float, since_s: float
) -> float | None:
    """The earliest start from since_s on at which the pump is free for so long within the hours."""
    for opens, closes in hours:
        start_s = max(opens, since_s)
        for begins, ends in taken:
            if begins >= start_s + takes_s - _TOUCH_S:
                break
            if ends > start_s + _TOUCH_S:
                start_s = ends
        if start_s + takes_s <= closes + _TOUCH_S:
            return start_s
    return None


def _faults(pump: Pump, asked: Sequence[Opening], lost: Sequence[Opening], hours: Mapping[str, Hours]) -> Iterator[str]:
    """What finds no time: schedules whose hours are too short together, or that no order was found."""
    if not lost:
        return
    short_s, together = max((_shortfall_s(asked, some, hours), some) for some in _sets(sorted(hours)))
    if short_s > _TOUCH_S:
        circuits = sorted({job.circuit for job in asked if job.schedule in together})
        need_s = sum(job.takes_s for job in asked if job.schedule in together)
        yield (
            f"{pump.id}: {' and '.join(circuits)} need {_minutes(need_s)} a day, the hours of {' and '.join(together)} "
            f"hold {_minutes(need_s - short_s)}: {_minutes(short_s)} short; give them fewer or shorter cycles, longer "
            "hours or a pump more"
        )
        return
    for circuit in sorted({job.circuit for job in lost}):
        count = sum(job.circuit == circuit for job in lost)
        yield (
            f"{pump.id}: no order was found that leaves time for {count} of the cycles of {circuit} within its hours; "
            "give its schedule fewer or shorter cycles, or longer hours"
        )


def _shortfall_s(asked: Sequence[Opening], together: tuple[str, ...], hours: Mapping[str, Hours]) -> float:
    """What these schedules ask for above all the time in which one of them may mist."""
    need_s = sum(job.takes_s for job in asked if job.schedule in together)
    return need_s - _length(_joined(one for name in together for one in hours[name]))


def _sets(names: Sequence[str]) -> Iterator[tuple[str, ...]]:
    """Every set of a few names; of many each alone and all."""
    sizes = range(1, len(names) + 1) if len(names) <= MOST_TOGETHER else (1, len(names))
    yield from (some for size in sizes for some in combinations(names, size))


def _from_a_gap(hours: Mapping[str, Hours]) -> dict[str, Hours]:
    """The hours of each schedule in a day that begins when no schedule may mist, so that none is cut in two: at
    midnight unless hours run over it, or there is no such time."""
    folded = {name: _folded(some) for name, some in hours.items()}
    all_hours = _joined(one for some in folded.values() for one in some)
    over_midnight = bool(all_hours) and all_hours[0][0] == 0.0 and all_hours[-1][1] == DAY_S
    start_s = next((ends for _, ends in all_hours if over_midnight and ends < DAY_S), 0.0)
    return {
        name: _joined((begins + DAY_S, ends + DAY_S) if begins < start_s else (begins, ends) for begins, ends in some)
        for name, some in folded.items()
    }


def _folded(hours: Hours) -> Hours:
    """Hours past midnight cut there and brought into one day."""
    parts = [(begins, min(ends, DAY_S)) for begins, ends in hours if begins < DAY_S]
    parts += [(max(begins, DAY_S) - DAY_S, ends - DAY_S) for begins, ends in hours if ends > DAY_S]
    return _joined(parts)


def _joined(hours: Iterable[tuple[float, float]]) -> Hours:
    """In order, those that touch joined."""
    found: list[tuple[float, float]] = []
    for begins, ends in sorted(hours):
        if found and begins <= found[-1][1]:
            found[-1] = (found[-1][0], max(found[-1][1], ends))
        else:
            found.append((begins, ends))
    return tuple(found)


def _length(hours: Hours) -> float:
    return sum(ends - begins for begins, ends in hours)


def _after(hours: Hours, permitted_s: float) -> float:
    """The time at which so much of the hours has passed; the later window's start where it falls between two."""
    for begins, ends in hours:
        if permitted_s < ends - begins:
            return begins + permitted_s
        permitted_s -= ends - begins
    return hours[-1][1]


def _minutes(seconds: float) -> str:
    return f"{seconds / MINUTE_S:.1f} min"
