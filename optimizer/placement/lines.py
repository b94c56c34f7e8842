"""Best choice on every line by itself, for given prices: the exact dynamic programme behind the bound.

A cell is covered from a line by *intervals*, maximal sets of consecutive candidates. With a worth for
each interval that is hit and a price for each nozzle, the best choice on a track is a longest path over
its candidates: the gain of the next nozzle j behind i is what those intervals of j are worth that do not
hold i (a nozzle before i shares no interval with j that i does not).
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from optimizer.placement.problem import BoolArray, FloatArray, IntArray, PlacementProblem
from optimizer.placement.tracks import Tracks, tracks_of


@dataclass(frozen=True, eq=False)
class Lines:
    """Tracks, ready for pricing.

    near: how many places back the gain of a nozzle can depend on; source [T, R, near]: where `_shared` holds
    the worth that the candidate at a step shares with the one near - column steps before it, its size where
    that one is no legal predecessor; rising: tracks whose `least` rises at each step [T]; far [T, R]: 0 where
    the candidate near steps back is a legal predecessor of the next step's, else -inf.
    """

    tracks: Tracks
    near: int
    source: IntArray
    rising: tuple[IntArray, ...]
    far: FloatArray


def lines_of(problem: PlacementProblem) -> Lines:
    """Take the problem apart by line."""
    tracks = tracks_of(problem)
    widest = int((tracks.last - tracks.first).max(initial=0))
    near = max(1, widest, int(tracks.room.max(initial=0)), int(tracks.bar_to.max(initial=0)))
    rises = np.diff(tracks.least, axis=1, prepend=-1) > 0
    rising = tuple(np.flatnonzero(column) for column in rises.T)
    back = np.arange(tracks.least.shape[1]) - near
    following = np.concatenate([tracks.least[:, 1:], tracks.least[:, -1:]], axis=1)
    far = np.where(back >= following, 0.0, -np.inf).T
    return Lines(tracks, near, _source(tracks, near), rising, np.ascontiguousarray(far))


def _source(tracks: Tracks, near: int) -> IntArray:
    start, room = tracks.start, tracks.room
    step, track, column = np.ogrid[: tracks.least.shape[1], : len(start) - 1, :near]
    back = near - column
    here = start[track] + step
    inside = (here < start[track + 1]) & (back <= step)
    at = np.where(inside, here, 0)
    barred = (back >= tracks.bar_from[at]) & (back <= tracks.bar_to[at])
    allowed = inside & (back > room[at]) & ~barred & (step - back >= tracks.least.T[:, :, None])
    return np.where(allowed, (here - back) * (near + 1) + back, len(room) * (near + 1))


def best_by_line(lines: Lines, worth: FloatArray, price: FloatArray) -> tuple[float, BoolArray]:
    """Greatest sum of worth hit minus prices paid, and the places chosen [P].

    worth [I] of each interval, price [P] of a nozzle at each place. -inf where a line cannot meet its windows.
    """
    tracks = lines.tracks
    shared = _shared(lines, worth)
    alone = np.where(tracks.usable, shared[:, 0] - price, -np.inf)
    loss = np.append(-shared.ravel(), -np.inf)[lines.source]
    best = _forward(lines, alone, loss)
    ended = np.arange(best.shape[1]) >= tracks.finish[:, None]
    values = np.where(ended, best, -np.inf).max(axis=1)
    values = np.where((tracks.finish < 0) | tracks.optional, np.maximum(values, 0.0), values)
    chosen = np.zeros(len(tracks.order), dtype=bool)
    total = 0.0
    for line in range(int(tracks.line[-1]) + 1):
        track = _best_track(tracks, values, line)
        total += float(values[track])
        for step in _backward(lines, track, best[track], loss[:, track]):
            chosen[tracks.start[track] + step] = True
    return total, chosen


def _best_track(tracks: Tracks, values: FloatArray, line: int) -> int:
    low, high = np.searchsorted(tracks.line, [line, line + 1])
    return int(low + values[low:high].argmax())


def _shared(lines: Lines, worth: FloatArray) -> FloatArray:
    """[P, near + 1]: worth of the intervals that hold both place p and place p + d."""
    tracks, wide = lines.tracks, lines.near + 1
    count = len(tracks.order)
    slot = tracks.last * wide + tracks.last - tracks.first
    ending = np.bincount(slot, weights=worth, minlength=count * wide).reshape(count, wide)
    holding = np.cumsum(ending[:, ::-1], axis=1)[:, ::-1]  # [b, e]: ends at b and starts at b - e or before
    ahead = np.arange(count)[:, None] + np.arange(wide)
    sheared = np.where(ahead < count, holding[np.minimum(ahead, count - 1), np.arange(wide)], 0.0)
    return np.ascontiguousarray(np.cumsum(sheared[:, ::-1], axis=1)[:, ::-1])


def _forward(lines: Lines, alone: FloatArray, loss: FloatArray) -> FloatArray:
    """[R, T]: best value of a choice whose last nozzle stands at this step of the track."""
    tracks, near = lines.tracks, lines.near
    count, longest = tracks.least.shape
    gain = np.full((longest, count), -np.inf)
    for track, (low, high) in enumerate(pairwise(tracks.start)):
        gain[: high - low, track] = alone[low:high]
    best = np.full((count, near + longest), -np.inf)  # shifted by near, so that every step can look back
    before = np.zeros(count)  # best of none at all and of the steps more than near back
    for step in range(longest):
        if lines.rising[step].size:
            before[lines.rising[step]] = _far_again(lines, best, step)
        close = (best[:, step : step + near] + loss[step]).max(axis=1)
        best[:, near + step] = np.maximum(close, before) + gain[step]
        np.maximum(before, best[:, step] + lines.far[step], out=before)
    return best[:, near:]


def _far_again(lines: Lines, best: FloatArray, step: int) -> FloatArray:
    """`before` of the tracks whose `least` rises at this step: what is still a legal predecessor."""
    rising, least = lines.rising[step], lines.tracks.least[:, step]
    if int(least[rising].min()) >= step - lines.near:
        return np.full(len(rising), -np.inf)
    low = lines.near + least[rising]
    return np.array([best[track, start:step].max(initial=-np.inf) for track, start in zip(rising, low, strict=True)])


def _backward(lines: Lines, track: int, best: FloatArray, loss: FloatArray) -> list[int]:
    """Steps chosen on a track, from the last nozzle back to the first."""
    finish = int(lines.tracks.finish[track])
    step = max(finish, 0) + int(best[max(finish, 0) :].argmax())
    free = finish < 0 or bool(lines.tracks.optional[track])
    if best[step] == -np.inf or (free and best[step] <= 0.0):
        return []
    steps = [step]
    while (step := _predecessor(lines, track, step, best, loss)) >= 0:
        steps.append(step)
    return steps


def _predecessor(lines: Lines, track: int, step: int, best: FloatArray, loss: FloatArray) -> int:
    """Step of the best nozzle before this one, -1 where it is the first."""
    least = int(lines.tracks.least[track, step])
    low = max(step - lines.near, least, 0)
    close = best[low:step] + loss[step, lines.near - (step - low) :]
    far = best[max(least, 0) : low] if low == step - lines.near else best[:0]
    options = [(0.0, -1)] if least < 0 else []
    if close.size:
        options.append((float(close.max()), low + int(close.argmax())))
    if far.size:
        options.append((float(far.max()), max(least, 0) + int(far.argmax())))
    return max(options)[1]
