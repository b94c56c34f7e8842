"""Small random placement problems, and their answer by enumeration: shared by the placement tests.

Every rule is checked from its words, on the problem's data: nothing here is shared with the model, the dynamic
programme or the selection.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from typing import Any

import numpy as np
import scipy.sparse as sp

from optimizer.placement.problem import Drift, Floor, Limit, PlacementProblem, Row, Window
from optimizer.placement.windows import cover_windows, line_orders, spacing_windows

Array = np.ndarray[Any, Any]
Choice = tuple[int, ...]

RULES = (
    *("continuous", "locked", "barred", "facings", "across", "rows", "even", "limits", "need", "bonus", "floors"),
    "drifts",
    "doses",
)
RING, WALL = 0, 1


def coverage_problem(
    value: Array,
    incidence: sp.csr_array,
    lines: tuple[Window, ...],
    most: int | None = None,
    **rules: Any,
) -> PlacementProblem:
    """A problem in which one nozzle covers a cell, no position is preferred, and `most` nozzles may stand in all."""
    cells, candidates = incidence.shape
    limits = () if most is None else (Limit(tuple(range(candidates)), most),)
    return PlacementProblem(
        value=value,
        incidence=incidence,
        need=np.ones(cells, dtype=np.int64),
        bonus=np.zeros(candidates),
        lines=lines,
        **{"limits": limits, **rules},
    )


def random_problem(seed: int, *rules: str) -> PlacementProblem:
    """Up to 10 candidates on a closed and an open line; cells covered by intervals and by chance.

    rules: those of RULES that the problem has besides least spacing, one limit on all, and by chance a lock;
    facings: two on the open line; across: some positions of the two lines stand too close, some share a window of
    which one must be chosen; limits: several, that overlap or nest.
    """
    rng = np.random.default_rng(seed)
    on_ring, places = int(rng.integers(3, 7)), int(rng.integers(1, 5))
    if "facings" in rules:
        on_ring, places = min(on_ring, 5), min(places, 2)
    on_wall = 2 * places if "facings" in rules else places
    at_ring = (
        np.sort(rng.choice(10 * on_ring, on_ring, replace=False)) * 0.1 if rng.random() < 0.5 else np.arange(on_ring)
    )
    at_wall = np.sort(rng.choice(12, places, replace=False)) * 0.5
    line = np.array([RING] * on_ring + [WALL] * on_wall)
    strand = np.array([0] * on_ring + [1 + k // places for k in range(on_wall)])
    chainage = np.concatenate([at_ring, np.tile(at_wall, on_wall // places)])
    closed = {RING: float(on_ring)}
    incidence = _incidence(rng, on_ring, strand)
    if "doses" in rules:
        incidence = incidence * rng.choice([0.25, 0.4, 0.7, 1.0], incidence.shape)
    least = float(rng.choice([0.4, 1.0, 1.5, 2.0]))
    greatest = {RING: float(rng.choice([2.0, 3.0]))} if "continuous" in rules else {}
    spacing = spacing_windows(line, chainage, closed, least)
    cover = cover_windows(line, chainage, closed, greatest, {})
    if "across" in rules:
        pairs = zip(rng.integers(0, on_ring, 3), on_ring + rng.integers(0, on_wall, 3), strict=True)
        first, second, third = ((int(a), int(b)) for a, b in pairs)
        spacing, cover = tuple(sorted({*spacing, first, second})), (*cover, third)
    cells, candidates = incidence.shape
    value = rng.integers(1, 9, cells).astype(float)
    locked = (int(rng.integers(candidates)),) if "locked" in rules or rng.random() < 0.3 else ()
    even = _even(rng, line, strand, chainage) if "even" in rules else ()
    free = sorted(set(range(candidates)).difference(locked))
    barred = set(rng.choice(free, 2, replace=False).tolist()) if "barred" in rules else set()
    if even and rng.random() < 0.5:
        barred |= _uneven(line, even[0]).difference(locked)
    return PlacementProblem(
        value=value,
        incidence=sp.csr_array(incidence),
        need=rng.integers(1, 3, cells) if "need" in rules and "doses" not in rules else np.ones(cells, dtype=np.int64),
        bonus=rng.integers(0, 3, candidates) * 0.75 if "bonus" in rules else np.zeros(candidates),
        lines=line_orders(strand, chainage),
        spacing=spacing,
        cover=cover,
        locked=locked,
        barred=tuple(sorted(barred)),
        limits=_limits(rng, candidates, "limits" in rules),
        rows=_rows(rng, line, chainage, closed) if "rows" in rules else (),
        even=even,
        floors=_floors(rng, cells) if "floors" in rules else (),
        drifts=_drifts(rng, candidates) if "drifts" in rules else (),
    )


def _incidence(rng: np.random.Generator, on_ring: int, strand: Array) -> Array:
    """bool [C, J]: of each strand an interval of every cell, on the ring over its seam as well."""
    cells = int(rng.integers(3, 16))
    incidence = np.zeros((cells, len(strand)), dtype=bool)
    for c in range(cells):
        first, size = int(rng.integers(on_ring)), int(rng.integers(0, 4))
        incidence[c, [(first + k) % on_ring for k in range(min(size, on_ring))]] = True
        for number in range(1, int(strand.max()) + 1):
            members = np.flatnonzero(strand == number)
            low, high = np.sort(rng.integers(0, len(members) + 1, 2))
            incidence[c, members[low:high]] = True
    return incidence


def _limits(rng: np.random.Generator, candidates: int, several: bool) -> tuple[Limit, ...]:
    """One on all candidates; of several, one on a part, one on a part of that, and one that overlaps both."""
    everyone = tuple(range(candidates))
    found = [Limit(everyone, int(rng.integers(1, 6)))]
    if several:
        order = rng.permutation(candidates)
        size = int(rng.integers(2, candidates + 1))
        for part in (order[:size], order[: (size + 1) // 2], order[size // 2 :]):
            found.append(Limit(tuple(sorted(part.tolist())), int(rng.integers(1, 4))))
    return tuple(found)


def _rows(rng: np.random.Generator, line: Array, chainage: Array, closed: dict[int, float]) -> tuple[Row, ...]:
    found = []
    for number, members in zip((RING, WALL), line_orders(line, chainage), strict=True):
        greatest = float(rng.choice([0.7, 1.0, 1.5, 2.0]))
        gap = greatest + float(rng.choice([0.0, 0.5, 1.0, 2.5]))
        s = tuple(float(chainage[j]) for j in members)
        found.append(Row(members, s, closed.get(number, math.inf), greatest, gap))
    return tuple(found)


def _even(rng: np.random.Generator, line: Array, strand: Array, chainage: Array) -> tuple[tuple[Window, ...], ...]:
    """Patterns of one line, each from every k-th candidate of one of its strands, some candidates in none."""
    number = int(rng.integers(2))
    patterns = set()
    for members in line_orders(strand, chainage):
        if line[members[0]] == number:
            first, step = rng.integers(0, len(members), 3), rng.integers(1, 4, 3)
            patterns |= {members[a::b] for a, b in zip(first.tolist(), step.tolist(), strict=True)}
    return (tuple(sorted(patterns)),)


def _uneven(line: Array, patterns: tuple[Window, ...]) -> set[int]:
    """Candidates of a line of even pitch that are in no pattern."""
    inside = set().union(*patterns)
    return set(np.flatnonzero(line == line[min(inside)]).tolist()).difference(inside)


def _floors(rng: np.random.Generator, cells: int) -> tuple[Floor, ...]:
    """Two zones that share cells."""
    areas = rng.integers(0, 4, (2, cells)) * 0.5
    shares = rng.choice([0.0, 0.25, 0.5], 2)
    names = ("Lawn", "Path")
    return tuple(Floor(n, a, float(s * a.sum())) for n, a, s in zip(names, areas, shares, strict=True))


def _drifts(rng: np.random.Generator, candidates: int) -> tuple[Drift, ...]:
    """Two places that mist drifts to, each with a share that it may be at most."""
    shares = rng.integers(0, 20, (2, candidates)) * 0.05
    return tuple(Drift(n, own - rng.choice([0.3, 0.5, 0.7])) for n, own in zip(("over", "pond"), shares, strict=True))


def placements(problem: PlacementProblem) -> Iterator[Choice]:
    """Every set of candidates that meets every rule."""
    for size in range(problem.candidates + 1):
        for chosen in itertools.combinations(range(problem.candidates), size):
            if is_legal(problem, chosen):
                yield chosen


def is_legal(problem: PlacementProblem, chosen: Choice) -> bool:
    """Whether a choice meets every rule, straight from the rules."""
    picked = set(chosen)
    return (
        picked.issuperset(problem.locked)
        and picked.isdisjoint(problem.barred)
        and all(len(picked.intersection(limit.members)) <= limit.most for limit in problem.limits)
        and all(len(picked.intersection(w)) <= 1 for w in problem.spacing)
        and all(picked.intersection(w) for w in problem.cover)
        and all(keeps_rows(row, picked) for row in problem.rows)
        and all(is_even(patterns, picked) for patterns in problem.even)
        and all(float(drift.excess[list(chosen)].sum()) <= 1e-9 for drift in problem.drifts)
        and all(_area(problem, floor, chosen) >= floor.least_m2 - 1e-9 for floor in problem.floors)
    )


def keeps_rows(row: Row, picked: set[int]) -> bool:
    """Neighbours are at most the greatest spacing apart or at least the gap; a nozzle by itself is a row."""
    at = sorted(s for j, s in zip(row.members, row.chainage_m, strict=True) if j in picked)
    if len(at) < 2:
        return True
    distances = [b - a for a, b in itertools.pairwise(at)]
    if math.isfinite(row.length_m):
        distances.append(at[0] + row.length_m - at[-1])
    return all(round(d - row.greatest_m, 4) <= 0.0 or round(d - row.gap_m, 4) >= 0.0 for d in distances)


def is_even(patterns: tuple[Window, ...], picked: set[int]) -> bool:
    """Of the candidates of the patterns those of one pattern are chosen, or none."""
    chosen = picked.intersection(set().union(*patterns))
    return not chosen or any(chosen == set(pattern) for pattern in patterns)


def counting(problem: PlacementProblem, chosen: Choice) -> Array:
    """[C]: 1 for cells that enough of the chosen cover; of summed dosage the share of what is enough, 1 at most."""
    dense = problem.incidence.toarray().astype(float)
    sums: Array = dense[:, list(chosen)].sum(axis=1)
    return np.minimum(sums, 1.0) if problem.incidence.dtype == float else (sums >= problem.need).astype(float)


def _area(problem: PlacementProblem, floor: Floor, chosen: Choice) -> float:
    return float(floor.area_m2 @ counting(problem, chosen))


def value_of(problem: PlacementProblem, chosen: Choice) -> float:
    covered = float(problem.value @ counting(problem, chosen))
    return covered + float(problem.bonus[list(chosen)].sum())


def best_value(problem: PlacementProblem) -> float | None:
    """Value of the best placement, None where no placement meets the rules."""
    return max((value_of(problem, chosen) for chosen in placements(problem)), default=None)
