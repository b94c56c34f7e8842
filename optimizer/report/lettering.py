"""The words on the plan: nozzle numbers, names of runs, pumps, zones, obstacles and keep-outs."""

from __future__ import annotations

import re
from collections.abc import Sequence
from itertools import groupby
from typing import Any

import numpy as np
from matplotlib.axes import Axes

from geometry.site import KeepOut, Obstacle, Site, Zone
from optimizer.design import Design
from optimizer.report.labels import Label, Spot, along, around, inside, place, text_size_mm
from optimizer.report.routes import Points, path_length, sampled, ways
from optimizer.report.sheet import COLUMN_MM, FRAME_MM, View, stroke, text
from optimizer.report.style import GREY, INK, KEEP_OUT, PAPER, ZONE_TEXT, RunKey
from optimizer.report.tubes import Tube
from optimizer.report.works import BOX_MM, NOZZLE_MM, PUMP_MM, REDUCER_MM, TICK_MM, Works, idle_sites

_NUMBER_PT, _RUN_PT, _PUMP_PT, _IDLE_PT, _AREA_PT, _ZONE_PT = 4.6, 6.0, 6.5, 5.0, 5.4, 7.0
_LEADER_MM = 2.4  # a number further from its nozzle than this gets a leader
_LEVEL_ROOM_MM = 4.4  # three level figures side by side need this
_SAMPLE_MM = 0.7  # lines are known to the placing of labels as points this far apart


def draw_lettering(axes: Axes, view: View, site: Site, design: Design, works: Works) -> int:
    """Letter the plan, most particular first; returns how many nozzle numbers found no room."""
    numbers = _numbers(design, works.nozzles_mm)
    labels = [*_pump_names(design, site, works), *numbers, *_run_names(works), *_area_names(site, view)]
    spots = place(labels, _symbols(design, works), _lines(works.tubes, site, view))
    written = [(label, spot) for label, spot in zip(labels, spots, strict=True) if spot and _on_sheet(spot)]
    for label, spot in written:
        _write(axes, label, spot)
    return len(numbers) - sum(label.anchor is not None for label, _ in written)


def number_of(nozzle_id: str) -> str:
    """The number a nozzle carries on the plan: its id less leading letters and zeros, else the id itself."""
    match = re.fullmatch(r"[^\d]*?0*(\d+)", nozzle_id)
    return match[1] if match else nozzle_id


def run_name(run: RunKey) -> str:
    """Circuit and run in one name, without saying the circuit twice."""
    circuit, name = run
    return name if name.startswith(circuit) else f"{circuit}·{name}"


def _numbers(design: Design, at: Points) -> list[Label]:
    """Numbers stand level where the nozzles leave room, else run outward from their nozzles."""
    near = _nearest_mm(at)
    found = []
    for nozzle, (x, y), room in zip(design.nozzles, at, near, strict=True):
        words = number_of(nozzle.id)
        size = text_size_mm(words, _NUMBER_PT)
        spots = around(x, y, nozzle.azimuth_deg, size, radial=room < _LEVEL_ROOM_MM)
        found.append(Label(words, _NUMBER_PT, spots, anchor=(x, y)))
    return found


def _nearest_mm(at: Points) -> Points:
    """Distance [n] of each point from its nearest neighbour."""
    apart = np.hypot(at[:, None, 0] - at[:, 0], at[:, None, 1] - at[:, 1])
    np.fill_diagonal(apart, np.inf)
    nearest: Points = apart.min(axis=1, initial=np.inf)
    return nearest


def _run_names(works: Works) -> list[Label]:
    """Each run's name once, beside its longest stretch."""
    found = []
    for run, tubes in groupby(sorted(works.tubes, key=lambda tube: tube.run), key=lambda tube: tube.run):
        longest = max(tubes, key=lambda tube: path_length(tube.points_mm))
        spots = along(longest.points_mm, [side * far for far in (3.2, 5.0, 7.0, 9.5, 12.0) for side in (1, -1)])
        found.append(Label(run_name(run), _RUN_PT, spots, bold=True, colour=works.look.runs[run].colour, boxed=True))
    return found


def _pump_names(design: Design, site: Site, works: Works) -> list[Label]:
    used = zip((f"{pump.id} · {pump.site}" for pump in design.pumps), works.pumps_mm, strict=True)
    idle = zip((f"{spot.name} (not used)" for spot in idle_sites(design, site)), works.idle_mm, strict=True)
    return [
        *(_pump_name(words, at, _PUMP_PT, True, INK) for words, at in used),
        *(_pump_name(words, at, _IDLE_PT, False, GREY) for words, at in idle),
    ]


def _pump_name(words: str, at: Points, size_pt: float, bold: bool, colour: str) -> Label:
    spots = _beside_pump(float(at[0]), float(at[1]), text_size_mm(words, size_pt, bold))
    return Label(words, size_pt, spots, bold, colour, mask=True)


