"""The rows of the column beside the plan: what each sign means, what each run and each size of tubing holds."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.axes import Axes

from geometry.clearance import kind_words
from geometry.site import Site
from hydraulics.units import show, show_both
from optimizer.design import Design, Nozzle
from optimizer.protection import IN_SERVICE
from optimizer.report.ground import BOUNDARY_DASH, COVERED_LOOK, LINK_DASH, MOUNTING_PT, ZONE_DASH
from optimizer.report.lettering import run_name
from optimizer.report.routes import laid, run_key, valve_boxes
from optimizer.report.sheet import box, disc, stroke
from optimizer.report.style import (
    GREY,
    INK,
    KEEP_OUT,
    OBSTACLE,
    OBSTACLE_EDGE,
    PALE,
    PAPER,
    ZONE_EDGE,
    keep_out_hatch,
    natural,
    zone_tint,
)
from optimizer.report.works import (
    Look,
    draw_box,
    draw_idle_pump_site,
    draw_nozzle,
    draw_pump,
    draw_reducer,
    idle_sites,
)

SAMPLE_MM = 11.0
_WORDS_MM = SAMPLE_MM + 2.5
_RUN_COLUMNS_MM = (_WORDS_MM, 32.0, 45.0, 61.0, 76.0)
_SIZE_COLUMNS_MM = (_WORDS_MM, 45.0, 76.0)

Sample = Callable[[Axes, float, float], None]  # draws from x (left end) at height y


@dataclass(frozen=True)
class Row:
    """A row: words, each with its distance in mm from the left edge of the column, and a sample before them."""

    words: tuple[tuple[float, str], ...]
    sample: Sample | None = None

    @property
    def heading(self) -> bool:
        """Rows without a sample are headings."""
        return self.sample is None


def legend_rows(site: Site, design: Design, lost: int) -> Iterator[Row]:
    """Every sign on the plan; lost: nozzle numbers left out."""
    yield Row(((0.0, "LEGEND"),))
    yield from _area_signs(site)
    yield _sign("Site boundary", _line(INK, 1.5, BOUNDARY_DASH))
    yield _sign("Mounting line", _line(PALE, MOUNTING_PT))
    if any(line.no_nozzles for line in site.lines):
        yield _sign("Mounting line kept free of nozzles", _hollow)
    if site.links:
        yield _sign("Way for tubing on or in the ground", _line(GREY, 0.7, LINK_DASH))
    left_out = f"; {lost} numbers left out for want of room" if lost else ""
    yield _sign(f"Nozzle with number, tick the way it faces{left_out}", _nozzle)
    yield _sign("Pump unit", lambda axes, x, y: draw_pump(axes, x + SAMPLE_MM / 2, y))
    yield from _reducer_signs(design)
    if valve_boxes(design):
        yield _sign("Valve box at the end of a main", lambda axes, x, y: draw_box(axes, x + SAMPLE_MM / 2, y))
    if idle_sites(design, site):
        yield _sign("Pump site not used", lambda axes, x, y: draw_idle_pump_site(axes, x + SAMPLE_MM / 2, y))


def _reducer_signs(design: Design) -> Iterator[Row]:
    """The sign of pressure reducers once for each pressure held, with the runs that have one."""
    fitted = [link for link in design.links if link.reducer_pa is not None]
    for held in sorted({link.reducer_pa for link in fitted if link.reducer_pa is not None}):
        runs = sorted({(link.circuit, link.run) for link in fitted if link.reducer_pa == held}, key=natural)
        words = f"Pressure reducer, holds {show_both(held, 'pressure')}: {', '.join(map(run_name, runs))}"
        yield _sign(words, lambda axes, x, y: draw_reducer(axes, x + SAMPLE_MM / 2, y, 0.0))


def _area_signs(site: Site) -> Iterator[Row]:
    weights = sorted({zone.weight for zone in site.zones}, reverse=True)
    for weight in weights:
        tint = zone_tint(weight, weights)
        look = _patch(facecolor=tint, edgecolor=ZONE_EDGE, linestyle=(0, ZONE_DASH))
        yield _sign(f"Zone · priority {weight:g}", look)
    yield _sign("Covered area within the zones", _patch(**COVERED_LOOK))
    if site.obstacles:
        yield _sign("Obstacle, height above ground", _patch(facecolor=OBSTACLE, edgecolor=OBSTACLE_EDGE))
    for forbids, kind in sorted({(tuple(sorted(one.forbids)), one.kind) for one in site.keep_outs}):
        look = _patch(facecolor="none", edgecolor=KEEP_OUT, hatch=keep_out_hatch(forbids))
        what = f"Keep-out, {kind_words(kind)}" if kind else "Keep-out"
        yield _sign(f"{what}: {', '.join(f'no {thing}' for thing in forbids) or 'distance kept'}", look)


def run_rows(design: Design, look: Look) -> Iterator[Row]:
    """Each run with its nozzles, its metres of tubing and the pressures at its nozzles."""
    yield _heading(_RUN_COLUMNS_MM, ("RUN", "NOZZLES", "TUBING", "LOWEST", "HIGHEST"))
    for run, style in look.runs.items():
        nozzles = [nozzle for nozzle in design.nozzles if (nozzle.circuit, nozzle.run) == run]
        length = sum(link.length_m for link in laid(design) if run_key(link) == run)
        words = (run_name(run), str(len(nozzles)), show(length, "length", "metric"), *_pressures(nozzles))
        yield Row(tuple(zip(_RUN_COLUMNS_MM, words, strict=True)), _line(style.colour, 1.9, style.dash))


def size_rows(design: Design, look: Look) -> Iterator[Row]:
    """Each size of tubing with its bore and its metres."""
    yield _heading(_SIZE_COLUMNS_MM, ("TUBING", "BORE", "LENGTH"))
    for name, width in look.widths_pt.items():
        links = [link for link in laid(design) if link.tubing == name]
        bore = f"{show(links[0].bore_m, 'bore', 'metric')} ({show(links[0].bore_m, 'bore', 'us')})"
        length = show(sum(link.length_m for link in links), "length", "metric")
        yield Row(tuple(zip(_SIZE_COLUMNS_MM, (name, bore, length), strict=True)), _line(INK, width))


def rule_rows(design: Design) -> Iterator[Row]:
    """The rules of protection that those who run the plant must keep, where some are stated."""
    rules = [one for one in design.protection if one.rule in IN_SERVICE]
    if rules:
        yield Row(((0.0, "RULES TO KEEP (sources in study.json)"),))
    for one in rules:
        yield _sign(f"{one.kind.words[0].upper()}{one.kind.words[1:]}: {one.bare_words}", _bullet)


def _bullet(axes: Axes, x: float, y: float) -> None:
    disc(axes, x + SAMPLE_MM / 2, y, 0.5, 10.0, facecolor=INK)


def _heading(columns: Sequence[float], titles: Sequence[str]) -> Row:
    return Row(tuple(zip((0.0, *columns[1:]), titles, strict=True)))


def _pressures(nozzles: Sequence[Nozzle]) -> tuple[str, str]:
    """Lowest and highest; a trunk has no nozzles."""
    pressures = [nozzle.pressure_pa for nozzle in nozzles]
    if not pressures:
        return "–", "–"
    return show(min(pressures), "pressure", "metric"), show(max(pressures), "pressure", "metric")


def _sign(words: str, sample: Sample) -> Row:
    return Row(((_WORDS_MM, words),), sample)


def _patch(**look: Any) -> Sample:
    return lambda axes, x, y: box(axes, x, y - 1.4, SAMPLE_MM, 2.8, **{"linewidth": 0.6, **look})


def _line(colour: str, width_pt: float, dash: Sequence[float] = ()) -> Sample:
    return lambda axes, x, y: stroke(axes, _level(x, y), colour, width_pt, 10.0, dash)


def _hollow(axes: Axes, x: float, y: float) -> None:
    stroke(axes, _level(x, y), PALE, MOUNTING_PT, 10.0)
    stroke(axes, _level(x, y), PAPER, MOUNTING_PT - 1.4, 10.1)


def _nozzle(axes: Axes, x: float, y: float) -> None:
    draw_nozzle(axes, x + SAMPLE_MM / 2 - 1.0, y, 75.0, GREY)


def _level(x: float, y: float) -> np.ndarray[Any, np.dtype[np.float64]]:
    return np.array([(x, y), (x + SAMPLE_MM, y)])
