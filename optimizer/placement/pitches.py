"""Even pitch: the sets of candidates that stand evenly along a line."""

from __future__ import annotations

import math

import numpy as np

from optimizer.placement.problem import TOLERANCE_M, FloatArray, IntArray, Window

FINEST_M = 0.25  # pitches and starts lie no closer, however fine the candidates: their number grows with its square


def tried_pitches(least_m: float, widest_m: float, step_m: float) -> FloatArray:
    """The pitches to try, from the least, a step apart."""
    grain = max(step_m, FINEST_M)
    return np.arange(least_m, widest_m + grain / 2.0, grain)


def even_patterns(
    members: Window,
    chainage_m: FloatArray,
    length_m: float,
    pitches_m: FloatArray,
    step_m: float,
    *,
    closed: bool,
    anchors_m: FloatArray | None = None,
) -> tuple[Window, ...]:
    """Every set of a strand's candidates that stands at one pitch, from every start within the first pitch.

    members: by chainage; chainage_m: theirs; pitches_m: that may be tried; step_m: between starts; anchors_m: of
    candidates that patterns should hold (locked, preferred): each is a start besides, whatever the step. On a closed
    line a pitch is widened to divide its length. A nozzle stands at the candidate nearest to its place, within half a
    step, or at an anchor there; where there is none (a door, a keep-out) the pattern has a gap. No two nozzles of a
    pattern share a place.
    """
    s = np.asarray(chainage_m)
    anchors = np.flatnonzero(np.isin(s, [] if anchors_m is None else anchors_m))
    within = step_m / 2.0 + TOLERANCE_M
    end = length_m - TOLERANCE_M if closed else length_m + TOLERANCE_M
    found: set[Window] = set()
    for pitch in pitches_m:
        even = length_m / max(1, math.floor(length_m / pitch + TOLERANCE_M)) if closed else float(pitch)
        for start in _starts(even, max(step_m, FINEST_M), s[anchors]):
            places = np.arange(start, end, even)
            nearest = _nearest(s, np.arange(len(s)), places, within)
            held = _nearest(s, anchors, places, within)
            for standing in (nearest, np.where(held >= 0, held, nearest)):
                found.add(tuple(members[i] for i in sorted(set(standing[standing >= 0].tolist()))))
    return tuple(sorted(found - {()}))


def _starts(pitch_m: float, grain_m: float, anchors_m: FloatArray) -> FloatArray:
    """Where a pattern may start: within the first pitch, a grain apart, and so that it passes an anchor."""
    passing = anchors_m % pitch_m
    return np.append(np.arange(0.0, pitch_m - TOLERANCE_M, grain_m), passing * (passing < pitch_m - TOLERANCE_M))


def _nearest(s: FloatArray, among: IntArray, places: FloatArray, within: float) -> IntArray:
    """Index of the candidate nearest to each place, of those `among` in order; -1 where none is within."""
    if among.size == 0:
        return np.full(len(places), -1)
    after = np.clip(np.searchsorted(s[among], places), 0, len(among) - 1)
    before = np.maximum(after - 1, 0)
    off_before, off_after = (np.abs(s[among[i]] - places) for i in (before, after))
    nearest = among[np.where(off_before <= off_after, before, after)]
    return np.where(np.minimum(off_before, off_after) <= within, nearest, -1)
