"""The column beside the plan: north arrow and scale bar, the rows of the legend, cautions."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes

from geometry.site import Site
from hydraulics.units import FOOT_M
from optimizer.cautions import CAUTIONS
from optimizer.design import Design
from optimizer.report.legend import Row, legend_rows, rule_rows, run_rows, size_rows
from optimizer.report.sheet import COLUMN_MM, FRAME_MM, View, box, shape_mm, stroke, text
from optimizer.report.style import GREY, INK, PAPER
from optimizer.report.title_block import TOP_MM
from optimizer.report.works import Look

LEFT, RIGHT = COLUMN_MM + 5.0, FRAME_MM[2] - 5.0
_ROW_MM, _HEAD_MM, _CAUTION_MM = 4.7, 27.0, 2.7
_HEADING = 1.45  # a heading is this many rows high
_BAR_STEPS = (0.25, 0.5, 1, 2, 2.5, 5, 10, 20, 25, 50, 100, 200, 250)
_OF_PLAN = (
    "Drawn from the site file: check lengths, heights and obstacles on site before buying.",
    "Use tubing and fittings rated for the pump's limit.",
)
_SENTENCES = (*CAUTIONS, *_OF_PLAN)


def draw_column(axes: Axes, view: View, site: Site, design: Design, look: Look, lost: int) -> None:
    """Everything in the column above the title block; lost: nozzle numbers that found no room."""
    top, floor = FRAME_MM[3], TOP_MM + 4.5 + _CAUTION_MM * (len(_SENTENCES) + 1)
    draw_north(axes, LEFT + 6.0, top - 15.0)
    draw_scale_bar(axes, view, LEFT + 20.0, top - 12.0)
    rows = [*legend_rows(site, design, lost), *run_rows(design, look), *size_rows(design, look)]
    rows += rule_rows(design)
    _draw_rows(axes, rows, top - _HEAD_MM, floor + 2.0)
    text(axes, LEFT, floor - 1.0, "CAUTIONS", 5.4, bold=True)
    for index, line in enumerate(_SENTENCES, start=1):
        text(axes, LEFT, floor - 1.4 - _CAUTION_MM * index, f"•  {line}", 4.7)


def _draw_rows(axes: Axes, rows: Sequence[Row], top: float, floor: float) -> None:
    """Rows from the top down, lower ones where many must fit."""
    heights = [_HEADING if row.heading else 1.0 for row in rows]
    unit = min(_ROW_MM, (top - floor) / sum(heights))
    size = min(5.8, 1.36 * unit)
    for row, y in zip(rows, top - unit * np.cumsum(heights), strict=True):
        if row.sample is not None:
            row.sample(axes, LEFT, y)
        else:
            stroke(axes, np.array([(LEFT, y - 0.42 * unit), (RIGHT, y - 0.42 * unit)]), GREY, 0.4, 9.0)
        for offset, words in row.words:
            text(axes, LEFT + offset, y, words, 0.92 * size if row.heading else size, bold=row.heading)


def draw_north(axes: Axes, x: float, y: float) -> None:
    """Arrow to the north of the site's frame, which is up."""
    stroke(axes, np.array([(x, y - 6.0), (x, y + 3.0)]), INK, 0.9, 10.0)
    for side, colour in ((-2.4, INK), (2.4, PAPER)):
        half = [(x, y + 7.0), (x + side, y), (x, y + 1.4)]
        shape_mm(axes, half, 10.0, facecolor=colour, edgecolor=INK, linewidth=0.6)
    text(axes, x, y + 9.6, "N", 8.0, bold=True, ha="center")


def draw_scale_bar(axes: Axes, view: View, x: float, y: float) -> None:
    """The scale in words, and bars in metres and in feet."""
    text(axes, x, y + 5.6, f"SCALE 1:{view.scale} at A3", 6.0, bold=True)
    _draw_bar(axes, x, y, view, "m", 1.0)
    _draw_bar(axes, x, y - 8.0, view, "ft", FOOT_M)


def _draw_bar(axes: Axes, x: float, y: float, view: View, unit: str, unit_m: float) -> None:
    unit_mm = unit_m * 1000.0 / view.scale
    step = max((s for s in _BAR_STEPS if 4 * s * unit_mm <= RIGHT - x - 6.0), default=_BAR_STEPS[0])
    for index in range(4):
        colour = PAPER if index % 2 else INK
        box(axes, x + index * step * unit_mm, y, step * unit_mm, 1.5, facecolor=colour, edgecolor=INK, linewidth=0.5)
    for index in (0, 2, 4):
        words = f"{index * step:g} {unit}" if index == 4 else f"{index * step:g}"
        text(axes, x + index * step * unit_mm, y - 2.0, words, 4.8, ha="center")
