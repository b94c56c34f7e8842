"""The dosage map of an alternative: how much mist passes where on the site, and where all of it goes."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.colors import to_rgba
from matplotlib.patches import Rectangle

from geometry.site import Site
from optimizer.appraisal.misted import MistAccount, MistGrid
from optimizer.design import Design
from optimizer.report.dosage_column import EDGE_DASH, draw_dosage_column
from optimizer.report.dosage_scale import ML_S_M3, Steps, steps_for
from optimizer.report.ground import BOUNDARY_DASH, ZONE_DASH, draw_grid_ticks, draw_keep_out, outline
from optimizer.report.plan import draw_frame, draw_warning, view_of_site
from optimizer.report.sheet import (
    COLUMN_MM,
    FRAME_MM,
    Picture,
    View,
    area,
    blank_sheet,
    disc,
    own_settings,
    picture,
    stroke,
)
from optimizer.report.style import GREY, INK, OBSTACLE, OBSTACLE_EDGE, PAPER, ZONE_TEXT

NOZZLE_MM = 0.62


def dosage_picture(mist: MistAccount, design: Design, site: Site, title: str, subtitle: str) -> Picture:
    """The map as one A3 sheet at the scale of the plan; same input, same bytes."""
    with own_settings():
        figure, axes = blank_sheet()
        view = view_of_site(site)
        steps = steps_for(mist.grid.dosage_s)
        if steps is not None:
            _draw_dosage(axes, view, mist.grid, steps)
        _draw_site(axes, view, site)
        _draw_nozzles(axes, view, design)
        draw_grid_ticks(axes, view)
        draw_dosage_column(axes, view, mist, steps, site, title, subtitle)
        draw_frame(axes)
        if not design.verification.verified:
            draw_warning(axes)
        return picture(figure, f"{title}: {subtitle}: dosage of mist")


def _draw_dosage(axes: Axes, view: View, grid: MistGrid, steps: Steps) -> None:
    """Filled contours as far as the map goes, kept inside the frame of the drawing."""
    rows, columns = grid.dosage_s.shape
    x = view.mm([(grid.west_m + (i + 0.5) * grid.cell_m, 0.0) for i in range(columns)])[:, 0]
    y = view.mm([(0.0, grid.south_m + (i + 0.5) * grid.cell_m) for i in range(rows)])[:, 1]
    # by logarithms, so that contours between cells lie as evenly as the steps do
    level = np.log(np.maximum(grid.dosage_s / ML_S_M3, 0.01 * steps.edges[0]))
    drawn = axes.contourf(x, y, level, levels=[*np.log(steps.edges), np.inf], colors=steps.colours, zorder=1.0)
    left, bottom, _, top = FRAME_MM
    frame = Rectangle((left, bottom), COLUMN_MM - left, top - bottom, transform=axes.transData)
    drawn.set_clip_path(frame)
    edge = Rectangle((x[0], y[0]), x[-1] - x[0], y[-1] - y[0], zorder=1.5, facecolor="none", edgecolor=GREY,
                     linewidth=0.5, linestyle=(0, EDGE_DASH))
    axes.add_patch(edge)
    edge.set_clip_path(frame)


def _draw_site(axes: Axes, view: View, site: Site) -> None:
    """The site in outlines, so that dosage shows through."""
    for zone in site.zones:
        area(axes, outline(zone.polygon), view, 2.0, facecolor="none", edgecolor=PAPER, linewidth=1.8)
        look = {"facecolor": "none", "edgecolor": ZONE_TEXT, "linewidth": 1.0}
        area(axes, outline(zone.polygon), view, 2.1, linestyle=(0, ZONE_DASH), **look)
    for obstacle in site.obstacles:
        look = {"facecolor": OBSTACLE, "edgecolor": OBSTACLE_EDGE, "linewidth": 0.8}
        area(axes, outline(obstacle.polygon), view, 3.0, **look)
    for keep_out in site.keep_outs:
        area(axes, outline(keep_out.polygon), view, 3.4, facecolor=to_rgba(PAPER, 0.4), edgecolor="none")
        draw_keep_out(axes, view, outline(keep_out.polygon), keep_out.forbids, 3.5)
    boundary = view.mm(np.array(site.boundary.exterior.coords))
    stroke(axes, boundary, PAPER, 2.8, 3.9)
    stroke(axes, boundary, INK, 1.5, 4.0, BOUNDARY_DASH)


def _draw_nozzles(axes: Axes, view: View, design: Design) -> None:
    place = {node.id: (node.x_m, node.y_m) for node in design.nodes}
    for nozzle in design.nozzles:
        ((x, y),) = view.mm([place[nozzle.node]])
        disc(axes, x, y, NOZZLE_MM, 6.0, facecolor=PAPER, edgecolor=INK, linewidth=0.6)
