"""A sheet of paper: A3 landscape with a frame, drawn in millimetres, the site on it at a round scale.

Strokes and lettering only; what is drawn where is for the callers. Same input, same bytes: own settings
instead of the user's, letters as outlines of a font that comes with matplotlib, no date.
"""

from __future__ import annotations

import io
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure
from matplotlib.patches import Circle, PathPatch, Rectangle
from matplotlib.patches import Polygon as Outline
from matplotlib.path import Path
from numpy.typing import ArrayLike, NDArray

from optimizer.cautions import CAUTIONS
from optimizer.report.style import INK, PAPER

Array = NDArray[np.float64]

WIDTH_MM, HEIGHT_MM = 420.0, 297.0
FRAME_MM = (20.0, 10.0, 410.0, 287.0)  # left, bottom, right, top; 20 mm left to bind, ISO 5457
PNG_DPI = 130
COLUMN_MM = 312.0  # the drawing is left of this, legend and title block right
_MARGIN_MM = 11.0
# ISO 5455 enlarges by 1, 2, 5; the steps between are common on site plans
SCALES = (
    20,
    25,
    50,
    75,
    100,
    125,
    150,
    200,
    250,
    300,
    400,
    500,
    600,
    750,
    1000,
    1250,
    1500,
    2000,
    2500,
    5000,
)
_SETTINGS: dict[Any, Any] = {
    "svg.hashsalt": "haarline",
    "svg.fonttype": "path",
    "font.family": "DejaVu Sans",
    "lines.scale_dashes": False,
    "hatch.linewidth": 0.45,
    "path.simplify": False,
}


@dataclass(frozen=True)
class View:
    """How metres on site become millimetres on paper: scale 1:`scale`, `centre_m` in the middle of the
    drawing."""

    scale: int
    centre_m: tuple[float, float]

    def mm(self, points_m: ArrayLike) -> Array:
        """Points [n, 2 or 3] in local metres as points [n, 2] on paper."""
        plan = np.atleast_2d(np.asarray(points_m, dtype=float))[:, :2]
        middle = ((FRAME_MM[0] + COLUMN_MM) / 2, (FRAME_MM[1] + FRAME_MM[3]) / 2)
        placed: Array = (plan - self.centre_m) * 1000.0 / self.scale + middle
        return placed

    def m(self, x_mm: float, y_mm: float) -> tuple[float, float]:
        """The place on site of a point on paper."""
        origin = self.mm([(0.0, 0.0)])[0]
        return (x_mm - origin[0]) * self.scale / 1000.0, (y_mm - origin[1]) * self.scale / 1000.0


def view_of(low_m: Sequence[float], high_m: Sequence[float]) -> View:
    """The largest round scale at which a site of these corners (x, y in metres) fits."""
    room = (COLUMN_MM - FRAME_MM[0] - 2 * _MARGIN_MM, FRAME_MM[3] - FRAME_MM[1] - 2 * _MARGIN_MM)
    need = max((high - low) * 1000.0 / mm for low, high, mm in zip(low_m, high_m, room, strict=True))
    scale = next((scale for scale in SCALES if scale >= need), int(np.ceil(need / 1000.0)) * 1000)
    return View(scale, ((low_m[0] + high_m[0]) / 2, (low_m[1] + high_m[1]) / 2))


@contextmanager
def own_settings() -> Iterator[None]:
    """matplotlib as this program wants it, whatever the user's settings are."""
    with matplotlib.rc_context():
        matplotlib.rcdefaults()
        matplotlib.rcParams.update(_SETTINGS)
        yield


def blank_sheet() -> tuple[Figure, Axes]:
    """An empty sheet whose one pair of axes counts millimetres from the lower left corner."""
    figure = Figure(figsize=(WIDTH_MM / 25.4, HEIGHT_MM / 25.4), facecolor=PAPER)
    FigureCanvasSVG(figure)
    axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
    axes.set(xlim=(0.0, WIDTH_MM), ylim=(0.0, HEIGHT_MM))
    axes.set_axis_off()
    return figure, axes


def svg_text(figure: Figure, title: str) -> str:
    """The sheet as SVG; its description holds the cautions in words, for what is drawn are outlines."""
    out = io.StringIO()
    about = {"Date": None, "Creator": "Haarline", "Title": title, "Description": " ".join(CAUTIONS)}
    figure.savefig(out, format="svg", metadata=about)
    return out.getvalue()


@dataclass(frozen=True)
class Picture:
    """A drawing for print and for screens."""

    svg: str
    png: bytes


def picture(figure: Figure, title: str) -> Picture:
    """A drawing as SVG and as PNG, the latter with the cautions among its texts; no date in either."""
    out = io.BytesIO()
    about: dict[str, Any] = {"Software": None, "Title": title, "Description": " ".join(CAUTIONS)}
    figure.savefig(out, format="png", dpi=PNG_DPI, metadata=about)
    return Picture(svg_text(figure, title), out.getvalue())


def stroke(
    axes: Axes,
    points_mm: Array,
    colour: str,
    width_pt: float,
    z: float,
    dash: Sequence[float] = (),
    **more: Any,
) -> None:
    """A line through points; dash in points on and off."""
    more = {"solid_capstyle": "butt", "dash_capstyle": "butt", "solid_joinstyle": "round", **more}
    style: Any = (0, tuple(dash)) if dash else "-"
    axes.plot(points_mm[:, 0], points_mm[:, 1], color=colour, linewidth=width_pt, linestyle=style, zorder=z, **more)


def area(axes: Axes, shape: Mapping[str, Any], view: View, z: float, **look: Any) -> None:
    """A GeoJSON Polygon or MultiPolygon in local metres, holes left open."""
    polygons = [shape["coordinates"]] if shape["type"] == "Polygon" else shape["coordinates"]
    rings = [
        Path(_turned(view.mm(ring), counter_clockwise=index == 0), closed=True)
        for polygon in polygons
        for index, ring in enumerate(polygon)
    ]
    if rings:
        axes.add_patch(PathPatch(Path.make_compound_path(*rings), zorder=z, **look))


def _turned(ring: Array, counter_clockwise: bool) -> Array:
    """The ring in the sense wanted: SVG fills what is wound, so a hole must run against its outline."""
    x, y = ring.T
    left = float(np.sum(x[:-1] * y[1:] - x[1:] * y[:-1])) > 0
    return ring if left == counter_clockwise else ring[::-1]


def box(axes: Axes, left: float, bottom: float, width: float, height: float, z: float = 10.0, **look: Any) -> None:
    """A rectangle in mm."""
    axes.add_patch(Rectangle((left, bottom), width, height, zorder=z, **look))


def disc(axes: Axes, x: float, y: float, radius: float, z: float, **look: Any) -> None:
    """A circle in mm."""
    axes.add_patch(Circle((x, y), radius, zorder=z, **look))


def shape_mm(axes: Axes, points_mm: ArrayLike, z: float, **look: Any) -> None:
    """A closed outline in mm."""
    axes.add_patch(Outline(np.asarray(points_mm, dtype=float), closed=True, zorder=z, **look))


def text(
    axes: Axes,
    x: float,
    y: float,
    words: str,
    size_pt: float,
    *,
    colour: str = INK,
    bold: bool = False,
    z: float = 30.0,
    **place: Any,
) -> None:
    """Lettering at a point in mm, by default centred on it in height only. A dollar sign is a dollar sign."""
    axes.text(
        x,
        y,
        words,
        fontsize=size_pt,
        color=colour,
        weight="bold" if bold else "normal",
        zorder=z,
        parse_math=False,
        **{"va": "center_baseline", "ha": "left", **place},
    )
