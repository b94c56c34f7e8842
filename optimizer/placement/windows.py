"""Windows of spacing: candidates of which at most one, or at least one, is chosen.

What must live here: how distances along lines and between positions become sets of candidates; what may not: areas.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np

from optimizer.placement.problem import TOLERANCE_M, FloatArray, IntArray, Window


def line_orders(line: IntArray, chainage_m: FloatArray) -> tuple[Window, ...]:
    """Candidates of each line in order of chainage; lines in order of their number."""
    return tuple(
        tuple(int(j) for j in members[np.argsort(chainage_m[members], kind="stable")])
        for members in (np.flatnonzero(line == number) for number in np.unique(line))
    )


def spacing_windows(
    line: IntArray, chainage_m: FloatArray, closed_length_m: Mapping[int, float], least_m: float
) -> tuple[Window, ...]:
    """Maximal sets of two or more candidates of one line that all lie closer than `least_m` to one another.

    line [J], chainage_m [J]; closed_length_m: length of each line that closes on itself. Two candidates are too
    close if and only if some window holds both.
    """
    windows: set[Window] = set()
    for members in line_orders(line, chainage_m):
        length = closed_length_m.get(int(line[members[0]]), math.inf)
        spans = _spans(chainage_m[list(members)], length, least_m - 2.0 * TOLERANCE_M)
        windows |= {_turn(members, span) for span in _largest(spans) if span[1] > span[0]}
    return tuple(sorted(windows))


def cover_windows(
    line: IntArray,
    chainage_m: FloatArray,
    closed_length_m: Mapping[int, float],
    greatest_m: Mapping[int, float],
    free_m: Mapping[int, Sequence[tuple[float, float]]],
) -> tuple[Window, ...]:
    """Minimal sets of candidates of which one must be chosen so that no gap on a continuous line is too long.

    greatest_m: greatest spacing of each continuous line; free_m: its stretches (from, to) where no nozzle can
    stand. A gap without candidates that is longer than the greatest spacing ends a row where a free stretch lies
    in it; where none does, the window is empty and the line cannot be served. At each end of a row (also of the
    line) a nozzle stands within the greatest spacing of the end.
    """
    windows: set[Window] = set()
    for members in line_orders(line, chainage_m):
        number = int(line[members[0]])
        if number in greatest_m:
            length = closed_length_m.get(number, math.inf)
            reach_m = greatest_m[number] + TOLERANCE_M
            s = chainage_m[list(members)]
            windows |= _cover_of_line(members, s, length, reach_m, free_m.get(number, ()))
    return tuple(sorted(windows))


def near_window(chainage_m: FloatArray, length_m: float, at_m: float, within_m: float) -> IntArray:
    """Indices of the candidates of a line that stand within a distance of a chainage; length_m: of a closed line."""
    off = np.abs(chainage_m - at_m)
    return np.flatnonzero(np.minimum(off, np.abs(length_m - off)) <= within_m + TOLERANCE_M)


def _cover_of_line(
    members: Window, s: FloatArray, length: float, reach: float, free: Sequence[tuple[float, float]]
) -> set[Window]:
    """Windows of one continuous line, which gaps longer than reach cut into rows."""
    bare = False
    if math.isfinite(length):
        after = np.append(s[1:], s[0] + length)
        gaps = np.flatnonzero(after - s > reach)
        if gaps.size == 0:
            spans = [(i + 1, last) for i, (_, last) in enumerate(_spans(s, length, reach))]
            return {_turn(members, span) for span in _smallest(spans)}
        last_gap = int(gaps[-1])  # opened behind it, the closed line is an open one
        bare = not _has_free(s[last_gap], after[last_gap], length, free)
        members = members[last_gap + 1 :] + members[: last_gap + 1]
        s = np.concatenate([s[last_gap + 1 :], s[: last_gap + 1] + length])
    gaps = np.flatnonzero(np.diff(s) > reach)
    bare = bare or any(not _has_free(s[i], s[i + 1], length, free) for i in gaps)
    windows: set[Window] = {()} if bare else set()
    for row in np.split(np.arange(len(s)), gaps + 1):
        windows |= _cover_of_row(tuple(members[i] for i in row), s[row], reach)
    return windows


def _cover_of_row(row: Window, s: FloatArray, reach: float) -> set[Window]:
    """Windows of an open row: within reach of its start, behind every candidate, within reach of its end."""
    last = len(s) - 1
    spans = _spans(s, math.inf, reach)
    start = int(np.searchsorted(s, s[-1] - reach, side="left"))
    inner = [(i + 1, end) for i, end in spans if end < last]
    return {_turn(row, span) for span in _smallest([(0, spans[0][1]), *inner, (start, last)])}


def _has_free(start: float, end: float, length: float, free: Sequence[tuple[float, float]]) -> bool:
    shifts = (0.0, length) if math.isfinite(length) else (0.0,)
    return any(a + d < end and b + d > start for a, b in free for d in shifts)


def _spans(s: FloatArray, length: float, reach: float) -> list[tuple[int, int]]:
    """(i, last index within `reach` after i), counting on past the seam of a closed line, at most once round."""
    laps = np.concatenate([s, s + length]) if math.isfinite(length) else s
    last = np.searchsorted(laps, s + reach, side="right") - 1
    return [(i, min(int(b), i + len(s) - 1)) for i, b in enumerate(last)]


def _largest(spans: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """Spans that no other holds; starts rise by one and ends never fall: the one rival is the span before."""
    seam = spans[-1][1] - len(spans)
    ends = [seam, *(end for _, end in spans)]
    return [span for span, rival in zip(spans, ends, strict=False) if span[1] > rival]


def _smallest(spans: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """Spans that hold no other."""
    return [(a, b) for a, b in spans if not any((c, d) != (a, b) and a <= c and d <= b for c, d in spans)]


def _turn(members: Window, span: tuple[int, int]) -> Window:
    """Members first..last of a span, which may run past the seam, as a sorted set."""
    first, last = span
    return tuple(sorted({members[i % len(members)] for i in range(first, last + 1)}))
