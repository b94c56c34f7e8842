"""The timetable of an alternative as a table for whoever sets the controllers: schedule.csv."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Sequence

from hydraulics.units import LITRE_M3
from optimizer.appraisal.operation import CircuitDay, Operation, PumpPlan
from optimizer.bid.quantities import caution_rows, plain_text
from optimizer.protection_table import Row
from optimizer.timetable import MINUTE_S

COLUMNS = ("pump", "circuit", "schedule", "cycle", "start", "seconds", "flow_L_min", "litres")


def schedule_csv(found: Operation, rules: Sequence[Row]) -> str:
    """RFC 4180 text, lines end with CR LF: a header, the openings of each circuit by their cycles, a row `day`
    for each circuit and each pump with its seconds and litres a day, then in the first column what must be known, the
    rules of protection and the cautions."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(COLUMNS)
    for plan in found.pumps:
        writer.writerows(_pump_rows(plan))
    for words in (*_notes(found), *(f"Rule: {row.words}" for row in rules)):
        writer.writerow((plain_text(words), *[""] * (len(COLUMNS) - 1)))
    writer.writerows(caution_rows(len(COLUMNS)))
    return out.getvalue()


def _pump_rows(plan: PumpPlan) -> Iterator[tuple[str, ...]]:
    """The openings of each circuit, and its day; the day of the pump."""
    for one in plan.circuits:
        flow = f"{one.flow_m3_s / LITRE_M3 * MINUTE_S:.3f}"
        cycle_litres = f"{one.flow_m3_s * one.cycle_s / LITRE_M3:.3f}"
        head = (plan.pump, one.circuit, plain_text(one.schedule))
        for number, start in enumerate(one.starts, start=1):
            yield (*head, str(number), start, f"{one.cycle_s:g}", flow, cycle_litres)
        yield (*head, "day", "", f"{_seconds(one):g}", flow, f"{one.litres_a_day:.3f}")
    yield (plan.pump, "", "", "day", "", f"{sum(map(_seconds, plan.circuits)):g}", "", f"{plan.litres_a_day:.3f}")


def _seconds(one: CircuitDay) -> float:
    return one.cycles_per_day * one.cycle_s


def _notes(found: Operation) -> Iterator[str]:
    for fault in found.faults:
        yield f"Fault: the timetable does not fit: {fault}"
    for plan in found.pumps:
        if plan.days_between_refills is not None:
            store = f"{plan.store} ({plan.store_litres:g} L) lasts {plan.days_between_refills:.1f} days"
            yield f"Note: {plan.pump} uses {plan.concentrate_litres_a_day:.3f} L of concentrate a day; {store}"
