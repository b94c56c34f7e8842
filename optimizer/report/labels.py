"""Where the lettering of a drawing goes: no two labels on one another, none on a symbol.

Everything is in millimetres on paper. A label is a band of round beads along its baseline, so a turned
label is tested like a level one. Labels are placed one after the other, each on its cheapest free spot; no
randomness.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
from matplotlib.font_manager import FontProperties
from matplotlib.path import Path
from matplotlib.textpath import text_to_path
from numpy.typing import NDArray

from optimizer.report.style import INK

Array = NDArray[np.float64]

POINT_MM = 25.4 / 72
_NEAR_MM = 16.0  # what lies further away cannot touch a label that is tried


@dataclass(frozen=True)
class Spot:
    """A place tried: centre of the text, its angle (counter-clockwise, degrees), and how unwelcome it is."""

    x_mm: float
    y_mm: float
    angle_deg: float = 0.0
    cost: float = 0.0


@dataclass(frozen=True)
class Label:
    """One line of text, the spots to try, and how it is written.

    anchor: where a leader would start, None for no leader; mask: paper colour behind the letters; boxed:
    the mask has an edge in the colour of the text.
    """

    text: str
    size_pt: float
    spots: tuple[Spot, ...]
    bold: bool = False
    colour: str = INK
    mask: bool = False
    boxed: bool = False
    anchor: tuple[float, float] | None = None


@cache
def text_size_mm(text: str, size_pt: float, bold: bool = False) -> tuple[float, float]:
    """Width in mm of a one-line text in the drawing's font, and height of its capitals with a little air."""
    font = FontProperties(family="DejaVu Sans", weight="bold" if bold else "normal", size=size_pt)
    width, _, _ = text_to_path.get_text_width_height_descent(text, font, ismath=False)
    return float(width) * POINT_MM, 0.76 * size_pt * POINT_MM


def place(labels: Sequence[Label], symbols: Array, lines: Array) -> tuple[Spot | None, ...]:
    """A spot for each label, None where every spot is taken.

    symbols: [n, 3] centre and radius of discs that must stay free; lines: [m, 2] points along lines that a
    label had better not cross. A label placed earlier is a symbol to the later ones.
    """
    taken, found = symbols.reshape(-1, 3), []
    for label in labels:
        spot = _cheapest(label, taken, lines)
        if spot is not None:
            taken = np.vstack([taken, beads(label, spot)])
        found.append(spot)
    return tuple(found)


def beads(label: Label, spot: Spot) -> Array:
    """Discs [n, 3] that cover the label at a spot."""
    width, height = text_size_mm(label.text, label.size_pt, label.bold)
    radius = (1.05 if label.boxed else 0.66) * height  # 0.66 reaches the corners of the letters
    half = max(width / 2 - 0.4 * height, 0.0)
    along = np.linspace(-half, half, max(2, math.ceil(2 * half / radius) + 1))
    turn = math.radians(spot.angle_deg)
    x, y = spot.x_mm + along * math.cos(turn), spot.y_mm + along * math.sin(turn)
    return np.column_stack([x, y, np.full(len(x), radius)])


def _cheapest(label: Label, taken: Array, lines: Array) -> Spot | None:
    if not label.spots:
        return None
    middle = np.mean([(spot.x_mm, spot.y_mm) for spot in label.spots], axis=0)
    reach = _NEAR_MM + max(math.hypot(spot.x_mm - middle[0], spot.y_mm - middle[1]) for spot in label.spots)
    taken, lines = _within(taken, middle, reach), _within(lines, middle, reach)
    best: tuple[float, Spot] | None = None
    for spot in sorted(label.spots, key=lambda spot: spot.cost):
        if best is not None and spot.cost >= best[0]:
            break
        own = beads(label, spot)
        if _clear(own, taken):
            cost = spot.cost + _crossed(own, lines)
            best = (cost, spot) if best is None or cost < best[0] else best
    return best[1] if best else None


def _within(points: Array, middle: Array, reach: float) -> Array:
    near: Array = points[np.max(np.abs(points[:, :2] - middle), axis=1) <= reach]
    return near


def _clear(own: Array, taken: Array) -> bool:
    apart = np.hypot(own[:, None, 0] - taken[:, 0], own[:, None, 1] - taken[:, 1])
    return bool(np.all(apart >= own[:, None, 2] + taken[:, 2]))


def _crossed(own: Array, lines: Array) -> float:
    """How many points of lines lie under the beads or close to them, each counted 1.5."""
    apart = np.hypot(own[:, None, 0] - lines[:, 0], own[:, None, 1] - lines[:, 1])
    return 1.5 * float(np.count_nonzero(np.any(apart < 1.4 * own[:, None, 2], axis=0)))


