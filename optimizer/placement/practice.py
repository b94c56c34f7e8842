"""What is done by hand: an even pitch per line, anchored at its ends and corners, tighter in front of priority zones.

Common practice, no source. The measure that a placement is held against, so it gets every benefit of the doubt: each
place takes its best facing, the pitches are the best of a range, rules that an even pitch breaks are repaired, and
what is left of the count is put where it gains most.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from optimizer.placement.problem import TOLERANCE_M, BoolArray, FloatArray, IntArray, PlacementProblem
from optimizer.placement.selection import Cover, Selection
from optimizer.placement.start import fill, repaired

TIGHTER = (0.0, 0.25, 0.5, 0.75, 1.0, 1.5, 2.0, 3.0)
"""Powers of a zone's weight by which the pitch in front of it is divided."""
PITCHES_M = (2.0, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0)
"""Pitches to which zones are served in the order of their weight."""
ROUNDINGS = (0.5, 0.0)
"""Shares of an interval that are enough for one more: as near to the pitch as divides evenly, or none below it."""
GAP_STEPS = 2.0
"""A stretch ends where the next position is farther than so many times the line's usual step."""
LEAST_PITCH_M = 2.0
"""No pitch by hand is tighter, but for a smaller least spacing; common practice, no source."""

_Step = tuple[float, int, int]
_Order = Callable[[_Step], tuple[float, ...]]


@dataclass(frozen=True, eq=False)
class Lines:
    """What a designer sees of the candidates, J of them, on their mounting lines.

    line, chainage_m [J]; weight [J]: highest weight of the zones that the footprint touches; closed_length_m: of each
    line that closes on itself; corners_m: chainages of each line's corners; pitch_m: least pitch.
    """

    line: IntArray
    chainage_m: FloatArray
    weight: FloatArray
    closed_length_m: Mapping[int, float]
    corners_m: Mapping[int, Sequence[float]]
    pitch_m: float = LEAST_PITCH_M


@dataclass(frozen=True)
class Practice:
    """Candidates chosen as by hand, and the tightest pitch in m in front of zones of each weight."""

    chosen: tuple[int, ...]
    pitch_m: tuple[tuple[float, float], ...]


