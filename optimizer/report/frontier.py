"""Cost against coverage, and coverage against drift: the points of every option, and what none can pass."""

from __future__ import annotations

import textwrap

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, MaxNLocator

from optimizer.cautions import BRIEF, MIST_LIMITS
from optimizer.report.sheet import own_settings, svg_text
from optimizer.report.style import GREY, INK, PALE, RunStyle, run_styles
from optimizer.study import Alternative, Study

WIDTH_IN, HEIGHT_IN = 9.0, 6.0
LETTERS = 122  # of a line of small print
MARKERS = "osD^vP"
DOTS = (0, (2, 2))


def frontier_svg(study: Study) -> str | None:
    """The chart as SVG text, same study, same bytes; None where no alternative has a frontier."""
    drawn = [one for one in study.alternatives if one.frontier]
    if not drawn:
        return None
    with own_settings():
        figure = Figure(figsize=(WIDTH_IN, HEIGHT_IN))
        axes = figure.add_axes((0.1, 0.12, 0.86, 0.74))
        looks = run_styles((one.option, "") for one in drawn)
        for number, one in enumerate(drawn):
            _draw(axes, one, looks[one.option, ""], MARKERS[number % len(MARKERS)])
        _label(figure, axes, study)
        return svg_text(figure, f"{study.title}: cost against coverage")


def drift_svg(study: Study) -> str | None:
    """The chart of coverage against drift as SVG text, same study, same bytes; None where no alternative has points."""
    drawn = [(one, one.mist.calm.points) for one in study.alternatives if one.mist and one.mist.calm.points]
    if not drawn:
        return None
    with own_settings():
        figure = Figure(figsize=(WIDTH_IN, HEIGHT_IN))
        axes = figure.add_axes((0.1, 0.12, 0.86, 0.74))
        looks = run_styles((one.option, "") for one, _ in drawn)
        for number, (one, points) in enumerate(drawn):
            drift, colour = [100.0 * point.drift for point in points], looks[one.option, ""].colour
            bound, value = [point.bound_m2 for point in points], [point.value_m2 for point in points]
            axes.plot(drift, bound, color=colour, linewidth=0.7, linestyle=DOTS, zorder=2)
            line = axes.plot(drift, value, color=colour, linewidth=1.8, zorder=3, label=one.title)
            line[0].set(marker=MARKERS[number % len(MARKERS)], markersize=5.5)
        axes.set_xlabel("mist over the boundary, all winds together, % at most", color=INK)
        axes.set_ylabel("weighted area covered, m²", color=INK)
        words = f"Points are placements without run splits, drift is the model's with its bias. {MIST_LIMITS}"
        _finish(figure, axes, study, "no placement of so little drift covers more", words)
        return svg_text(figure, f"{study.title}: coverage against drift")


def _draw(axes: Axes, one: Alternative, look: RunStyle, marker: str) -> None:
    price = [point.price for point in one.frontier]
    share = [100.0 * point.weighted_share for point in one.frontier]
    whole = one.frontier[-1].weighted_area_m2 / max(1e-9, one.frontier[-1].weighted_share)
    bound = [100.0 * point.bound_weighted_m2 / whole for point in one.frontier]
    label = f"{one.title}: {one.frontier[0].nozzle_count} to {one.frontier[-1].nozzle_count} nozzles"
    axes.plot(price, bound, color=look.colour, linewidth=0.7, linestyle=DOTS, zorder=2)
    axes.plot(price, share, color=look.colour, linewidth=1.8, marker=marker, markersize=5.5, zorder=3, label=label)


def _label(figure: Figure, axes: Axes, study: Study) -> None:
    axes.set_xlabel(f"price, {study.currency}", color=INK)
    axes.set_ylabel("weighted area covered, % of the zones'", color=INK)
    axes.xaxis.set_major_locator(MaxNLocator(7))
    axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:,.0f}"))
    words = "Every point is a verified design; coverage is geometry, no claim of efficacy."
    _finish(figure, axes, study, "no design of that price covers more", words)


def _finish(figure: Figure, axes: Axes, study: Study, bound: str, words: str) -> None:
    axes.set_ylim(bottom=0.0)
    axes.grid(color=PALE, linewidth=0.5)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    axes.plot([], [], color=GREY, linewidth=0.7, linestyle=DOTS, label=bound)
    axes.legend(loc="lower right", frameon=False, fontsize=8.5)
    figure.text(0.1, 0.95, study.title, fontsize=13, fontweight="bold", color=INK)
    told = "\n".join([*textwrap.wrap(words, LETTERS), BRIEF])
    figure.text(0.1, 0.87, told, fontsize=8.5, color=GREY)