def _beside_pump(x: float, y: float, text_mm: tuple[float, float]) -> tuple[Spot, ...]:
    width, height = text_mm
    return tuple(
        Spot(x + side * (width / 2 + gap), y + lift * (height / 2 + gap), 0.0, gap + abs(lift))
        for gap in (PUMP_MM + 1.0, PUMP_MM + 3.0, PUMP_MM + 6.0, PUMP_MM + 10.0)
        for side, lift in ((1, 0), (-1, 0), (0, 1), (0, -1), (1, 1), (-1, 1), (1, -1), (-1, -1))
    )


def _area_names(site: Site, view: View) -> list[Label]:
    """Names written inside what they name: obstacles and keep-outs first, since zones have more room."""
    solid = _solid(site, view)
    return [
        *(_inside(f"{one.name}, {one.height_m:.1f} m", one, view, (), _AREA_PT, INK) for one in site.obstacles),
        *(_inside(one.name, one, view, (), _AREA_PT, KEEP_OUT, mask=True) for one in site.keep_outs),
        *(_inside(f"{one.name} · {one.weight:g}", one, view, solid, _ZONE_PT, ZONE_TEXT) for one in site.zones),
    ]


def _solid(site: Site, view: View) -> list[Points]:
    """Outer rings of what zones' names should not be written on."""
    polygons = [*(one.polygon for one in site.obstacles), *(one.polygon for one in site.keep_outs)]
    return [view.mm(polygon.exterior.coords) for polygon in polygons]


def _inside(
    words: str,
    area: Obstacle | KeepOut | Zone,
    view: View,
    solid: Sequence[Points],
    size_pt: float,
    colour: str,
    mask: bool = False,
) -> Label:
    outer, *inner = (view.mm(ring.coords) for ring in (area.polygon.exterior, *area.polygon.interiors))
    spots = inside(outer, [*inner, *solid], text_size_mm(words, size_pt))
    return Label(words, size_pt, spots, colour=colour, mask=mask)


def _symbols(design: Design, works: Works) -> Points:
    """Discs [n, 3] of nozzles, their ticks, pressure reducers and pumps."""
    turn = np.radians([nozzle.azimuth_deg for nozzle in design.nozzles])
    tips = works.nozzles_mm + 0.7 * TICK_MM * np.column_stack([np.sin(turn), np.cos(turn)])
    pumps = np.vstack([works.pumps_mm, works.idle_mm])
    fittings = ((works.reducers_mm, REDUCER_MM), (works.boxes_mm, BOX_MM))
    sizes = ((works.nozzles_mm, NOZZLE_MM), (tips, 0.45 * TICK_MM), *fittings, (pumps, PUMP_MM))
    return np.vstack([np.column_stack([at, np.full(len(at), radius)]) for at, radius in sizes])


def _lines(drawn: Sequence[Tube], site: Site, view: View) -> Points:
    """Points along tubing, mounting lines, links and outlines, which lettering had better not cross."""
    lines = [view.mm(line.coords) for line in (*ways(site), site.boundary.exterior)]
    paths = (*_solid(site, view), *lines, *(tube.points_mm for tube in drawn))
    return np.vstack([sampled(path, _SAMPLE_MM) for path in paths])


def _on_sheet(spot: Spot) -> bool:
    left, bottom, _, top = FRAME_MM
    return left < spot.x_mm < COLUMN_MM and bottom < spot.y_mm < top


def _write(axes: Axes, label: Label, spot: Spot) -> None:
    if label.anchor is not None:
        _draw_leader(axes, label, spot)
    behind: dict[str, Any] | None = None
    if label.boxed:
        behind = {
            "boxstyle": "round,pad=0.22",
            "facecolor": PAPER,
            "edgecolor": label.colour,
            "linewidth": 0.9,
        }
    elif label.mask:
        behind = {"boxstyle": "round,pad=0.12", "facecolor": PAPER, "alpha": 0.85, "linewidth": 0.0}
    text(
        axes,
        spot.x_mm,
        spot.y_mm,
        label.text,
        label.size_pt,
        colour=label.colour,
        bold=label.bold,
        ha="center",
        rotation=spot.angle_deg,
        rotation_mode="anchor",
        bbox=behind,
    )


def _draw_leader(axes: Axes, label: Label, spot: Spot) -> None:
    assert label.anchor is not None
    width, height = text_size_mm(label.text, label.size_pt, label.bold)
    start, end = np.array(label.anchor), np.array([spot.x_mm, spot.y_mm])
    away = float(np.hypot(*(end - start)))
    if away - width / 2 > _LEADER_MM:
        toward = (end - start) / away
        stop = end - toward * (0.7 * height if spot.angle_deg == 0 and abs(toward[1]) > 0.7 else width / 2 + 0.4)
        stroke(axes, np.array([start + toward * NOZZLE_MM, stop]), GREY, 0.35, 10.5)