@dataclass(frozen=True, eq=False)
class _Stretch:
    """Consecutive places of a line between two anchors: a candidate each, its chainage; the limit they count on."""

    places: tuple[int, ...]
    at_m: FloatArray
    weight: float
    limit: int

    @property
    def length_m(self) -> float:
        return float(self.at_m[-1] - self.at_m[0])

    def evenly(self, intervals: int) -> list[int]:
        """Both ends and what divides the stretch into so many equal intervals; its middle where there is no room."""
        if intervals == 0:
            return [self.places[len(self.places) // 2]]
        targets = self.at_m[0] + self.length_m * np.arange(intervals + 1) / intervals
        return [self.places[int(np.abs(self.at_m - target).argmin())] for target in targets]


def practice(cover: Cover, lines: Lines) -> Practice | None:
    """The best even pitch at the count that the problem's limits leave; None where no even pitch can be repaired.

    A pitch that gives more nozzles than a limit allows is widened until it does not, everywhere or, the zones of
    highest weight first, where the count has run out. Candidates belong to the first limit that holds them.
    """
    stretches = _stretches(cover.problem, lines)
    orders = _orders(stretches)
    tried = [sorted(_steps(stretches, lines.pitch_m, share), key=order) for share in ROUNDINGS for order in orders]
    found = [made for steps in tried if (made := _evenly(cover, stretches, steps)) is not None]
    if not found:
        return None
    selection, pitches = max(found, key=lambda one: one[0].value)
    return Practice(selection.members(), pitches)


def _orders(stretches: Sequence[_Stretch]) -> list[_Order]:
    """In which order stretches get their nozzles: by a common pitch, tighter in front of higher weights by each of
    TIGHTER; or weight by weight down to each of PITCHES_M, then all alike."""

    def tighter(power: float) -> _Order:
        return lambda step: (-step[0] * stretches[step[1]].weight ** power, *step[1:])

    def in_turn(pitch_m: float) -> _Order:
        return lambda step: (
            step[0] < pitch_m,
            -stretches[step[1]].weight if step[0] >= pitch_m else 0.0,
            -step[0],
            *step[1:],
        )

    if len({stretch.weight for stretch in stretches}) == 1:
        return [tighter(0.0)]
    return [*(tighter(power) for power in TIGHTER), *(in_turn(pitch_m) for pitch_m in PITCHES_M)]


def _evenly(
    cover: Cover, stretches: Sequence[_Stretch], steps: Sequence[_Step]
) -> tuple[Selection, tuple[tuple[float, float], ...]] | None:
    """As many steps as the limits let, repaired and filled."""
    taken = _within_limits(cover, stretches, steps)
    selection = repaired(cover, _chosen(cover, stretches, taken))
    if selection is None:
        return None
    fill(selection)
    return selection, _pitches(stretches, taken)


def _steps(stretches: Sequence[_Stretch], least_m: float, rounding: float) -> Iterator[_Step]:
    """What happens as the pitch is made tighter: (pitch; stretch; intervals it is divided into from here on)."""
    for number, stretch in enumerate(stretches):
        most = int((stretch.length_m + TOLERANCE_M) / least_m)
        for intervals in range(1, most + 1) if most else (0,):
            yield max(stretch.length_m, least_m) / max(intervals - rounding, 1.0 - rounding), number, intervals


def _within_limits(cover: Cover, stretches: Sequence[_Stretch], steps: Sequence[_Step]) -> dict[int, int]:
    """Intervals of the stretches in use, for each limit as many steps as it allows."""
    taken: dict[int, int] = {}
    limit = _first_limits(cover.problem)
    for index in sorted({stretch.limit for stretch in stretches}):
        own = [(number, intervals) for _, number, intervals in steps if stretches[number].limit == index]
        most = cover.problem.limits[index].most if index >= 0 else cover.problem.candidates
        low, high = 0, len(own)
        while low < high:
            middle = (low + high + 1) // 2
            tried = _chosen(cover, stretches, dict(own[:middle]))
            low, high = (middle, high) if np.sum(limit[tried] == index) <= most else (low, middle - 1)
        taken |= dict(own[:low])
    return taken


def _first_limits(problem: PlacementProblem) -> IntArray:
    """[J]: the first limit that holds each candidate, -1 where none does."""
    first = np.full(problem.candidates, -1, dtype=np.int64)
    for index, limit in reversed(list(enumerate(problem.limits))):
        first[list(limit.members)] = index
    return first


def _chosen(cover: Cover, stretches: Sequence[_Stretch], taken: Mapping[int, int]) -> list[int]:
    """Nozzles of stretches with so many intervals, priority first; what would stand too close is left out."""
    chosen = list(cover.problem.locked)
    barred = {int(k) for j in chosen for k in (j, *cover.neighbours(j))}
    for number in sorted(taken, key=lambda number: (-stretches[number].weight, number)):
        for j in stretches[number].evenly(taken[number]):
            if j not in barred:
                chosen.append(j)
                barred |= {j, *cover.neighbours(j).tolist()}
    return chosen


def _pitches(stretches: Sequence[_Stretch], taken: Mapping[int, int]) -> tuple[tuple[float, float], ...]:
    """Tightest pitch in front of each weight, highest weight first."""
    tightest: dict[float, float] = {}
    for number, intervals in taken.items():
        stretch = stretches[number]
        if intervals:
            tightest[stretch.weight] = min(stretch.length_m / intervals, tightest.get(stretch.weight, np.inf))
    return tuple(sorted(tightest.items(), reverse=True))


def _stretches(problem: PlacementProblem, lines: Lines) -> list[_Stretch]:
    worth = np.asarray(problem.incidence.T @ problem.value, dtype=float)
    limit = _first_limits(problem)
    return [
        stretch
        for number in np.unique(lines.line)
        for stretch in _of_line(int(number), _places(np.flatnonzero(lines.line == number), lines, worth), lines, limit)
    ]


def _places(members: IntArray, lines: Lines, worth: FloatArray) -> IntArray:
    """One candidate of each place on a line, by chainage: the facing that covers most."""
    ordered = members[np.lexsort((members, -worth[members], lines.chainage_m[members]))]
    apart = np.diff(lines.chainage_m[ordered], prepend=-np.inf) > TOLERANCE_M
    return ordered[apart]


def _of_line(number: int, places: IntArray, lines: Lines, limit: IntArray) -> Iterator[_Stretch]:
    """The stretches of a line: between its ends, gaps, corners, and changes of weight or limit."""
    s, length = lines.chainage_m[places], lines.closed_length_m.get(number)
    after = np.append(s[1:], np.inf if length is None else s[0] + length)
    usual = float(np.median(np.diff(s))) if len(s) > 1 else np.inf
    cut = after - s > GAP_STEPS * usual + TOLERANCE_M
    cut[-1] |= length is None
    anchor = cut | np.roll(cut, 1) | _at_changes(lines.weight[places], limit[places], cut)
    for corner in lines.corners_m.get(number, ()):
        anchor |= _nearest(s, corner, length, usual)
    if length is not None:
        places, s, cut, anchor = _opened(places, s, cut, anchor, length)
    first = 0
    for i in range(len(places)):
        if cut[i] or (anchor[i] and i > first):
            held = places[first : i + 1]
            low = held[int(lines.weight[held].argmin())]
            yield _Stretch(tuple(held.tolist()), s[first : i + 1], float(lines.weight[low]), int(limit[low]))
            first = i + 1 if cut[i] else i


def _at_changes(weight: FloatArray, limit: IntArray, cut: BoolArray) -> BoolArray:
    """Places where weight or limit change to the next or from the last: of the two the one of higher weight."""
    change = ((weight != np.roll(weight, -1)) | (limit != np.roll(limit, -1))) & ~cut
    here = change & (weight >= np.roll(weight, -1))
    anchor: BoolArray = here | np.roll(change & ~here, 1)
    return anchor


def _nearest(s: FloatArray, corner_m: float, length_m: float | None, within_m: float) -> BoolArray:
    """The place nearest to a corner, if it is near."""
    apart = np.abs(s - corner_m)
    if length_m is not None:
        apart = np.minimum(apart, length_m - apart)
    nearest: BoolArray = (np.arange(len(s)) == apart.argmin()) & (apart <= within_m)
    return nearest


def _opened(
    places: IntArray, s: FloatArray, cut: BoolArray, anchor: BoolArray, length_m: float
) -> tuple[IntArray, FloatArray, BoolArray, BoolArray]:
    """A closed line as an open one: from behind a cut, or from an anchor round to itself."""
    if cut.any():
        turn, order = int(cut.argmax()) + 1, np.arange(len(s))
    else:
        turn, order = int(anchor.argmax()), np.arange(len(s) + 1)
    order = (order + turn) % len(s)
    laps = np.where(np.arange(len(order)) + turn >= len(s), length_m, 0.0)
    ends = np.arange(len(order)) == len(order) - 1
    return places[order], s[order] + laps, cut[order] | ends, anchor[order] | ends
