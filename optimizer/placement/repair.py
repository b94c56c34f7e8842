"""Repair: the steps that turn any choice into a legal one, each for one rule. They work on a `Selection`."""

from __future__ import annotations

from heapq import heapify, heappop, heappush

import numpy as np

from optimizer.placement.even import EvenLine
from optimizer.placement.problem import DRIFT_TOLERANCE, BoolArray, FloatArray, IntArray
from optimizer.placement.rows import chain
from optimizer.placement.selection import Selection


def settle(selection: Selection) -> None:
    """Make the nozzles of each line of even pitch the nearest pattern."""
    for line in selection.cover.even_lines:
        if not line.is_pattern(selection.chosen):
            standing = line.standing(selection.chosen)
            put(selection, line, ())
            gains = pattern_gains(selection, line)
            put(selection, line, standing)
            if (nearest := line.nearest(selection.chosen, gains)) is not None:
                put(selection, line, nearest)


def pattern_gains(selection: Selection, line: EvenLine) -> FloatArray:
    """[choices]: credit that each brings to the others' choice; the line itself is empty."""
    missing = np.maximum(selection.problem.need - selection.hits, 0)
    return line.gains(missing, selection.cover.credit, selection.problem.bonus)


def put(selection: Selection, line: EvenLine, pattern: tuple[int, ...]) -> None:
    """Make a pattern, or nothing, stand on a line of even pitch."""
    others = set(selection.members()).difference(line.members.tolist())
    selection.become(others.union(pattern))


def part(selection: Selection) -> None:
    """Remove the less valuable of nozzles that stand too close; whole patterns where only they are left."""
    cover = selection.cover
    while (crowded := selection.chosen & (selection.crowd > 0)).any():
        loose = np.flatnonzero(crowded & ~cover.locked & ~cover.in_pattern).tolist()
        if loose:
            selection.remove(min(loose, key=lambda j: (selection.removable(j) < 1, selection.loss(j), j)))
        elif (line := _least_line(selection, crowded)) is not None:
            put(selection, line, ())
        else:
            return


def _least_line(selection: Selection, crowded: BoolArray) -> EvenLine | None:
    """Of lines of even pitch with crowded nozzles that may be empty the one of least credit."""
    lines = [line for line in selection.cover.even_lines if line.optional and crowded[line.members].any()]
    return min(lines, key=lambda line: sum(map(selection.loss, line.standing(selection.chosen))), default=None)


def serve(selection: Selection) -> None:
    """Add the most valuable nozzle to each window of a continuous line that has none."""
    for window in range(len(selection.served)):
        if selection.served[window] == 0:
            _add_best(selection, selection.serving(np.array([window])) & selection.free(), selection.gain)


def meet_floors(selection: Selection) -> None:
    """Add the nozzles, or patterns, that bring most to each zone that lacks coverage."""
    for floor in range(len(selection.floor_m2)):
        while not selection.floors_met()[floor]:
            gain = selection.floor_gain(floor, credit=True)
            added = _add_best(selection, selection.free() & (gain > 0.0), gain)
            if not added and not any(_pitch_for(selection, line, floor) for line in selection.cover.even_lines):
                break


def _pitch_for(selection: Selection, line: EvenLine, floor: int) -> bool:
    """Give a line of even pitch the pattern that brings most to a zone that lacks coverage; False where it has it."""
    standing = line.standing(selection.chosen)
    put(selection, line, ())
    need = selection.problem.need
    area = selection.cover.floor_area[floor] / need
    gains = line.gains(np.maximum(need - selection.hits, 0), area, np.zeros(selection.problem.candidates))
    choices = line.choices()
    ranks = [
        (float(gain), choice == standing, choice)
        for gain, choice in zip(gains, choices, strict=True)
        if choice == standing or not (selection.crowd[list(choice)] > 0).any()
    ]
    best = max(ranks, default=(0.0, True, standing))[2]
    put(selection, line, best)
    return best != standing


def _add_best(selection: Selection, allowed: BoolArray, gain: FloatArray) -> bool:
    """Add the allowed candidate of greatest gain, one that leaves rows legal where there is one; False if none is."""
    fitting = allowed & selection.rows.fits
    allowed = fitting if fitting.any() else allowed
    if allowed.any():
        selection.add(int(np.where(allowed, gain, -np.inf).argmax()))
    return bool(allowed.any())


