"""The plan of an alternative: one A3 sheet with the site, what is to be built on it, and what it achieves."""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.axes import Axes

from geometry.site import Site
from optimizer.design import Design
from optimizer.report.column import draw_column
from optimizer.report.ground import draw_grid_ticks, draw_ground
from optimizer.report.lettering import draw_lettering
from optimizer.report.routes import ways
from optimizer.report.sheet import (
    COLUMN_MM,
    FRAME_MM,
    View,
    blank_sheet,
    box,
    own_settings,
    stroke,
    svg_text,
    text,
    view_of,
)
from optimizer.report.style import INK, WARNING
from optimizer.report.title_block import draw_title_block
from optimizer.report.works import draw_works


def plan_svg(design: Design, site: Site, title: str, subtitle: str) -> str:
    """The plan as SVG text, 420 x 297 mm, true to the scale it states; same design, same bytes.

    design: with its verification; one that is not verified is drawn with UNVERIFIED in red across it.
    title, subtitle: for the title block, the scenario's and the option's.
    """
    with own_settings():
        figure, axes = blank_sheet()
        view = view_of_site(site)
        draw_ground(axes, view, site, design)
        works = draw_works(axes, view, design, site)
        lost = draw_lettering(axes, view, site, design, works)
        draw_grid_ticks(axes, view)
        draw_column(axes, view, site, design, works.look, lost)
        draw_title_block(axes, design, title, subtitle)
        draw_frame(axes)
        if not design.verification.verified:
            draw_warning(axes)
        return svg_text(figure, f"{title}: {subtitle}")


def view_of_site(site: Site) -> View:
    """Room for the boundary and for what stands or runs outside it."""
    drawn = [site.boundary, *ways(site), *(zone.polygon for zone in site.zones)]
    drawn += [*(one.polygon for one in site.keep_outs), *(one.polygon for one in site.obstacles)]
    bounds = np.array([shape.bounds for shape in drawn])
    return view_of(bounds[:, :2].min(axis=0).tolist(), bounds[:, 2:].max(axis=0).tolist())


def draw_frame(axes: Axes) -> None:
    left, bottom, right, top = FRAME_MM
    box(axes, left, bottom, right - left, top - bottom, 20.0, facecolor="none", edgecolor=INK, linewidth=2.0)
    stroke(axes, np.array([(COLUMN_MM, bottom), (COLUMN_MM, top)]), INK, 1.2, 20.0)


def draw_warning(axes: Axes) -> None:
    x, y = (FRAME_MM[0] + COLUMN_MM) / 2, (FRAME_MM[1] + FRAME_MM[3]) / 2
    place: dict[str, Any] = {"ha": "center", "va": "center", "rotation": 35}
    text(axes, x, y, "UNVERIFIED", 95.0, colour=WARNING, bold=True, z=40.0, alpha=0.2, **place)
