"""Even pitch: the sets of candidates that stand evenly along a line."""

from __future__ import annotations

import math

import numpy as np

from optimizer.placement.problem import TOLERANCE_M, FloatArray, Window


def even_patterns(
    members: Window, chainage_m: FloatArray, length_m: float, pitches_m: FloatArray, step_m: float, *, closed: bool
) -> tuple[Window, ...]:
    """Every set of a strand's candidates that stands at one pitch, from every start within the first pitch.

    members: by chainage; chainage_m: theirs; pitches_m: that may be tried; step_m: between starts. On a closed line
    a pitch is widened to divide its length. A nozzle stands at the candidate nearest to its place, within half a
    step; where there is none (a door, a keep-out) the pattern has a gap. No two nozzles of a pattern share a place.
    """
    s = np.asarray(chainage_m)
    found: set[Window] = set()
    for pitch in pitches_m:
        even = length_m / max(1, math.floor(length_m / pitch + TOLERANCE_M)) if closed else float(pitch)
        for start in np.arange(0.0, even - TOLERANCE_M, step_m):
            end = length_m - TOLERANCE_M if closed else length_m + TOLERANCE_M
            places = np.arange(start, end, even)
            found.add(tuple(members[i] for i in _nearest(s, places, step_m / 2.0 + TOLERANCE_M)))
    return tuple(sorted(found - {()}))


def _nearest(s: FloatArray, places: FloatArray, within: float) -> list[int]:
    """Index of the candidate nearest to each place, those farther than `within` left out."""
    after = np.clip(np.searchsorted(s, places), 0, len(s) - 1)
    before = np.maximum(after - 1, 0)
    nearest = np.where(np.abs(s[before] - places) <= np.abs(s[after] - places), before, after)
    return sorted(set(nearest[np.abs(s[nearest] - places) <= within].tolist()))
