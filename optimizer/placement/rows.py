"""Rows along a mounting line: which candidates may come and go without a gap between the two lengths allowed.

What must live here: gaps between chosen neighbours on one line, and chains that bridge one; what may not: values.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from optimizer.placement.problem import TOLERANCE_M, BoolArray, FloatArray, IntArray, Row


@dataclass(frozen=True, eq=False)
class RowLine:
    """A `Row` as arrays: members and their chainage; legal gaps are at most greatest_m or at least gap_m."""

    members: IntArray
    at_m: FloatArray
    length_m: float
    greatest_m: float
    gap_m: float

    def legal(self, distance_m: FloatArray) -> BoolArray:
        legal: BoolArray = (distance_m <= self.greatest_m) | (distance_m >= self.gap_m)
        return legal

    def around(self, on: BoolArray) -> tuple[FloatArray, FloatArray]:
        """Distances from each member to the nearest other nozzle before and behind it; inf where there is none.

        on [members]: the nozzles.
        """
        at = self.at_m[on]
        if at.size == 0:
            nothing = np.full(len(on), np.inf)
            return nothing, nothing
        posts = np.concatenate([[at[-1] - self.length_m], at, [at[0] + self.length_m]])
        passed: IntArray = np.cumsum(on) - on
        before, behind = self.at_m - posts[passed], posts[passed + on + 1] - self.at_m
        if at.size == 1:
            before[on] = behind[on] = np.inf
        return before, behind


def row_line(row: Row) -> RowLine:
    return RowLine(
        np.array(row.members, dtype=np.int64),
        np.array(row.chainage_m, dtype=np.float64),
        row.length_m,
        row.greatest_m + TOLERANCE_M,
        row.gap_m - TOLERANCE_M,
    )


class Rows:
    """The state of all rows of a problem under one choice.

    fits [J]: may be added; loose [J]: may be removed; sound [J]: no nozzle there, or its gaps are legal.
    """

    def __init__(self, lines: tuple[RowLine, ...], candidates: int) -> None:
        self.lines = lines
        self.line_of = np.full(candidates, -1, dtype=np.int64)
        for number, line in enumerate(lines):
            self.line_of[line.members] = number
        self.fits, self.loose, self.sound = (np.ones(candidates, dtype=bool) for _ in range(3))

    def update(self, candidate: int, chosen: BoolArray) -> None:
        """Take note that a candidate has come or gone."""
        if (number := self.line_of[candidate]) < 0:
            return
        line = self.lines[number]
        on = chosen[line.members]
        before, behind = line.around(on)
        legal = line.legal(before) & line.legal(behind)
        self.fits[line.members] = legal
        self.sound[line.members] = legal | ~on
        self.loose[line.members] = line.legal(before + behind) if on.sum() > 2 else True

    def kept(self) -> bool:
        return bool(self.sound.all())

    def gap_of(self, candidate: int, chosen: BoolArray) -> BoolArray:
        """[J]: positions of the gap between nozzles in which this candidate lies; on its line only."""
        line = self.lines[self.line_of[candidate]]
        passed: IntArray = np.cumsum(chosen[line.members])
        if np.isfinite(line.length_m) and passed[-1]:
            passed %= passed[-1]
        inside = np.zeros(len(chosen), dtype=bool)
        inside[line.members] = passed == passed[line.members == candidate]
        return inside

    def wide_gaps(self, chosen: BoolArray) -> list[tuple[int, int, int]]:
        """(line, first, last) of gaps between neighbours above the greatest spacing, as indices into its members."""
        found = []
        for number, line in enumerate(self.lines):
            on = np.flatnonzero(chosen[line.members])
            followers = np.roll(on, -1) if np.isfinite(line.length_m) else on[1:]
            for first, last in zip(on.tolist(), followers.tolist(), strict=False):
                distance = (line.at_m[last] - line.at_m[first]) % line.length_m
                if first != last and distance > line.greatest_m:
                    found.append((number, first, last))
        return found


def chain(
    line: RowLine, first: int, last: int, allowed: BoolArray, gain: FloatArray, close: Callable[[int], IntArray]
) -> list[int]:
    """Fewest allowed candidates that join two members into one row, of those the most valuable step by step.

    allowed, gain [J]; close: candidates too close to one; [] where nothing joins them.
    """
    count = len(line.members)
    between = (first + 1 + np.arange((last - first - 1) % count)) % count
    between = between[allowed[line.members[between]]]
    members = line.members[between]
    away = (line.at_m[between] - line.at_m[first]) % line.length_m
    total = (line.at_m[last] - line.at_m[first]) % line.length_m
    follows = [
        (away > d) & (away - d <= line.greatest_m) & ~np.isin(members, close(int(j)))
        for j, d in zip(members, away, strict=True)
    ]
    more = _nozzles_to_go(total - away <= line.greatest_m, follows)
    return _best_chain(members, gain[members], more, away <= line.greatest_m, follows)


def _nozzles_to_go(ends: BoolArray, follows: list[BoolArray]) -> FloatArray:
    """How many more nozzles each needs to reach the end; inf where it cannot be reached."""
    more = np.where(ends, 0.0, np.inf)
    for i in range(len(more) - 1, -1, -1):
        if not ends[i] and follows[i].any():
            more[i] = 1.0 + more[follows[i]].min()
    return more


def _best_chain(
    members: IntArray, gain: FloatArray, more: FloatArray, options: BoolArray, follows: list[BoolArray]
) -> list[int]:
    found: list[int] = []
    left = more[options].min() if options.any() else np.inf
    while np.isfinite(left) and left >= 0:
        best = int(np.where(options & (more == left), gain, -np.inf).argmax())
        found.append(int(members[best]))
        options, left = follows[best], left - 1.0
    return found
