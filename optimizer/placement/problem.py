"""The placement problem as arrays: what covers what, what may not stand together, how many may stand.

What must live here: the frozen problem, and what makes it impossible before any search; what may not: Pyomo, HiGHS,
polygons.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
import scipy.sparse as sp
from numpy.typing import NDArray

from optimizer.errors import NoDesign

FloatArray: TypeAlias = NDArray[np.float64]
IntArray: TypeAlias = NDArray[np.int64]
BoolArray: TypeAlias = NDArray[np.bool_]
Window: TypeAlias = tuple[int, ...]

TOLERANCE_M = 1e-6  # a spacing equal to the least or greatest is allowed, whatever the rounding of chainages
FLOOR_TOLERANCE = 1e-9  # of the least coverage: sums of areas are rounded
DRIFT_TOLERANCE = 1e-9  # of one nozzle's mist: sums of shares are rounded


@dataclass(frozen=True)
class Limit:
    """At most `most` of the members may be chosen: what the circuits that can serve them feed; reason: in words."""

    members: Window
    most: int
    reason: str = "the circuits"


@dataclass(frozen=True)
class Row:
    """A mounting line whose nozzles stand in rows: neighbours are at most `greatest_m` apart, or a new row begins.

    members: by chainage, every facing; chainage_m: theirs; length_m: of a line that closes on itself, inf of an open
    one; gap_m: least distance from a row's last nozzle to the next row's first.
    """

    members: Window
    chainage_m: tuple[float, ...]
    length_m: float
    greatest_m: float
    gap_m: float


@dataclass(frozen=True, eq=False)
class Floor:
    """Least coverage of a zone: of the merged cells' area in it, area_m2 [C], so much must be covered."""

    name: str
    area_m2: FloatArray
    least_m2: float


@dataclass(frozen=True, eq=False)
class Drift:
    """Of the mist of all nozzles together at most a share may go where it is not wanted.

    excess [J]: the share of a nozzle's own mist that goes there, less the share allowed, times its mist as a share of
    the most that one gives; name: where, in words.
    """

    name: str
    excess: FloatArray


@dataclass(frozen=True, eq=False)
class PlacementProblem:
    """C merged cells, J candidate positions.

    value [C]: weighted m² of a merged cell; incidence [C, J]: bool, candidate covers cell, or float where a cell
    counts by the summed dosage of all nozzles: the share, above 0 to 1, of what is enough; need [C]: nozzles that
    must reach a cell before it counts, 1 or 2, of dosage always 1; bonus [J]: weighted m² that a preferred position
    is worth by itself; lines: *strands*, candidates of one mounting line with one facing in order of chainage, every
    candidate on one; spacing: windows in which at most one is chosen; cover: windows in which at least one is chosen;
    locked, barred: candidates that are chosen, and that are not; limits: how many of some candidates are chosen at
    most; rows: lines whose greatest spacing binds within rows; even: of each line of even pitch the sets of which one
    is chosen, or none; floors: least coverage of zones; drifts: limits of drift; names: how messages name the
    candidates, () for their numbers.
    """

    value: FloatArray
    incidence: sp.csr_array
    need: IntArray
    bonus: FloatArray
    lines: tuple[Window, ...]
    spacing: tuple[Window, ...] = ()
    cover: tuple[Window, ...] = ()
    locked: tuple[int, ...] = ()
    barred: tuple[int, ...] = ()
    limits: tuple[Limit, ...] = ()
    rows: tuple[Row, ...] = ()
    even: tuple[tuple[Window, ...], ...] = ()
    floors: tuple[Floor, ...] = ()
    drifts: tuple[Drift, ...] = ()
    names: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if sorted(j for members in self.lines for j in members) != list(range(self.candidates)):
            raise ValueError(f"lines must hold each of the {self.candidates} candidates exactly once")

    @property
    def dosed(self) -> bool:
        """Whether cells count by summed dosage, in part where it is not enough."""
        return bool(self.incidence.dtype.kind == "f")

    def counted(self, hits: FloatArray | IntArray) -> FloatArray:
        """[C]: the share of each cell that counts; hits [C]: nozzles that cover it, or the dosage that it gets."""
        return np.minimum(hits, 1.0) if self.dosed else np.asarray(hits >= self.need, dtype=np.float64)

    @property
    def candidates(self) -> int:
        return int(self.incidence.shape[1])

    def name(self, candidate: int) -> str:
        return self.names[candidate] if self.names else f"position {candidate}"


def require_possible(problem: PlacementProblem) -> None:
    """Raise NoDesign, in words a designer can act on, where the rules contradict each other at sight."""
    _require_something(problem)
    locked = set(problem.locked)
    for window in problem.spacing:
        close = sorted(locked.intersection(window))
        if len(close) > 1:
            first, second = (problem.name(j) for j in close[:2])
            raise NoDesign(
                "spacing_least_m",
                f"locked {first} and {second} stand closer than the least spacing: unlock or move one",
            )
    for limit in problem.limits:
        _require_room(problem, limit)
    _require_cover(problem)
    for floor in problem.floors:
        _require_ground(problem, floor)


def _require_something(problem: PlacementProblem) -> None:
    if problem.candidates == 0:
        raise NoDesign("step_m", "no candidate position is left on any mounting line: check lines and keep-outs")
    if problem.value.size == 0 or problem.incidence.nnz == 0:
        raise NoDesign("reach", "no candidate position covers any part of a zone: bring lines nearer to the zones")


def _require_room(problem: PlacementProblem, limit: Limit) -> None:
    locked = len(set(problem.locked).intersection(limit.members))
    if locked > limit.most:
        raise NoDesign(
            "reserve",
            f"{locked} locked positions are more than the {limit.most} nozzles that {limit.reason} feed: unlock some, "
            "use a larger pump or more circuits",
        )


def _require_cover(problem: PlacementProblem) -> None:
    if () in problem.cover:
        raise NoDesign(
            "spacing_greatest_m",
            "a continuous line has a gap without candidate positions that is longer than its greatest spacing: "
            "declare the gap free of nozzles, use a smaller step or a greater spacing",
        )
    barred = set(problem.barred)
    for window in problem.cover:
        if barred.issuperset(window):
            where = " to ".join(dict.fromkeys(problem.name(j) for j in (window[0], window[-1])))
            raise NoDesign(
                "cover",
                f"a nozzle must stand at {where}, but none there can be fed in the band or keeps the even pitch: "
                "move the line, choose another pump, or ask for no nozzle there",
            )


def _require_ground(problem: PlacementProblem, floor: Floor) -> None:
    """Least coverage is not asked of ground that no position reaches."""
    free = np.ones(problem.candidates)
    free[list(problem.barred)] = 0.0
    reached_m2 = float(floor.area_m2 @ problem.counted(problem.incidence.astype(float) @ free))
    if reached_m2 < floor.least_m2 * (1.0 - FLOOR_TOLERANCE):
        raise NoDesign(
            "least_coverage",
            f"only {math.floor(100.0 * reached_m2 / floor.least_m2)} % of the {floor.least_m2:.4g} m² that least "
            f"coverage asks of {floor.name} can be reached from any position: bring mounting lines nearer, use finer "
            "cells, or ask for less",
        )
