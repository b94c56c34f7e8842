"""The site as it is: boundary, zones, covered area, keep-outs, obstacles, the lines that may carry tubing."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.colors import to_rgba

from geometry.drawing_shapes import covered_region
from geometry.site import MountingLine, Site
from optimizer.design import Design
from optimizer.report.routes import part
from optimizer.report.sheet import COLUMN_MM, FRAME_MM, View, area, stroke, text
from optimizer.report.style import (
    COVERED,
    COVERED_EDGE,
    GREY,
    INK,
    KEEP_OUT,
    OBSTACLE,
    OBSTACLE_EDGE,
    PALE,
    PAPER,
    ZONE_EDGE,
    keep_out_hatch,
    zone_tint,
)

BOUNDARY_DASH = (14.0, 3.0, 2.5, 3.0, 2.5, 3.0)
ZONE_DASH = (4.0, 2.0)
LINK_DASH = (1.2, 2.2)
MOUNTING_PT = 3.6
COVERED_LOOK = {"facecolor": to_rgba(COVERED, 0.45), "edgecolor": COVERED_EDGE, "linewidth": 0.4}
_SIMPLER_MM = 0.03  # on paper; finer than a pen


def draw_ground(axes: Axes, view: View, site: Site, design: Design) -> None:
    """Everything that is there before the first nozzle, quiet, with the covered area over it."""
    weights = [zone.weight for zone in site.zones]
    for zone in sorted(site.zones, key=lambda zone: zone.weight):
        look = {"facecolor": zone_tint(zone.weight, weights), "edgecolor": ZONE_EDGE, "linewidth": 0.6}
        area(axes, outline(zone.polygon), view, 1.0, linestyle=(0, ZONE_DASH), **look)
    covered = covered_region(
        (nozzle.footprint for nozzle in design.nozzles),
        (zone.polygon for zone in design.zones),
        tolerance_m=_SIMPLER_MM * view.scale / 1000.0,
    )
    area(axes, covered, view, 2.0, **COVERED_LOOK)
    for obstacle in site.obstacles:
        look = {"facecolor": OBSTACLE, "edgecolor": OBSTACLE_EDGE, "linewidth": 0.8}
        area(axes, outline(obstacle.polygon), view, 3.0, **look)
    for keep_out in site.keep_outs:
        draw_keep_out(axes, view, outline(keep_out.polygon), keep_out.forbids, 3.5)
    boundary = np.array(site.boundary.exterior.coords)
    stroke(axes, view.mm(boundary), INK, 1.5, 4.0, BOUNDARY_DASH)
    for link in site.links:
        stroke(axes, view.mm(link.line.coords), GREY, 0.7, 4.5, LINK_DASH)
    for line in site.lines:
        _draw_mounting_line(axes, view, line)


def draw_keep_out(axes: Axes, view: View, shape: Mapping[str, Any], forbids: frozenset[str], z: float) -> None:
    """A keep-out: hatched by what it forbids."""
    area(
        axes,
        shape,
        view,
        z,
        facecolor="none",
        edgecolor=KEEP_OUT,
        linewidth=0.8,
        hatch=keep_out_hatch(forbids),
    )


def _draw_mounting_line(axes: Axes, view: View, line: MountingLine) -> None:
    points = np.array(line.line.coords)[:, :2]
    stroke(axes, view.mm(points), PALE, MOUNTING_PT, 5.0)
    for stretch in line.no_nozzles:
        stroke(axes, view.mm(part(points, stretch.from_m, stretch.to_m)), PAPER, MOUNTING_PT - 1.4, 5.1)


def outline(polygon: Any) -> Mapping[str, Any]:
    """A shapely polygon as GeoJSON, which is all that drawing needs."""
    shape: Mapping[str, Any] = polygon.__geo_interface__
    return shape


def draw_grid_ticks(axes: Axes, view: View) -> None:
    """Local coordinates along the frame of the drawing, in metres, so that places can be read off."""
    step = next(s for s in (1, 2, 5, 10, 20, 25, 50, 100, 200, 250, 500, 1000) if s * 1000.0 / view.scale >= 28.0)
    left, bottom, _, top = FRAME_MM
    low, high = view.m(left + 6, bottom + 6), view.m(COLUMN_MM - 6, top - 6)
    for easting in np.arange(np.ceil(low[0] / step) * step, high[0], step):
        x = view.mm([(easting, 0.0)])[0, 0]
        for edge, inward in ((bottom, 1.8), (top, -1.8)):
            stroke(axes, np.array([(x, edge), (x, edge + inward)]), GREY, 0.5, 9.0)
        text(axes, x, bottom + 3.1, f"{easting + 0.0:.0f} E", 4.6, colour=GREY, ha="center")
    for northing in np.arange(np.ceil(low[1] / step) * step, high[1], step):
        y = view.mm([(0.0, northing)])[0, 1]
        for edge, inward in ((left, 1.8), (COLUMN_MM, -1.8)):
            stroke(axes, np.array([(edge, y), (edge + inward, y)]), GREY, 0.5, 9.0)
        text(axes, left + 3.1, y, f"{northing + 0.0:.0f} N", 4.6, ha="center", rotation=90, colour=GREY)
