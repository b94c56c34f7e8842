"""Outside corners of mounting lines: where the side that its nozzles may face opens to more than half a circle."""

from __future__ import annotations

import numpy as np

from geometry.chainage import BoolArray, FloatArray, stretch_azimuths_deg, vertex_chainages_m
from geometry.facing import Sides, facing_azimuths_deg, preferences
from geometry.site import MountingLine

CORNER_DEG = 30.0
"""A line that turns by less is no corner there (common practice, no source)."""
ALONG_SIN = 1e-9


def outside_corners_m(line: MountingLine, of: Sides) -> FloatArray:
    """Chainages of a line's outside corners in order; `of` says what its facings mean.

    A corner is a vertex, or the seam of a closed line (at chainage 0), where the line turns by CORNER_DEG or more;
    outside where its nozzles may face the side away from the turn, on the stretch before it or after it. An azimuth
    along a stretch may face either side.
    """
    at = vertex_chainages_m(line.line)[:-1]
    left, right = _faced(line, of)
    turn_deg = _turns_deg(line)
    to_left, to_right = turn_deg >= CORNER_DEG - 1e-6, turn_deg <= -CORNER_DEG + 1e-6
    outside = (to_left & (right | np.roll(right, 1))) | (to_right & (left | np.roll(left, 1)))
    return at[outside]


def _turns_deg(line: MountingLine) -> FloatArray:
    """Turn to the left at the start of every stretch; none where an open line starts."""
    azimuths = stretch_azimuths_deg(line.line)
    turns = (np.roll(azimuths, 1) - azimuths + 180.0) % 360.0 - 180.0
    return turns if line.closed else np.concatenate([[0.0], turns[1:]])


def _faced(line: MountingLine, of: Sides) -> tuple[BoolArray, BoolArray]:
    """Whether nozzles on each stretch may face its left, and its right."""
    starts = vertex_chainages_m(line.line)[:-1]
    travel = stretch_azimuths_deg(line.line)
    facings = preferences(line.facings, of)
    to_right = np.array(
        [np.sin(np.radians(facing_azimuths_deg(line.line, of, facing, starts) - travel)) for facing in facings]
    )
    return np.any(to_right <= ALONG_SIN, axis=0), np.any(to_right >= -ALONG_SIN, axis=0)
