"""What the command line shows: live progress, tables and lists. Text only; nothing is computed here but
layout.

Results go to standard output, progress and faults to standard error. Every number carries its unit.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field

from rich.console import Console
from rich.live import Live
from rich.table import Table
from rich.text import Text

from hydraulics.units import System, show
from optimizer.appraisal import explain_words, mist_words, yield_words
from optimizer.appraisal.explain import Explanation
from optimizer.appraisal.words import HEADING, MEANING, NONE, Cell, worth_remarks, worth_rows
from optimizer.cautions import BRIEF, CAUTIONS
from optimizer.design import Verification
from optimizer.instance import Inspection
from optimizer.progress import Progress, Report
from optimizer.report import frontier_table
from optimizer.report.comparison import Rows, count, figure_rows, percent_of, service_rows
from optimizer.study import Alternative, Study

_PLAIN_EVERY_S = 5.0  # at most one line an option in this time, unless its stage changes
_NUMBERS = ("best", "bound", "gap", "time")
COST_STAGES = ("run splits", "cost bound")
ENDS = ("done", "no design")  # stages after which nothing of an option goes on
_GAP_WIDTH = 2


@contextmanager
def progress_shown(console: Console) -> Iterator[Report]:
    """A report that shows each option's latest state: a live table on a terminal, throttled lines
    elsewhere."""
    board = _Board()
    if not console.is_terminal:
        yield _Lines(console).report
        return
    with Live(get_renderable=board.table, console=console, refresh_per_second=4, transient=True):
        yield board.report


@dataclass
class _Board:
    """The latest progress of each option, in the order in which they were first heard of."""

    since: float = field(default_factory=time.monotonic)
    latest: dict[str, tuple[Progress, float]] = field(default_factory=dict)

    def report(self, progress: Progress) -> None:
        self.latest[progress.option] = (progress, time.monotonic())

    def table(self) -> Table:
        table = Table(box=None, pad_edge=False, header_style="bold")
        for name in ("option", "stage", "best", "bound", "gap", "time", ""):
            table.add_column(name, justify="right" if name in _NUMBERS else "left", no_wrap=True)
        for progress, heard in self.latest.values():
            until = heard if progress.stage in ENDS else time.monotonic()
            table.add_row(*(Text(cell) for cell in _progress_cells(progress, until - self.since)))
        return table


@dataclass
class _Lines:
    """Progress as plain lines."""

    console: Console
    since: float = field(default_factory=time.monotonic)
    told: dict[str, tuple[str, float]] = field(default_factory=dict)

    def report(self, progress: Progress) -> None:
        stage, at = self.told.get(progress.option, ("", 0.0))
        now = time.monotonic()
        if progress.stage == stage and now - at < _PLAIN_EVERY_S:
            return
        self.told[progress.option] = (progress.stage, now)
        option, stage, best, bound, gap, elapsed, note = _progress_cells(progress, now - self.since)
        figures = [f"{name} {words}" for name, words in zip(_NUMBERS, (best, bound, gap), strict=False) if words]
        words = "  ".join(part for part in (f"{option}: {stage}", *figures, elapsed, note) if part)
        self.console.print(Text(words), soft_wrap=True)


def _progress_cells(progress: Progress, elapsed_s: float) -> tuple[str, ...]:
    """Option, stage, best, bound, gap, time since the study began, note."""
    return (
        progress.option or "all options",
        progress.stage,
        _figure(progress.incumbent, progress.stage),
        _figure(progress.bound, progress.stage),
        "" if progress.gap is None else percent_of(progress.gap, 2),
        f"{elapsed_s:.1f} s",
        progress.note,
    )


def _figure(value: float | None, stage: str) -> str:
    """A cost in the stages that look for cheap tubing, weighted square metres in all others."""
    if value is None:
        return ""
    return f"cost {value:,.0f}" if stage in COST_STAGES else f"{value:,.1f} m² weighted"


def show_study(study: Study, units: System, console: Console) -> None:
    """The alternatives side by side, then what must be known of each, then the cautions.

    Alternatives are columns; where the terminal is too narrow for all they stand in several tables.
    """
    console.print(Text(study.title, style="bold"))
    _show_tables(study.alternatives, figure_rows(study.currency, units), console)
    served = [one for one in study.alternatives if one.upkeep is not None]
    if served:
        console.print(Text("Service over the stated seasons", style="bold"))
        _show_tables(served, service_rows(study.currency, units), console)
    sampled = [one for one in study.alternatives if one.field_yield is not None]
    if sampled:
        console.print(Text(yield_words.HEADING, style="bold"))
        _show_tables(sampled, [(name, _of_yield(cell)) for name, cell in yield_words.field_rows(units)], console)
    _show_frontiers(study, units, console)
    designed = [one for one in study.alternatives if one.appraisal is not None]
    if designed:
        console.print(Text(HEADING, style="bold"))
        _show_tables(designed, [(name, _of_appraisal(cell)) for name, cell in worth_rows(units)], console)
        console.print(Text(explain_words.HEADING, style="bold"))
        _show_tables(designed, _hand_rows(study.currency, units), console)
        console.print(Text(explain_words.STEPS_HEADING, style="bold"))
        _show_tables(designed, _step_rows(study.currency, units), console)
    misted = [one for one in study.alternatives if one.mist is not None]
    if misted:
        console.print(Text(mist_words.HEADING, style="bold"))
        _show_tables(misted, [(name, _of_mist(cell)) for name, cell in mist_words.mist_rows()], console)
    for alternative in study.alternatives:
        _show_remarks(alternative, units, console)
    if sampled:
        console.print(Text(yield_words.MEANING))
    if designed:
        console.print(Text(f"{MEANING} {study.ranking.statement if study.ranking else ''}".rstrip()))
        console.print(Text(explain_words.MEANING))
        if misted:
            console.print(Text(mist_words.MEANING))
        if study.decision:
            console.print(Text(study.decision.statement))
    console.print(Text(f"Cautions: {' '.join(CAUTIONS)}", style="dim"))


def _show_frontiers(study: Study, units: System, console: Console) -> None:
    for heading, columns, rows in frontier_table.frontier_tables(study, units):
        table = Table(*columns, box=None, pad_edge=False)
        for row in rows:
            table.add_row(*map(Text, row))
        console.print(Text(heading, style="bold"))
        console.print(table)
        console.print()


def _of_mist(cell: mist_words.Cell) -> Callable[[Alternative], str]:
    return lambda one: NONE if one.mist is None else cell(one.mist)


def _of_appraisal(cell: Cell) -> Callable[[Alternative], str]:
    return lambda one: NONE if one.appraisal is None else cell(one.appraisal)


def _of_yield(cell: yield_words.Cell) -> Callable[[Alternative], str]:
    return lambda one: NONE if one.field_yield is None else cell(one.field_yield)


def _hand_rows(currency: str, units: System) -> Rows:
    def of_hand(cell: explain_words.Cell) -> Callable[[Alternative], str]:
        return lambda one: NONE if one.explanation is None else cell(one.explanation.by_hand)

    return [(name, of_hand(cell)) for name, cell in explain_words.hand_rows(units, currency)]


def _step_rows(currency: str, units: System) -> Rows:
    def of_explanation(cell: Callable[[Explanation], str]) -> Callable[[Alternative], str]:
        return lambda one: NONE if one.explanation is None else cell(one.explanation)

    return [(name, of_explanation(cell)) for name, cell in explain_words.step_rows(units, currency)]


def _show_tables(alternatives: Sequence[Alternative], rows: Rows, console: Console) -> None:
    for some in _tables(alternatives, rows, console.width):
        console.print(_comparison(some, rows))
        console.print()


def _tables(alternatives: Sequence[Alternative], rows: Rows, width: int) -> list[list[Alternative]]:
    """The alternatives, as many in a table as the width lets stand whole, at least one."""
    names = max(len(name) for name, _ in rows)
    tables: list[list[Alternative]] = []
    room = -1
    for one in alternatives:
        need = _GAP_WIDTH + max(len(one.option), *(len(cell(one)) for _, cell in rows))
        if room < need:
            tables.append([])
            room = width - names
        tables[-1].append(one)
        room -= need
    return tables


def _comparison(alternatives: Sequence[Alternative], rows: Rows) -> Table:
    table = Table(box=None, pad_edge=False)
    table.add_column("", no_wrap=True)
    for alternative in alternatives:
        table.add_column(Text(alternative.option), justify="right", overflow="fold")
    for name, cell in rows:
        table.add_row(Text(name), *(Text(cell(one), style=_style(name, one)) for one in alternatives))
    return table


def _style(row: str, alternative: Alternative) -> str:
    if row != "status":
        return ""
    return "bold green" if alternative.verified else "bold red"


def _show_remarks(alternative: Alternative, units: System, console: Console) -> None:
    appraised = worth_remarks(alternative.appraisal, units) if alternative.appraisal else ()
    explained = explain_words.explain_remarks(alternative.explanation) if alternative.explanation else ()
    misted = mist_words.mist_remarks(alternative.mist) if alternative.mist else ()
    reasons = [alternative.reason] if alternative.reason else []
    runs = alternative.running.remarks() if alternative.running else ()
    remarks = [*reasons, *alternative.rounds, *alternative.notes, *appraised, *explained, *runs, *misted]
    if remarks:
        console.print(Text(f"{alternative.option}: {alternative.title}", style="bold"))
        for remark in remarks:
            console.print(Text(f"  - {remark}"), soft_wrap=not console.is_terminal)


def show_inspection(found: Inspection, units: System, console: Console) -> None:
    """What a sound scenario holds."""
    console.print(Text(found.name, style="bold"))
    table = Table(box=None, pad_edge=False, show_header=False)
    for name, value in _inspection_rows(found, units):
        table.add_row(Text(name), Text(value))
    console.print(table)


def _inspection_rows(found: Inspection, units: System) -> Iterator[tuple[str, str]]:
    yield "site", show(found.boundary_area_m2, "area", units, 0)
    for name, area in found.zone_area_m2.items():
        yield f"zone {name}", show(area, "area", units, 0)
    for name, length in found.line_length_m.items():
        yield f"mounting line {name}", show(length, "length", units)
    yield "all mounting lines", show(sum(found.line_length_m.values()), "length", units)
    yield "candidate positions", count(found.candidate_count, "position")
    for reason, left in found.positions_left_out:
        yield f"  left out, {reason}", count(left, "position")
    yield "coverage cells", count(found.cell_count, "cell")
    yield "coverable area", show(found.coverable_area_m2, "area", units, 0)
    yield "pump sites", ", ".join(found.pump_sites)
    yield "ways for tubing", show(found.corridor_length_m, "length", units, 0)
    yield "junctions", count(found.junction_count, "junction")
    for name, nozzles in found.options:
        yield f"option {name}", f"at most {count(nozzles, 'nozzle')}"
    for rule, words in found.protection:
        yield f"rule {rule}", words


def show_verification(state: Verification, off: Sequence[str], units: System, console: Console) -> None:
    """What a design's re-check found: the state, every fault, every stored figure that is off."""
    low, high = (show(pressure, "pressure", units) for pressure in state.band_pa)
    least, most = (show(p, "pressure", units) for p in (state.min_pressure_pa, state.max_pressure_pa))
    flows = ", ".join(f"{circuit} {show(flow, 'flow', units)}" for circuit, flow in state.flow_m3_s.items())
    console.print(Text(f"pressure at the nozzles {least} to {most}, allowed {low} to {high}"))
    console.print(Text(f"flow {flows}; covered area {show(state.covered_area_m2, 'area', units)}"))
    kinds = (("below the band", state.low_faults), ("above the band", state.high_faults))
    for name, nozzles in kinds:
        if nozzles:
            console.print(Text(f"  - {name}: {', '.join(nozzles)}"), soft_wrap=True)
    for sentence in (*state.told_faults, *off):
        console.print(Text(f"  - {sentence}"), soft_wrap=True)
    sound = state.verified and not off
    words = "verified: every stored figure is what the full calculation gives" if sound else "NOT VERIFIED"
    console.print(Text(words, style="bold green" if sound else "bold red"))
    console.print(Text(BRIEF, style="dim"))
