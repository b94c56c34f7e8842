"""The column beside the dosage map: colours and signs, where the mist goes, what the figures leave out, cautions."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes

from geometry.site import Site
from optimizer.appraisal.misted import Fate, MistAccount
from optimizer.cautions import CAUTIONS
from optimizer.report.column import LEFT, RIGHT, draw_north, draw_scale_bar
from optimizer.report.dosage_scale import Steps
from optimizer.report.ground import BOUNDARY_DASH, ZONE_DASH
from optimizer.report.sheet import FRAME_MM, View, box, disc, stroke, text
from optimizer.report.style import (
    GREY,
    INK,
    KEEP_OUT,
    OBSTACLE,
    OBSTACLE_EDGE,
    PAPER,
    ZONE_TEXT,
    keep_out_hatch,
)

_SIGN_MM, _WORDS_MM, _ROW_MM, _FINE_MM = 11.0, 13.5, 4.4, 2.75
_WRAP, _FINE_WRAP = 84, 104
_KEPT_MM, _FREE_MM = RIGHT - 20.0, RIGHT
EDGE_DASH = (2.0, 2.0)
_MOST_KEEP_OUTS = 8  # told one by one
_LEAST_TOLD = 5e-4  # a place over the boundary that gets less is left out
_LONGEST = 48  # letters of a place's name in the account
LIMITS = (
    "Open level ground in neutral air: no foliage, walls or eaves that catch or turn the mist, no stability classes.",
    "Each wind blows steadily; a nozzle's mist starts at the nozzle, its throw is left out.",
    "Two ends are told, drops that keep their water and free drops; the truth lies between them. "
    "Dosage is drawn for the first.",
    "Dosage counts mist as sprayed. It is no measure of what insects take up.",
)


def draw_dosage_column(
    axes: Axes, view: View, mist: MistAccount, steps: Steps | None, site: Site, title: str, subtitle: str
) -> None:
    """All of the column, from the north arrow down to the cautions."""
    draw_north(axes, LEFT + 6.0, FRAME_MM[3] - 15.0)
    draw_scale_bar(axes, view, LEFT + 20.0, FRAME_MM[3] - 12.0)
    y = FRAME_MM[3] - 31.0
    text(axes, LEFT, y, "DOSAGE OF MIST", 5.4, bold=True, colour=GREY)
    y = _lines(axes, y - 4.6, textwrap.wrap(title, 48), 9.0, 4.4, bold=True)
    y = _lines(axes, y, textwrap.wrap(subtitle, 60), 6.4, 3.6)
    y = _lines(axes, y - 1.5, textwrap.wrap(_what(mist), _WRAP), 5.4, 3.1)
    y = _draw_steps(axes, y - 2.0, steps)
    y = _draw_signs(axes, y - 1.0, site)
    y = _draw_account(axes, y - 2.0, mist)
    y = _draw_sentences(axes, y - 2.0, "WHAT THE MODEL LEAVES OUT", LIMITS)
    _draw_sentences(axes, y - 1.5, "CAUTIONS", CAUTIONS)


def _what(mist: MistAccount) -> str:
    return (
        f"Volume of mist in a cubic metre of air, summed over the time that it takes to pass, from one cycle of "
        f"{mist.cycles} of every circuit: mean of the air from the ground to {mist.layer_top_m:g} m and of "
        f"the winds of the misting hours (wind {mist.wind_source})."
    )


def _draw_steps(axes: Axes, y: float, steps: Steps | None) -> float:
    text(axes, LEFT, y, "mL OF MIST PER m³ OF AIR × SECONDS", 5.2, bold=True)
    if steps is None:
        text(axes, LEFT, y - _ROW_MM, "No mist is reckoned with.", 5.4)
        return y - 2 * _ROW_MM
    for colour, words in zip(reversed(steps.colours), reversed(steps.words()), strict=True):
        y -= _ROW_MM
        box(axes, LEFT, y - 1.7, _SIGN_MM, 3.4, facecolor=colour, edgecolor=GREY, linewidth=0.3)
        text(axes, LEFT + _WORDS_MM, y, words, 5.4)
    y -= _ROW_MM
    box(axes, LEFT, y - 1.7, _SIGN_MM, 3.4, facecolor=PAPER, edgecolor=GREY, linewidth=0.3)
    text(axes, LEFT + _WORDS_MM, y, f"below {steps.edges[0]:g}", 5.4)
    return y - _ROW_MM


def _draw_signs(axes: Axes, y: float, site: Site) -> float:
    x, row = LEFT, 0.9 * _ROW_MM
    disc(axes, x + _SIGN_MM / 2, y, 0.8, 10.0, facecolor=PAPER, edgecolor=INK, linewidth=0.6)
    text(axes, x + _WORDS_MM, y, "Nozzle", 5.4)
    y -= row
    stroke(axes, np.array([(x, y), (x + _SIGN_MM, y)]), INK, 1.5, 10.0, BOUNDARY_DASH)
    text(axes, x + _WORDS_MM, y, "Site boundary", 5.4)
    y -= row
    stroke(axes, np.array([(x, y), (x + _SIGN_MM, y)]), GREY, 0.5, 10.0, EDGE_DASH)
    text(axes, x + _WORDS_MM, y, "Edge of what is reckoned", 5.4)
    for words, look in _area_looks(site):
        y -= row
        box(axes, x, y - 1.3, _SIGN_MM, 2.6, **{"linewidth": 0.7, **look})
        text(axes, x + _WORDS_MM, y, words, 5.4)
    return y - row


def _area_looks(site: Site) -> Iterator[tuple[str, dict[str, Any]]]:
    yield "Zone to protect", {"facecolor": "none", "edgecolor": ZONE_TEXT, "linestyle": (0, ZONE_DASH)}
    if site.obstacles:
        yield "Obstacle", {"facecolor": OBSTACLE, "edgecolor": OBSTACLE_EDGE}
    for forbids in sorted({tuple(sorted(one.forbids)) for one in site.keep_outs}):
        what = ", ".join(f"no {thing}" for thing in forbids) or "distance kept"
        yield f"Keep-out: {what}", {"facecolor": "none", "edgecolor": KEEP_OUT, "hatch": keep_out_hatch(forbids)}


def _draw_account(axes: Axes, y: float, mist: MistAccount) -> float:
    """Where all of the mist goes, both ends: columns of 100 %, then what places over the boundary get of it."""
    text(axes, LEFT, y, "WHERE THE MIST GOES, % OF ALL", 5.2, bold=True)
    for x, words in ((_KEPT_MM, "water kept"), (_FREE_MM, "free drops")):
        text(axes, x, y, words, 4.8, ha="right", colour=GREY)
    y -= 0.6
    kept, free = (
        account_rows(mist.places, fate) | _beyond_rows(mist.places, fate)
        for fate in (mist.rose.no_evaporation, mist.rose.free_drops)
    )
    for where, share in kept.items():
        y -= 0.85 * _ROW_MM
        text(axes, LEFT, y, textwrap.shorten(where, _LONGEST, placeholder=" …"), 5.4)
        text(axes, _KEPT_MM, y, f"{100.0 * share:.1f}", 5.4, ha="right")
        text(axes, _FREE_MM, y, f"{100.0 * free.get(where, 0.0):.1f}", 5.4, ha="right")
    return y - 0.85 * _ROW_MM


def account_rows(places: Sequence[str], fate: Fate) -> dict[str, float]:
    """All zones together, keep-outs one by one where they are few, and the rest."""
    down = dict(zip(places, fate.down, strict=True))
    keep_outs = {name: share for name, share in down.items() if name.startswith("keep-out ")}
    zones = {name: share for name, share in down.items() if name.startswith("zone ")}
    rest = {name: share for name, share in down.items() if name not in keep_outs | zones}
    if len(keep_outs) > _MOST_KEEP_OUTS:
        keep_outs = {f"on {len(keep_outs)} keep-outs": sum(keep_outs.values())}
    return {
        "on the ground of the zones": sum(zones.values()), **keep_outs, **rest,
        "over the boundary, down or airborne": fate.over_boundary,
        "evaporated": fate.evaporated,
    }


def _beyond_rows(places: Sequence[str], fate: Fate) -> dict[str, float]:
    """What of the mist over the boundary comes down in places there."""
    there = zip(places, fate.beyond, strict=True)
    return {f"of that over the boundary, {name}": share for name, share in there if share > _LEAST_TOLD}


def _draw_sentences(axes: Axes, y: float, heading: str, sentences: Sequence[str]) -> float:
    text(axes, LEFT, y, heading, 5.2, bold=True)
    lines = [f"{'•  ' if index == 0 else '    '}{part}" for sentence in sentences
             for index, part in enumerate(textwrap.wrap(sentence, _FINE_WRAP))]
    return _lines(axes, y - _FINE_MM - 0.4, lines, 4.7, _FINE_MM)


def _lines(axes: Axes, y: float, lines: Sequence[str], size_pt: float, step_mm: float, bold: bool = False) -> float:
    """Lines from y down; the height after the last."""
    for line in lines:
        text(axes, LEFT, y, line, size_pt, bold=bold)
        y -= step_mm
    return y