def join_rows(selection: Selection) -> None:
    """Bridge gaps between the greatest spacing and the least gap of rows, or remove the less valuable neighbour."""
    cover = selection.cover
    while not selection.rows.kept():
        number, first, last = next(
            gap for gap in selection.rows.wide_gaps(selection.chosen) if _is_illegal(selection, gap)
        )
        if bridge(selection, number, first, last) is None:
            ends = cover.row_lines[number].members[[first, last]]
            loose = [int(j) for j in ends if not cover.locked[j] and not cover.in_pattern[j]]
            if not loose:
                return
            selection.remove(min(loose, key=lambda j: (not _is_spare(selection, j), selection.loss(j), j)))


def _is_illegal(selection: Selection, gap: tuple[int, int, int]) -> bool:
    number, first, last = gap
    line = selection.cover.row_lines[number]
    return bool((line.at_m[last] - line.at_m[first]) % line.length_m < line.gap_m)


def _is_spare(selection: Selection, candidate: int) -> bool:
    """Whether continuous lines and floors hold without this candidate."""
    served: IntArray = selection.served[selection.cover.windows(candidate)]
    return bool((served > 1).all() and not selection.floors_broken_without(candidate).any())


def bridge(selection: Selection, number: int, first: int, last: int) -> float | None:
    """Join two nozzles of a line into one row by a chain of nozzles; its credit, None where limits or places forbid."""
    cover = selection.cover
    line = cover.row_lines[number]
    nozzles = chain(line, first, last, selection.free(), selection.gain, cover.neighbours)
    credit = 0.0
    for step, candidate in enumerate(nozzles):
        if not selection.free()[candidate] or not selection.has_room(candidate):
            for added in nozzles[:step]:
                selection.remove(added)
            return None
        credit += float(selection.gain[candidate])
        selection.add(candidate)
    return credit if nozzles else None


def thin(selection: Selection) -> None:
    """Remove the least valuable nozzles of limits that are passed until all are kept; then smaller patterns."""
    cover = selection.cover
    while not selection.within_capacity():
        over = _over(selection)
        loose = np.flatnonzero(over & selection.chosen & ~cover.locked)
        if not _remove_least(selection, loose.tolist()) and not any(
            _shrink(selection, line, over) for line in cover.even_lines
        ):
            return


def calm(selection: Selection) -> None:
    """Remove nozzles that drift more than is allowed, those first that are missed least for what they bring, until the
    limits of drift are kept."""
    cover = selection.cover
    while not selection.drift_kept():
        over = np.maximum(cover.excess[selection.drift > DRIFT_TOLERANCE], 0.0).sum(axis=0)
        loose = np.flatnonzero(selection.chosen & (over > 0.0) & ~cover.locked).tolist()
        ranks = [(selection.loss(j) / over[j], j) for j in loose if selection.removable(j)]
        if not ranks:
            return
        selection.remove(min(ranks)[1])


def _over(selection: Selection) -> BoolArray:
    """[J]: members of limits that are passed."""
    over = np.zeros(len(selection.chosen), dtype=bool)
    for number in np.flatnonzero(selection.in_limit > selection.cover.most):
        over[selection.cover.limit_members[number]] = True
    return over


def _remove_least(selection: Selection, loose: list[int]) -> bool:
    """Remove the least valuable of those given that may go, one after the other, as long as the limits that are passed
    stay the same; whether any went. What a nozzle is worth only rises when others go, so old figures are floors."""
    heap = [(selection.loss(j), j) for j in loose]
    heapify(heap)
    passed, stuck, gone = selection.in_limit > selection.cover.most, [], False
    while heap and bool((passed == (selection.in_limit > selection.cover.most)).all()):
        before, candidate = heappop(heap)
        if (now := selection.loss(candidate)) > before:
            heappush(heap, (now, candidate))
        elif not selection.removable(candidate):
            stuck.append((now, candidate))
        else:
            selection.remove(candidate)
            gone = True
            if selection.cover.row_lines:  # in rows one that goes may set others free
                for one in stuck:
                    heappush(heap, one)
                stuck.clear()
    return gone


def _shrink(selection: Selection, line: EvenLine, over: BoolArray) -> bool:
    """Give a line of even pitch the best pattern of fewer nozzles, fewer of those marked; False where there is none."""
    standing = line.standing(selection.chosen)
    most = over[list(standing)].sum()
    put(selection, line, ())
    ranks = [
        (float(gain), choice)
        for gain, choice in zip(pattern_gains(selection, line), line.choices(), strict=True)
        if len(choice) < len(standing)
        and over[list(choice)].sum() < most
        and not (selection.crowd[list(choice)] > 0).any()
    ]
    put(selection, line, max(ranks)[1] if ranks else standing)
    return bool(ranks)
