"""What is to be built: tubing by run and size, nozzles with their facing, pressure reducers, pumps."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes

from geometry.site import PumpSite, Site
from optimizer.design import Design
from optimizer.report.routes import Points, laid, link_paths, run_key, valve_boxes
from optimizer.report.sheet import View, box, disc, shape_mm, stroke
from optimizer.report.style import INK, PAPER, RunKey, RunStyle, natural, run_styles, tubing_widths_pt
from optimizer.report.tubes import Tube, tubes

NOZZLE_MM = 0.72
TICK_MM = 2.3
PUMP_MM = 2.6
REDUCER_MM = 1.5  # half of its length
_BEHIND_MM = 4.4  # of the node that its link starts at
BOX_MM = 1.7  # half its side


@dataclass(frozen=True)
class Look:
    """How the works of a design are told apart: style by (circuit, run), line width by tubing."""

    runs: dict[RunKey, RunStyle]
    widths_pt: dict[str, float]


@dataclass(frozen=True)
class Works:
    """The works as drawn: tubes, their look, places [n, 2] in mm of nozzles, pumps, unused pump sites and
    pressure reducers, valve boxes."""

    tubes: tuple[Tube, ...]
    look: Look
    nozzles_mm: Points
    pumps_mm: Points
    idle_mm: Points
    reducers_mm: Points
    boxes_mm: Points


def draw_works(axes: Axes, view: View, design: Design, site: Site) -> Works:
    """Draw tubing, nozzles, reducers and pumps, and say where they came to lie."""
    look = look_of(design)
    place = {node.id: (node.x_m, node.y_m) for node in design.nodes}
    reducers = _reducers(view, design)
    works = Works(
        tubes(design, view),
        look,
        _points(view, [place[nozzle.node] for nozzle in design.nozzles]),
        _points(view, [place[pump.node] for pump in design.pumps]),
        _points(view, [(spot.x_m, spot.y_m) for spot in idle_sites(design, site)]),
        np.array([at for at, _ in reducers]) if reducers else np.empty((0, 2)),
        _points(view, [place[node] for node in valve_boxes(design)]),
    )
    _draw_tubes(axes, works.tubes, look)
    for (x, y), nozzle in zip(works.nozzles_mm, design.nozzles, strict=True):
        draw_nozzle(axes, x, y, nozzle.azimuth_deg, look.runs[(nozzle.circuit, nozzle.run)].colour)
    for (x, y), turn in reducers:
        draw_reducer(axes, x, y, turn)
    for x, y in works.idle_mm:
        draw_idle_pump_site(axes, x, y)
    for x, y in works.pumps_mm:
        draw_pump(axes, x, y)
    for x, y in works.boxes_mm:
        draw_box(axes, x, y)
    return works


def idle_sites(design: Design, site: Site) -> tuple[PumpSite, ...]:
    """Pump sites that the design leaves unused."""
    taken = {pump.site for pump in design.pumps}
    return tuple(spot for spot in site.pump_sites if spot.name not in taken)


def _reducers(view: View, design: Design) -> list[tuple[tuple[float, float], float]]:
    """Place in mm and direction in radians of each pressure reducer: on its link, a little behind where that starts."""
    links = [link for link in design.links if link.reducer_pa is not None]
    found = []
    for path in link_paths(links, design.nodes):
        start, end = view.mm(path)
        length = float(np.hypot(*(end - start)))
        at = start + (end - start) * min(0.5, _BEHIND_MM / length) if length else start
        found.append(((float(at[0]), float(at[1])), math.atan2(*(end - start)[::-1])))
    return found


def _points(view: View, points_m: list[tuple[float, float]]) -> Points:
    return view.mm(points_m) if points_m else np.empty((0, 2))


def look_of(design: Design) -> Look:
    """Styles in the order in which the design names its runs."""
    links = laid(design)
    named = {run_key(link) for link in links} | {(one.circuit, one.run) for one in design.nozzles}
    order = sorted(named, key=natural)
    return Look(run_styles(order), tubing_widths_pt({link.tubing: link.bore_m for link in links}))


def _draw_tubes(axes: Axes, drawn: Sequence[Tube], look: Look) -> None:
    """Tubing, each run in its colour and dash, each size in its width, on a thin white edge."""
    for tube in sorted(drawn, key=lambda tube: -look.widths_pt[tube.tubing]):
        width, style = look.widths_pt[tube.tubing], look.runs[tube.run]
        stroke(axes, tube.points_mm, PAPER, width + 1.0, 6.0, alpha=0.8)
        stroke(axes, tube.points_mm, style.colour, width, 7.0, style.dash)


def draw_nozzle(axes: Axes, x: float, y: float, azimuth_deg: float, colour: str) -> None:
    """One nozzle symbol: a dot, and a tick along its azimuth (clockwise from north)."""
    turn = math.radians(azimuth_deg)
    tip = (x + TICK_MM * math.sin(turn), y + TICK_MM * math.cos(turn))
    stroke(axes, np.array([(x, y), tip]), PAPER, 1.6, 11.0)
    stroke(axes, np.array([(x, y), tip]), INK, 0.7, 11.1)
    disc(axes, x, y, NOZZLE_MM, 12.0, facecolor=colour, edgecolor=PAPER, linewidth=0.35)


def draw_reducer(axes: Axes, x: float, y: float, turn_rad: float) -> None:
    """The usual sign of a valve, two triangles tip to tip along the tube, the outlet's filled."""
    along = REDUCER_MM * np.array([math.cos(turn_rad), math.sin(turn_rad)])
    across = 0.7 * np.array([-along[1], along[0]])
    for side, colour in ((-1.0, PAPER), (1.0, INK)):
        tip = np.array([x, y])
        corners = np.array([tip, tip + side * along + across, tip + side * along - across])
        shape_mm(axes, corners, 13.0, facecolor=colour, edgecolor=INK, linewidth=0.7)


def draw_pump(axes: Axes, x: float, y: float) -> None:
    """The usual sign of a pump: a circle round a triangle that points the way of delivery."""
    disc(axes, x, y, PUMP_MM, 14.0, facecolor=PAPER, edgecolor=INK, linewidth=1.3)
    corners = [(x + PUMP_MM * math.cos(a), y + PUMP_MM * math.sin(a)) for a in np.radians((0, 120, 240))]
    shape_mm(axes, corners, 14.1, facecolor=INK, linewidth=0)


def draw_box(axes: Axes, x: float, y: float) -> None:
    """A box with the usual sign of a valve in it: two triangles point to point."""
    box(axes, x - BOX_MM, y - BOX_MM, 2 * BOX_MM, 2 * BOX_MM, 13.5, facecolor=PAPER, edgecolor=INK, linewidth=1.1)
    half, high = 0.75 * BOX_MM, 0.5 * BOX_MM
    for side in (-half, half):
        shape_mm(axes, [(x, y), (x + side, y + high), (x + side, y - high)], 13.6, facecolor=INK, linewidth=0)


def draw_idle_pump_site(axes: Axes, x: float, y: float) -> None:
    """A place where a pump could stand and none does."""
    disc(
        axes,
        x,
        y,
        0.75 * PUMP_MM,
        13.0,
        facecolor=PAPER,
        edgecolor=INK,
        linewidth=0.8,
        linestyle=(0, (2, 1.5)),
    )
