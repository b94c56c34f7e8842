"""Where a circuit's tubing may close a loop: ways along corridors that none of it lies in."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from heapq import heappop, heappush

from optimizer.solve.assemble import Layout
from optimizer.solve.narrowed import circuit_name, sizes_in_use
from optimizer.solve.trial import Trial
from optimizer.verify import circuit_states


@dataclass(frozen=True)
class Way:
    """Pieces along which a loop may be closed, with the points that they pass, both ends on the circuit's tubing."""

    pieces: tuple[int, ...]
    points: tuple[int, ...]
    cost: float


def ways(trial: Trial, circuit: int) -> list[Way]:
    """Ways between points of a circuit's tubing that none of it lies along, the most promising first."""
    made, plan = trial.layout, trial.layout.plan.circuits[circuit]
    state = next(one for one in circuit_states(trial.design) if one.circuit == circuit_name(made, circuit))
    pressure = {use.to_point: state.node_pressure_pa[f"{state.circuit}-{use.to_point}"] for use in plan.pieces}
    ranked = [(-abs(pressure[way.points[0]] - pressure[way.points[-1]]) / way.cost, way.pieces, way)
              for way in _shortest(made, circuit, sorted(pressure))]
    return [way for _, _, way in sorted(ranked, key=lambda one: one[:2])]


def _shortest(made: Layout, circuit: int, starts: Sequence[int]) -> Iterator[Way]:
    """For each two points whose neighbourhoods touch, the cheapest way between them (Dijkstra from all at once)."""
    ground, cost = made.problem.layout, _cost_of_pieces(made)
    own = {use.piece for use in made.plan.circuits[circuit].pieces}
    around: dict[int, list[tuple[int, int]]] = defaultdict(list)
    for piece in (piece for piece in range(ground.pieces) if piece not in own):
        tail, head = int(ground.tail[piece]), int(ground.head[piece])
        around[tail].append((piece, head))
        around[head].append((piece, tail))
    reached: dict[int, tuple[float, int, int]] = {}  # cost so far, the piece that leads to it, the point before
    heap = [(0.0, point, -1, -1) for point in starts]
    while heap:
        so_far, point, came_by, before = heappop(heap)
        if point not in reached:
            reached[point] = so_far, came_by, before
            for piece, other in around[point]:
                heappush(heap, (so_far + cost[piece], other, piece, point))
    best: dict[tuple[int, int], tuple[float, int]] = {}
    back = {point: _back(point, reached) for point in reached}
    for piece in (piece for piece in range(ground.pieces) if piece not in own):
        tail, head = int(ground.tail[piece]), int(ground.head[piece])
        if tail in reached and head in reached and back[tail][1][-1] != back[head][1][-1]:
            ends = sorted((back[tail][1][-1], back[head][1][-1]))
            total = reached[tail][0] + cost[piece] + reached[head][0]
            best[ends[0], ends[1]] = min(best.get((ends[0], ends[1]), (total, piece)), (total, piece))
    for total, piece in best.values():
        (there, first), (onward, last) = back[int(ground.tail[piece])], back[int(ground.head[piece])]
        if total > 0:
            yield Way((*there[::-1], piece, *onward), (*first[::-1], *last), total)


def _back(point: int, reached: dict[int, tuple[float, int, int]]) -> tuple[list[int], list[int]]:
    """Pieces and points from a point back to where the search for it began."""
    pieces: list[int] = []
    points = [point]
    while reached[points[-1]][1] >= 0:
        _, piece, before = reached[points[-1]]
        pieces.append(piece)
        points.append(before)
    return pieces, points


def _cost_of_pieces(made: Layout) -> list[float]:
    """What the cheapest tube in use costs along each piece, with its ground work where none is done so far."""
    used = {use.piece for circuit in made.plan.circuits for use in circuit.pieces}
    used |= {part.piece for choice in made.problem.pumps for part in choice.main}
    price = min(made.problem.tubing[size].cost_per_m for size in sizes_in_use(made))
    ground = made.problem.layout
    return [price * float(ground.length_m[e]) + (0.0 if e in used else float(ground.trench_cost[e]))
            for e in range(ground.pieces)]
