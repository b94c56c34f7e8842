"""How a design holds on site in words for people: rows of a table and one sentence. Nothing is computed."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from hydraulics.units import System, show, show_both
from optimizer.appraisal.words import NONE
from optimizer.yields import FieldYield, Weak

HEADING = "On site, where nothing is quite as drawn"
MEANING = (
    "Yield: the share of sampled plants, each with its own bores, nozzles, water and drift of the set pressure by "
    "[tolerances], in which every nozzle stays at or above the band's low edge; in brackets its 95 % confidence "
    "interval; ! marks one below what is asked for or advised. What matters most moves the worst nozzle furthest "
    "between its two ends, all else as drawn."
)
NOT_ASKED = "not asked"

Cell = Callable[[FieldYield], str]


def yield_cell(one: FieldYield | None) -> str:
    """The yield, for the comparison."""
    return NOT_ASKED if one is None else f"{_share(one.share)}{'' if one.holds else ' !'}"


def field_rows(units: System) -> Sequence[tuple[str, Cell]]:
    """Name of each row, and how its cell is written."""

    def pressure(of: Callable[[FieldYield], float]) -> Cell:
        return lambda one: show(of(one), "pressure", units)

    return (
        ("yield", lambda one: f"{_share(one.share)} ({_interval(one)})"),
        ("least yield", lambda one: NONE if one.asked is None else _share(one.asked)),
        ("some nozzle above the band", lambda one: _share(one.above_band)),
        ("a pump above its limit", lambda one: _share(one.above_limit)),
        ("a pump cannot hold", lambda one: _share(one.not_held)),
        ("worst nozzle as drawn", pressure(lambda one: one.drawn_pa)),
        ("worst nozzle in 5 % of plants", pressure(lambda one: one.lowest_pa[0])),
        ("weakest nozzle", lambda one: _weak(one.weakest[0]) if one.weakest else NONE),
        ("matters most", lambda one: one.tornado[0].source if one.tornado else NONE),
        ("which moves the worst by", lambda one: _swing(one, units)),
    )


def yield_words(one: FieldYield, verified: bool) -> str:
    """What a designer must know of it: whether it holds on site, where it fails first, and what would mend it."""
    edge = show_both(one.low_pa, "pressure")
    asked = "asked for" if one.asked else "advised"
    told = f"{_share(one.share)} on site ({_interval(one)}; {_share(one.least)} {asked})"
    besides = "".join(
        f"; in {_share(share)} {what}"
        for share, what in (
            (one.above_band, "some nozzle stands above the band"),
            (one.above_limit, "a pump works above its limit"),
            (one.not_held, "a pump cannot hold its set pressure"),
        )
        if share
    )
    if one.holds:
        return f"holds {told}: in that share of sampled plants no nozzle falls below {edge}{besides}"
    paper = "holds on paper" if verified else "does not hold on paper"
    return f"{paper}, {told}: in the other sampled plants some nozzle falls below {edge}{besides}; {_mend(one)}"


def _mend(one: FieldYield) -> str:
    """Where it fails first, and what would bring the yield."""
    parts = [f"most often {_weak(one.weakest[0])}"] if one.weakest else []
    if one.short_pa > 0.0:
        rule = "" if one.asked is not None else f" (least_yield = {one.least:g} in [tolerances] asks for it)"
        parts.append(
            f"{show_both(one.short_pa, 'pressure')} more at the worst nozzle would bring {_share(one.least)}: a higher "
            f"set pressure, wider tubing or fewer nozzles{rule}"
        )
    if one.tornado:
        best = max(one.tornado, key=lambda bar: (bar.yield_without, bar.swing_pa))
        if best.yield_without > one.share:
            parts.append(f"with {best.source} exactly as drawn {_share(best.yield_without)} would hold")
    return "; ".join(parts)


def _swing(one: FieldYield, units: System) -> str:
    return show(one.tornado[0].swing_pa, "pressure", units) if one.tornado else NONE


def _weak(one: Weak) -> str:
    return f"{one.nozzle} on {one.circuit} ({_share(one.below_share)})"


def _interval(one: FieldYield) -> str:
    return f"{100.0 * one.interval[0]:.1f} to {100.0 * one.interval[1]:.1f} %"


def _share(share: float) -> str:
    return f"{100.0 * share:.1f} %".replace(".0 %", " %")
