"""The drift rose of an alternative: the winds of the misting hours, and what each of them carries off the site."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import matplotlib
import numpy as np
from matplotlib.figure import Figure
from matplotlib.patches import Patch
from matplotlib.projections.polar import PolarAxes
from matplotlib.ticker import MaxNLocator

from optimizer.appraisal.misted import MistAccount, WindFate
from optimizer.cautions import BRIEF, MIST_LIMITS
from optimizer.drift import OVER
from optimizer.report.sheet import Picture, own_settings, picture
from optimizer.report.style import GREY, INK, PALE, PAPER, WARNING

WIDTH_IN, HEIGHT_IN = 11.0, 7.4
KEPT, FREE = "#54278f", "#bcbddc"
_COMPASS = ("N", "NE", "E", "SE", "S", "SW", "W", "NW")
_NARROWEST_DEG, _WIDEST_DEG = 12.0, 40.0
_SPEEDS_HUE, _PALEST, _DARKEST = "Greys", 0.3, 0.9
_LETTERS = 158  # to a line


@dataclass(frozen=True)
class Petal:
    """All winds of one bearing, and means over them by their hours, as shares of all mist."""

    from_deg: float
    winds: tuple[WindFate, ...]

    @property
    def kept(self) -> float:
        """Over the boundary, of drops that keep their water."""
        return self._mean([wind.no_evaporation.over_boundary for wind in self.winds])

    @property
    def claimed(self) -> float:
        """The same with what the model may tell too little."""
        return self._mean([wind.over_boundary_most for wind in self.winds])

    @property
    def carried(self) -> float:
        """Share of what free drops carry that goes over."""
        return self._mean([wind.free_drops.carried_over for wind in self.winds])

    def _mean(self, shares: Sequence[float]) -> float:
        weights = [wind.share for wind in self.winds]
        return float(np.average(shares, weights=weights if sum(weights) > 0.0 else None))


def petals(winds: Sequence[WindFate]) -> list[Petal]:
    """One for each bearing, clockwise from north."""
    of: dict[float, list[WindFate]] = {}
    for wind in winds:
        of.setdefault(round((wind.from_deg or 0.0) % 360.0, 6) % 360.0, []).append(wind)
    return [Petal(bearing, tuple(of[bearing])) for bearing in sorted(of)]


def drift_rose_picture(mist: MistAccount, title: str, subtitle: str) -> Picture:
    """Two roses side by side, of the winds and of the drift, as SVG and PNG; same input, same bytes."""
    with own_settings():
        figure = Figure(figsize=(WIDTH_IN, HEIGHT_IN), facecolor=PAPER)
        drawn = petals(mist.winds)
        width = math.radians(_width_deg([petal.from_deg for petal in drawn]))
        _draw_winds(figure, drawn, width)
        _draw_drift(figure, mist, drawn, width)
        _letter(figure, mist, title, subtitle)
        return picture(figure, f"{title}: {subtitle}: drift by wind")


def _width_deg(bearings: Sequence[float]) -> float:
    """Of a petal: less than the least gap between bearings, but wide enough to be seen, if neighbours then overlap."""
    gap = min(high - low for low, high in zip(bearings, [*bearings[1:], bearings[0] + 360.0], strict=True))
    return min(_WIDEST_DEG, max(_NARROWEST_DEG, 0.8 * gap))


def _free_bearing_deg(bearings: Sequence[float]) -> float:
    """The middle of the widest gap between petals."""
    gaps = [(high - low, low) for low, high in zip(bearings, [*bearings[1:], bearings[0] + 360.0], strict=True)]
    gap, low = max(gaps, key=lambda pair: (round(pair[0], 6), -pair[1]))
    return low + gap / 2


def _draw_winds(figure: Figure, drawn: Sequence[Petal], width: float) -> None:
    """Share of the misting hours by bearing, darker the faster."""
    axes = _polar(figure, 0.06, "Winds of the misting hours, % of them")
    speeds = sorted({wind.speed_m_s or 0.0 for petal in drawn for wind in petal.winds})
    depths = np.linspace(_PALEST, _DARKEST, len(speeds)) if len(speeds) > 1 else [0.6]
    colours = dict(zip(speeds, (matplotlib.colormaps[_SPEEDS_HUE](depth) for depth in depths), strict=True))
    for petal in drawn:
        inner = 0.0
        for wind in sorted(petal.winds, key=lambda wind: wind.speed_m_s or 0.0):
            look: dict[str, Any] = {"color": colours[wind.speed_m_s or 0.0], "linewidth": 0.5}
            axes.bar(math.radians(petal.from_deg), 100.0 * wind.share, width, 100.0 * inner, **look)
            inner += wind.share
    _tell_rings(axes, drawn)
    _sign(axes, [Patch(color=colours[speed], label=f"{speed:g} m/s") for speed in speeds], min(len(speeds), 5))


def _draw_drift(figure: Figure, mist: MistAccount, drawn: Sequence[Petal], width: float) -> None:
    """Share of all mist over the boundary in each wind, both ends, with what the model may tell too little."""
    axes = _polar(figure, 0.54, "Mist over the boundary in wind from there, % of all")
    signs = [
        Patch(color=KEPT, label="drops that keep their water"),
        Patch(color=FREE, label="load of free drops"),
        Patch(color=INK, label=f"first with the model's margin, {100.0 * mist.bias:.0f} %"),
    ]
    for petal in drawn:
        angle = math.radians(petal.from_deg)
        axes.bar(angle, 100.0 * petal.carried, width, color=FREE, edgecolor=PAPER, linewidth=0.5, zorder=2)
        axes.bar(angle, 100.0 * petal.kept, 0.6 * width, color=KEPT, edgecolor=PAPER, linewidth=0.5, zorder=3)
        arc = np.linspace(angle - 0.4 * width, angle + 0.4 * width, 9)
        axes.plot(arc, np.full(9, 100.0 * petal.claimed), color=INK, linewidth=1.5, zorder=4)
        place: dict[str, Any] = {"ha": "center", "va": "center", "zorder": 6}
        words = f"{100.0 * petal.claimed:.0f}"
        axes.text(angle, 100.0 * petal.claimed + 6.0, words, fontsize=7.0, color=INK, **place)
    for limit in mist.limits:
        if limit.name == OVER:
            around = np.linspace(0.0, 2.0 * np.pi, 361)
            axes.plot(around, np.full(361, 100.0 * limit.most), color=WARNING, linewidth=1.2, zorder=5)
            signs.append(Patch(color=WARNING, label=f"most allowed of the mean, {100.0 * limit.most:g} %"))
    axes.set_rlim(0.0, 100.0 * min(1.05, max(max(petal.carried, petal.claimed) for petal in drawn) + 0.12))
    _tell_rings(axes, drawn)
    _sign(axes, signs, 2)


def _tell_rings(axes: PolarAxes, drawn: Sequence[Petal]) -> None:
    """What the rings stand for, over the petals, where the gap between these is widest."""
    angle = math.radians(_free_bearing_deg([petal.from_deg for petal in drawn]))
    back = {"facecolor": PAPER, "edgecolor": "none", "alpha": 0.85, "pad": 0.8}
    for ring in axes.get_yticks():
        if 0.0 < ring < axes.get_rmax():
            place: dict[str, Any] = {"ha": "center", "va": "center", "zorder": 7, "bbox": back}
            axes.text(angle, float(ring), f"{ring:g}", fontsize=6.5, color=GREY, **place)


def _sign(axes: PolarAxes, signs: Sequence[Patch], columns: int) -> None:
    place: dict[str, Any] = {"loc": "upper center", "bbox_to_anchor": (0.5, -0.08)}
    axes.legend(handles=signs, ncols=columns, frameon=False, fontsize=8.0, **place)


def _polar(figure: Figure, left: float, title: str) -> PolarAxes:
    axes = figure.add_axes((left, 0.26, 0.4, 0.49), projection="polar")
    assert isinstance(axes, PolarAxes)
    axes.set_theta_zero_location("N")
    axes.set_theta_direction(-1)
    axes.set_xticks(np.radians(np.arange(0.0, 360.0, 45.0)), _COMPASS, color=INK)
    axes.yaxis.set_major_locator(MaxNLocator(4))
    axes.tick_params(axis="y", labelleft=False)
    axes.grid(color=PALE, linewidth=0.5)
    axes.spines["polar"].set_color(PALE)
    axes.set_axisbelow(True)
    axes.set_title(title, fontsize=9.5, color=INK, pad=14.0)
    return axes


def _letter(figure: Figure, mist: MistAccount, title: str, subtitle: str) -> None:
    rose, worst = mist.rose, mist.worst
    told = (
        f"Averaged over these winds {_percent(rose.no_evaporation.over_boundary)} of the mist goes over the boundary "
        f"if drops keep their water, at most {_percent(rose.over_boundary_most)} with the model's margin; in wind from "
        f"{worst.from_deg or 0.0:.0f}° at {worst.speed_m_s or 0.0:g} m/s at most {_percent(worst.over_boundary_most)}. "
        f"Free drops lose {_percent(rose.free_drops.evaporated)} of the volume as vapour and take "
        f"{_percent(rose.free_drops.carried_over)} of what is in them over the boundary. The truth lies between."
    )
    into = [
        f"{name.removeprefix('keep-out ')} {_little(rose.no_evaporation.into(place))}, at most "
        f"{_little(max(wind.no_evaporation.into(place) for wind in mist.winds))} in one wind"
        for place, name in enumerate(mist.places)
        if name.startswith("keep-out ")
    ]
    below = f"The wind is {mist.wind_source}, the drops are {mist.spectrum_source}."
    if into:
        below += f" On the ground of keep-outs, in the mean: {'; '.join(into)}."
    limits = f"{MIST_LIMITS} Ground is taken as open and level. No efficacy is claimed. {BRIEF}"
    figure.text(0.05, 0.945, title, fontsize=13, fontweight="bold", color=INK, parse_math=False)
    figure.text(0.05, 0.915, f"{subtitle} · drift by wind", fontsize=9.5, color=INK, parse_math=False)
    _wrapped(figure, 0.895, told, 8.5, INK)
    _wrapped(figure, 0.135, below, 8.0, INK)
    _wrapped(figure, 0.05, limits, 8.0, GREY)


def _percent(share: float) -> str:
    return f"{100.0 * share:.1f} %"


def _little(share: float) -> str:
    return f"{100.0 * share:.2g} %"


def _wrapped(figure: Figure, top: float, words: str, size_pt: float, colour: str) -> None:
    lines = "\n".join(textwrap.wrap(words, _LETTERS))
    figure.text(0.05, top, lines, fontsize=size_pt, color=colour, va="top", linespacing=1.35, parse_math=False)
