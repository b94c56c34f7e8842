"""The title block: what this sheet shows, its main figures, whether it is proven, and room for who answers
for it."""

from __future__ import annotations

import textwrap

import numpy as np
from matplotlib.axes import Axes

from hydraulics.units import show
from optimizer.design import Design
from optimizer.report.labels import text_size_mm
from optimizer.report.sheet import COLUMN_MM, FRAME_MM, box, stroke, text
from optimizer.report.style import GREY, INK, PAPER, WARNING

TOP_MM = FRAME_MM[1] + 65.5
_LEFT, _RIGHT, _MIDDLE = COLUMN_MM, FRAME_MM[2], (COLUMN_MM + FRAME_MM[2]) / 2
_FIELD_MM = 8.0


def draw_title_block(axes: Axes, design: Design, title: str, subtitle: str) -> None:
    """Fill the lower part of the column."""
    _rule(axes, TOP_MM, 1.2)
    text(axes, _LEFT + 3.0, TOP_MM - 3.2, "PLAN OF MISTING NOZZLES AND TUBING", 4.8, colour=GREY, bold=True)
    _fit(axes, TOP_MM - 8.6, title, 10.5, bold=True)
    _fit(axes, TOP_MM - 14.4, subtitle, 7.0)
    y = TOP_MM - 18.4
    for index, (name, value) in enumerate(_figures(design)):
        column, row = index % 2, index // 2
        _field(axes, _LEFT if column == 0 else _MIDDLE, y - row * _FIELD_MM, name, value)
    y -= _FIELD_MM * ((len(_figures(design)) + 1) // 2)
    _draw_verdict(axes, design, y)
    _draw_signatures(axes)


def _figures(design: Design) -> list[tuple[str, str]]:
    state = design.verification
    (low, high), covered = state.band_pa, state.covered_area_m2
    pumps = ", ".join(f"{pump.id} {_both(pump.set_pressure_pa)}" for pump in design.pumps)
    flows = " + ".join(show(flow, "flow", "metric") for flow in state.flow_m3_s.values())
    return [
        ("Nozzles", f"{len(design.nozzles)} × {design.nozzle.name}"),
        (
            "Covered area",
            f"{show(covered, 'area', 'metric', 0)} ({show(covered, 'area', 'us', 0)})",
        ),
        ("Pressure allowed at nozzles", _both(low, high)),
        ("Pressure computed at nozzles", _both(state.min_pressure_pa, state.max_pressure_pa)),
        ("Set pressure", pumps),
        ("Flow by circuit", flows),
    ]


def _both(*pressures_pa: float) -> str:
    """One pressure or a range, in bar and in psi."""
    bar = "–".join(show(p, "pressure", "metric", 2).removesuffix(" bar") for p in pressures_pa)
    psi = "–".join(show(p, "pressure", "us", 0).removesuffix(" psi") for p in pressures_pa)
    return f"{bar} bar ({psi} psi)"


def _field(axes: Axes, x: float, y: float, name: str, value: str) -> None:
    box(axes, x, y - _FIELD_MM, _MIDDLE - _LEFT, _FIELD_MM, facecolor="none", edgecolor=GREY, linewidth=0.4)
    text(axes, x + 3.0, y - 2.4, name, 4.2, colour=GREY)
    lines = [value] if len(value) <= 32 else textwrap.wrap(value, 46)
    size, step = {1: (6.0 if len(value) <= 32 else 4.6, 0.0), 2: (4.6, 2.1)}.get(len(lines), (3.4, 1.5))
    for index, line in enumerate(lines):
        text(axes, x + 3.0, y - 5.4 - (index - (len(lines) - 1) / 2) * step, line, size)


def _draw_verdict(axes: Axes, design: Design, y: float) -> None:
    """VERIFIED with its residuals, or UNVERIFIED in red with the faults counted."""
    state, height = design.verification, 9.0
    colour = INK if state.verified else WARNING
    box(axes, _LEFT, y - height, _RIGHT - _LEFT, height, facecolor=colour, edgecolor=colour, linewidth=0.4)
    if state.verified:
        word, reason = "VERIFIED", "Every nozzle's pressure by the full nonlinear state; covered area exact."
    else:
        counts = (
            (state.low_faults, "too low"),
            (state.high_faults, "too high"),
            (state.pump_faults, "at the pumps"),
            (state.run_faults, "of run rules"),
            (state.tubing_faults, "of tubing"),
            (state.protection_faults, "of protection"),
            (state.drift_faults, "of drift"),
        )
        reason = "Do not build. Faults: " + ", ".join(f"{len(faults)} {what}" for faults, what in counts if faults)
        word = "UNVERIFIED"
    text(axes, _LEFT + 3.0, y - 3.2, word, 8.0, colour=PAPER, bold=True)
    text(axes, _LEFT + 3.0, y - 6.9, reason, 4.8, colour=PAPER)


def _draw_signatures(axes: Axes) -> None:
    """Empty fields: this program answers for figures, a licensed person for the design."""
    left, width, height = _LEFT, (_RIGHT - _LEFT) / 3, 12.0
    for index, name in enumerate(("Checked by", "Licence", "Date")):
        box(
            axes,
            left + index * width,
            FRAME_MM[1],
            width,
            height,
            facecolor="none",
            edgecolor=GREY,
            linewidth=0.4,
        )
        text(axes, left + index * width + 3.0, FRAME_MM[1] + height - 2.4, name, 4.2, colour=GREY)


def _fit(axes: Axes, y: float, words: str, size_pt: float, bold: bool = False) -> None:
    """A line of text, smaller where it would not fit, cut short where even that does not help."""
    room, least = _RIGHT - _LEFT - 6.0, 0.6 * size_pt
    while (width := text_size_mm(words, least, bold)[0]) > room:
        words = words[: int(len(words) * room / width) - 1].rstrip() + "…"
    size = min(size_pt, least * room / width) if width else size_pt
    text(axes, _LEFT + 3.0, y, words, size, bold=bold)


def _rule(axes: Axes, y: float, width_pt: float) -> None:
    stroke(axes, np.array([(_LEFT, y), (_RIGHT, y)]), INK, width_pt, 9.0)
