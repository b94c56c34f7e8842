"""The ways for tubing as a small graph: points where a nozzle may stand, where ways meet or where a pump stands, and
the pieces between them. Lengths are hydraulic; ground work is paid once a piece."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from optimizer.instance import Instance
from optimizer.placement.problem import FloatArray, IntArray
from optimizer.solve.supply import run_layout


@dataclass(frozen=True, eq=False)
class Network:
    """points: how many; tail, head, length_m, ground [E] of the pieces, ground in money; at [J]: point of each
    candidate; sites: pump sites that may be used; roots: the point of each."""

    points: int
    tail: IntArray
    head: IntArray
    length_m: FloatArray
    ground: FloatArray
    at: IntArray
    sites: tuple[int, ...]
    roots: tuple[int, ...]

    @property
    def pieces(self) -> int:
        """Number of pieces."""
        return len(self.tail)


def network(instance: Instance) -> Network:
    """The corridors of an instance cut at every candidate position.

    Candidates at one place share a point, also where the run split would set one of them off by a stub: no tubing is
    longer here than in any design. Points without candidate or pump where two pieces meet are left out, and so are
    pieces that lead nowhere.
    """
    found = instance.candidates
    one_of_place = [int(j) for j in np.unique(found.place, return_index=True)[1]]
    ground = run_layout(instance, one_of_place)
    stub = ground.edge < 0
    merged = _merged(ground.points, ground.tail[stub], ground.head[stub])
    names = [site.name for site in instance.scenario.site.pump_sites]
    sites = tuple(sorted(names.index(name) for name in instance.option.pump_sites))
    at = merged[ground.nozzle_point[found.place]]
    roots = merged[ground.site_point[list(sites)]]
    pieces = list(
        zip(
            merged[ground.tail[~stub]].tolist(),
            merged[ground.head[~stub]].tolist(),
            ground.length_m[~stub].tolist(),
            ground.trench_cost[~stub].tolist(),
            strict=True,
        )
    )
    kept = _contracted(pieces, {*at.tolist(), *roots.tolist()})
    number = {p: i for i, p in enumerate(sorted({p for a, b, *_ in kept for p in (a, b)} | set(at) | set(roots)))}
    return Network(
        points=len(number),
        tail=np.array([number[a] for a, *_ in kept], dtype=np.int64),
        head=np.array([number[b] for _, b, *_ in kept], dtype=np.int64),
        length_m=np.array([length for *_, length, _ in kept], dtype=float),
        ground=np.array([cost for *_, cost in kept], dtype=float),
        at=np.array([number[p] for p in at.tolist()], dtype=np.int64),
        sites=sites,
        roots=tuple(number[p] for p in roots.tolist()),
    )


_Piece = tuple[int, int, float, float]  # ends, length, ground


def _merged(points: int, tail: IntArray, head: IntArray) -> IntArray:
    """[points]: the first of the points that stubs join to each."""
    name = np.arange(points, dtype=np.int64)
    for a, b in zip(tail.tolist(), head.tolist(), strict=True):
        low, high = sorted((int(name[a]), int(name[b])))
        name[name == high] = low
    return name


def _contracted(pieces: list[_Piece], needed: set[int]) -> list[_Piece]:
    """The pieces without plain points: chains made one piece, dead ends and loops on one point dropped."""
    touching: dict[int, set[int]] = {}
    alive: dict[int, _Piece] = {}

    def put(number: int, piece: _Piece) -> None:
        alive[number] = piece
        for p in piece[:2]:
            touching.setdefault(p, set()).add(number)

    def drop(number: int) -> None:
        for p in alive.pop(number)[:2]:
            touching[p].discard(number)

    for number, piece in enumerate(pieces):
        if piece[0] != piece[1]:
            put(number, piece)
    waiting = sorted(set(touching) - needed)
    while waiting:
        point = waiting.pop()
        near = sorted(touching[point])
        if len(near) == 1:
            beyond = _other(alive[near[0]], point)
            drop(near[0])
            waiting += [beyond] if beyond not in needed else []
        elif len(near) == 2:
            one, two = (alive[e] for e in near)
            a, b = _other(one, point), _other(two, point)
            for e in near:
                drop(e)
            if a != b:
                put(near[0], (a, b, one[2] + two[2], one[3] + two[3]))
            else:
                waiting += [a] if a not in needed else []
    return [alive[e] for e in sorted(alive)]


def _other(piece: _Piece, point: int) -> int:
    return piece[1] if piece[0] == point else piece[0]
