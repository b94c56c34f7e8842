"""One circuit's tree of tubing on the segments: its units, and the loss factors of its fittings."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

from optimizer.runs.prepared import Prepared
from optimizer.runs.segments import STRAIGHT_DEG, TURN_DEG, Way, turn_deg
from optimizer.runs.segments import fed as fed_pieces


class Unit(NamedTuple):
    """The part of a segment that one tube feeds from one end.

    way: way of the segment from the feeding junction; pieces: how many of its pieces are fed; parent: the
    unit that feeds it, -1 at the pump.
    """

    way: int
    pieces: int
    parent: int


@dataclass(frozen=True)
class Tree:
    """Units, parents before children; kids: units fed by each; top: units fed by the pump; end: junction
    at the end of each unit, -1 at a dead end inside a segment; first_k: loss factor of the fitting at the
    start of each.
    """

    units: tuple[Unit, ...]
    kids: tuple[tuple[int, ...], ...]
    top: tuple[int, ...]
    end: tuple[int, ...]
    first_k: tuple[float, ...]

    def minor_k(self, prepared: Prepared, u: int, served: bytes | bytearray) -> tuple[float, ...]:
        """Loss factor of each piece of a unit: fitting at its start, elbow under a last nozzle."""
        unit, k = self.units[u], prepared.problem.k
        way = prepared.segments.ways[unit.way]
        factors = [self.first_k[u]]
        for i in range(1, unit.pieces):
            nozzle = bool(served[way.points[i]])
            factors.append(fitting_k(prepared, 2 if nozzle else 1, way.turns[i]))
        if not self.kids[u]:
            factors[-1] += k.elbow
        return tuple(factors)


def tree_of(prepared: Prepared, pump: int, flags: bytes | bytearray, served: bytes | bytearray) -> Tree:
    """The tree that flags (one a piece) hold; served: by point, whether a nozzle there is the circuit's."""
    units = units_of(prepared.segments.ways, prepared.segments.outgoing, flags, prepared.root[pump])
    ways = prepared.segments.ways
    kids: list[list[int]] = [[] for _ in units]
    top: list[int] = []
    for u, unit in enumerate(units):
        (top if unit.parent < 0 else kids[unit.parent]).append(u)
    end = [ways[unit.way].end if unit.pieces == len(ways[unit.way].pieces) else -1 for unit in units]
    first_k = []
    for unit in units:
        if unit.parent < 0:
            first_k.append(prepared.problem.k.entrance)
            continue
        way, before = ways[unit.way], ways[units[unit.parent].way]
        branches = len(kids[unit.parent]) + bool(served[way.start])
        first_k.append(fitting_k(prepared, branches, turn_deg(before.arrive_deg, way.leave_deg)))
    return Tree(tuple(units), tuple(map(tuple, kids)), tuple(top), tuple(end), tuple(first_k))


def units_of(
    ways: tuple[Way, ...], outgoing: tuple[tuple[int, ...], ...], flags: bytes | bytearray, root: int
) -> list[Unit]:
    """Units of the tree that flags hold, parents before children."""
    units: list[Unit] = []
    stack = [(root, -1, -1)]
    while stack:
        junction, parent, came = stack.pop()
        for w in outgoing[junction]:
            way = ways[w]
            if w ^ 1 == came or not flags[way.pieces[0]]:
                continue
            pieces = fed_pieces(flags, way)
            if pieces == len(way.pieces):
                stack.append((way.end, len(units), w))
            units.append(Unit(w, pieces, parent))
    return units


def fitting_k(prepared: Prepared, ways_on: int, turn: float) -> float:
    """Loss factor where flow goes on in one of `ways_on` ways (a nozzle is one of them), at a turn in
    degrees.

    One way: an elbow where it turns more than 30 deg. Two and more: tee run where it turns less than 45
    deg, else tee branch.
    """
    k = prepared.problem.k
    if ways_on < 2:
        return k.elbow if turn > TURN_DEG else 0.0
    return k.tee_run if turn < STRAIGHT_DEG else k.tee_branch