def around(x_mm: float, y_mm: float, facing_deg: float, text_mm: tuple[float, float], radial: bool) -> tuple[Spot, ...]:
    """Spots round a small symbol, best straight behind its facing (azimuth, clockwise from north).

    radial: rather text that runs outward along the ray, which gives close neighbours on a line each their
    number; else rather level text.
    """
    return tuple(_ring(x_mm, y_mm, 90.0 - facing_deg + 180.0, text_mm, radial))


def _ring(x: float, y: float, back_deg: float, text_mm: tuple[float, float], radial: bool) -> Iterator[Spot]:
    width, height = text_mm
    for ring, gap in enumerate((1.15, 2.6, 4.4, 6.6, 9.0)):
        for turn in (0, 25, -25, 50, -50, 80, -80, 115, -115, 180):
            ray = math.radians(back_deg + turn)
            cost = 3.0 * ring + abs(turn) / 60.0
            level = abs(math.cos(ray)) * width / 2 + abs(math.sin(ray)) * height / 2 + gap
            yield Spot(x + level * math.cos(ray), y + level * math.sin(ray), 0.0, cost + 2.0 * radial)
            outward = width / 2 + gap
            yield Spot(x + outward * math.cos(ray), y + outward * math.sin(ray), _upright(ray), cost + 0.5)


def _upright(ray: float) -> float:
    """Angle in (-90, 90] of text along a ray, so that it reads from below or from the right."""
    angle = math.degrees(ray) % 180.0
    return angle if angle <= 90.0 else angle - 180.0


def along(points: Array, distances_mm: Sequence[float], every_mm: float = 4.0) -> tuple[Spot, ...]:
    """Spots beside a path [n, 2], on either side at each distance, best in its middle."""
    step = np.diff(points, axis=0)
    length = np.hypot(*step.T)
    ends = np.concatenate([[0.0], np.cumsum(length)])
    spots = []
    for at in np.arange(every_mm / 2, max(ends[-1], every_mm), every_mm):
        k = min(int(np.searchsorted(ends, at, side="right")) - 1, len(step) - 1)
        unit = step[k] / length[k]
        x, y = points[k] + unit * (at - ends[k])
        for distance in distances_mm:
            cost = 2.0 * abs(distance) / 4.0 + 3.0 * abs(at / max(ends[-1], every_mm) - 0.5)
            spots.append(Spot(x - unit[1] * distance, y + unit[0] * distance, 0.0, cost))
    return tuple(spots)


def inside(
    ring: Array, holes: Sequence[Array], text_mm: tuple[float, float], every_mm: float = 2.5
) -> tuple[Spot, ...]:
    """Spots for a text within a ring [n, 2] and outside of holes, level or upright, best near the middle.

    Where the text does not fit these spots cost more, by how far it sticks out, than spots beside the ring.
    """
    low, high = ring.min(axis=0), ring.max(axis=0)
    sides = [np.linspace(a, b, math.ceil((b - a) / every_mm) + 4)[1:-1] for a, b in zip(low, high, strict=True)]
    grid = np.stack(np.meshgrid(*sides), axis=-1).reshape(-1, 2)
    middle = (low + high) / 2
    spots = []
    for angle, (width, height) in ((0.0, text_mm), (90.0, text_mm[::-1])):
        across, up = np.meshgrid((-0.56 * width, 0.0, 0.56 * width), (-0.9 * height, 0.0, 0.9 * height))
        corners = np.column_stack([across.ravel(), up.ravel()])
        held = _held((grid[:, None] + corners).reshape(-1, 2), ring, holes).reshape(len(grid), -1)
        cost = 0.12 * np.hypot(*(grid - middle).T) + 8.0 * np.count_nonzero(~held, axis=1) + angle / 45.0
        spots += [
            Spot(float(at[0]), float(at[1]), angle, float(price))
            for at, price, ok in zip(grid, cost, held[:, 4], strict=True)
            if ok
        ]
    width, height = (text_mm[0] / 2 + 1.0, text_mm[1] / 2 + 1.0)
    below, above = (middle[0], low[1] - height), (middle[0], high[1] + height)
    right, left = (high[0] + width, middle[1]), (low[0] - width, middle[1])
    beside = enumerate((below, above, right, left))
    return (*spots, *(Spot(float(x), float(y), 0.0, 20.0 + k) for k, (x, y) in beside))


def _held(points: Array, ring: Array, holes: Sequence[Array]) -> NDArray[np.bool_]:
    within: NDArray[np.bool_] = Path(ring).contains_points(points)
    for hole in holes:
        within &= ~Path(hole).contains_points(points)
    return within
