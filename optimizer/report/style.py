"""Colours, widths and patterns of the drawings: a quiet ground, strong lines only for what is to be built.

Runs take the colours of Okabe and Ito (2008), told apart under the common forms of colour blindness, and a
dash pattern as well, so that the drawing also reads in black and white.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from matplotlib.colors import to_rgb

INK, GREY, PALE, PAPER = "#1c2733", "#5b6875", "#c3cad1", "#ffffff"
WARNING = "#b3141b"
ZONE_LOW, ZONE_HIGH, ZONE_EDGE, ZONE_TEXT = "#fbf7ea", "#f1e2b8", "#a58f55", "#6e5a22"
COVERED, COVERED_EDGE = "#8fc7dd", "#3f8fae"
OBSTACLE, OBSTACLE_EDGE = "#dfe3e7", "#6b7783"
KEEP_OUT = "#8c5b4a"

_COLOURS = ("#0072b2", "#d55e00", "#009e73", "#cc79a7", "#000000", "#e69f00")
# points on, off; coprime counts of colours and patterns give 30 different runs
_DASHES: tuple[tuple[float, ...], ...] = (
    (),
    (7.0, 2.2),
    (8.0, 2.0, 1.6, 2.0),
    (3.0, 1.6),
    (9.0, 1.8, 1.5, 1.8, 1.5, 1.8),
)
_WIDTHS_PT = (1.1, 1.9, 2.8, 3.8)
_HATCHES = {"mist": "////", "mounting": "\\\\\\\\", "tubing": "----", "trench": "||||"}

RunKey = tuple[str, str]  # circuit, run


@dataclass(frozen=True)
class RunStyle:
    """Colour and dash of one run; dash in points on and off, () for a full line."""

    colour: str
    dash: tuple[float, ...]


def run_styles(runs: Iterable[RunKey]) -> dict[RunKey, RunStyle]:
    """A style for each (circuit, run), in the order given; the first 30 are all different."""
    return {
        run: RunStyle(_COLOURS[index % len(_COLOURS)], _DASHES[index % len(_DASHES)])
        for index, run in enumerate(dict.fromkeys(runs))
    }


def tubing_widths_pt(bores_m: dict[str, float]) -> dict[str, float]:
    """Line width in points by tubing name, the wider the bore the wider the line."""
    ordered = sorted(bores_m, key=lambda name: (bores_m[name], name))
    step = (_WIDTHS_PT[-1] - _WIDTHS_PT[0]) / max(len(ordered) - 1, 1)
    if len(ordered) <= len(_WIDTHS_PT):
        return dict(zip(ordered, _WIDTHS_PT, strict=False))
    return {name: _WIDTHS_PT[0] + step * index for index, name in enumerate(ordered)}


def zone_tint(weight: float, weights: Iterable[float]) -> tuple[float, float, float]:
    """Fill of a zone: the higher it ranks among the priorities in `weights`, the deeper the tint."""
    ranks = sorted(set(weights))
    share = ranks.index(weight) / (len(ranks) - 1) if len(ranks) > 1 else 0.5
    pale, deep = to_rgb(ZONE_LOW), to_rgb(ZONE_HIGH)
    red, green, blue = (a + share * (b - a) for a, b in zip(pale, deep, strict=True))
    return red, green, blue


def keep_out_hatch(forbids: Iterable[str]) -> str:
    """Hatching of a keep-out, one stroke direction for each thing it forbids."""
    return "".join(_HATCHES[what] for what in sorted(forbids))


def natural(words: Sequence[str]) -> list[list[int | str]]:
    """Sorting key under which R2 comes before R10."""
    return [[int(bit) if index % 2 else bit for index, bit in enumerate(re.split(r"(\d+)", word))] for word in words]
