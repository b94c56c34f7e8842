"""The tornado of an alternative: what each source of difference does to its worst nozzle, by itself, at both ends."""

from __future__ import annotations

from textwrap import shorten

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from hydraulics.units import BAR_PA, show, show_both
from optimizer.cautions import BRIEF
from optimizer.report.sheet import own_settings, svg_text
from optimizer.report.style import GREY, INK, PALE, PAPER, WARNING
from optimizer.yields import Bar, FieldYield

WIDTH_IN, BAR_IN, AROUND_IN = 9.0, 0.42, 2.0
LOW_END, HIGH_END = "#0072b2", "#e69f00"  # Okabe and Ito (2008), as the runs of the plan
BAR_HEIGHT = 0.62
WHOLE_TITLE, MOST_TITLE = 76, 130  # characters of a title that fit in full size, and at all


def tolerance_svg(found: FieldYield, title: str) -> str:
    """The chart as SVG text, same figures, same bytes."""
    with own_settings():
        height = AROUND_IN + BAR_IN * max(3, len(found.tornado))
        figure = Figure(figsize=(WIDTH_IN, height))
        axes = figure.add_axes((0.24, 0.6 / height, 0.73, 1.0 - 1.8 / height))
        for row, bar in enumerate(found.tornado):
            _draw(axes, bar, row, found.drawn_pa)
        _edges(axes, found)
        _label(figure, axes, found, title, height)
        return svg_text(figure, f"{title}: what moves the worst nozzle")


def _draw(axes: Axes, bar: Bar, row: int, drawn_pa: float) -> None:
    """From the pressure as drawn to the low end and to the high end of the source; where both lie on one side the
    nearer lies upon the farther and is named on the other side."""
    ends = [(bar.at_low_pa, bar.low, LOW_END), (bar.at_high_pa, bar.high, HIGH_END)]
    ends.sort(key=lambda end: -abs(end[0] - drawn_pa))
    one_side = (ends[0][0] - drawn_pa) * (ends[1][0] - drawn_pa) > 0
    for number, (at_pa, words, colour) in enumerate(ends):
        width = (at_pa - drawn_pa) / BAR_PA
        axes.barh(row, width, left=drawn_pa / BAR_PA, height=BAR_HEIGHT, color=colour, zorder=3)
        across = one_side and number == 1
        to_right = (width > 0) is not across
        start = drawn_pa if across else at_pa
        if at_pa != drawn_pa:
            axes.annotate(
                words, (start / BAR_PA, row), (4 if to_right else -4, 0), textcoords="offset points",
                ha="left" if to_right else "right", va="center", fontsize=7.5, color=INK, zorder=5,
                bbox={"facecolor": PAPER, "edgecolor": "none", "pad": 0.6},
            )  # fmt: skip


def _edges(axes: Axes, found: FieldYield) -> None:
    axes.axvline(found.drawn_pa / BAR_PA, color=INK, linewidth=1.0, zorder=4)
    axes.axvline(found.low_pa / BAR_PA, color=WARNING, linewidth=1.4, linestyle=(0, (5, 2)), zorder=2)
    ends = [found.low_pa, found.drawn_pa, *(p for bar in found.tornado for p in (bar.at_low_pa, bar.at_high_pa))]
    least, most = min(ends) / BAR_PA, max(ends) / BAR_PA
    room = 0.32 * max(most - least, 0.02)
    axes.set_xlim(least - room, most + room)
    axes.set_ylim(max(3, len(found.tornado)) - 0.5, -0.7)


def _label(figure: Figure, axes: Axes, found: FieldYield, title: str, height: float) -> None:
    axes.set_yticks(range(len(found.tornado)), [bar.source for bar in found.tornado], color=INK, fontsize=8.5)
    axes.set_xlabel("pressure at the worst nozzle, bar", color=INK)
    axes.grid(color=PALE, linewidth=0.5, axis="x")
    for side in ("top", "right", "left"):
        axes.spines[side].set_visible(False)
    axes.tick_params(axis="y", length=0)
    for colour, words in ((LOW_END, "source at its low end"), (HIGH_END, "source at its high end")):
        axes.barh([0], [0], color=colour, label=words)
    axes.plot([], [], color=INK, linewidth=1.0, label=f"as drawn, {show(found.drawn_pa, 'pressure', 'metric')}")
    edge = f"low edge of the band, {show_both(found.low_pa, 'pressure')}"
    axes.plot([], [], color=WARNING, linewidth=1.4, linestyle=(0, (5, 2)), label=edge)
    axes.legend(loc="lower left", bbox_to_anchor=(-0.3, 1.0), ncol=4, frameon=False, fontsize=7.5, columnspacing=1.2)
    share, (low, high) = 100.0 * found.share, (100.0 * end for end in found.interval)
    shown = shorten(title, MOST_TITLE, placeholder=" ...")
    size = 13.0 * min(1.0, WHOLE_TITLE / len(shown))
    figure.text(0.03, 1.0 - 0.32 / height, shown, fontsize=size, fontweight="bold", color=INK)
    words = (
        f"Yield {share:.1f} % ({low:.1f} to {high:.1f} %): in that share of {found.samples} sampled plants no nozzle "
        f"falls below the band. Each bar: one source at its two ends, all else as drawn.\n{BRIEF}"
    )
    figure.text(0.03, 1.0 - 0.78 / height, words, fontsize=8, color=GREY)
