"""All circuits' trees while the compiled search changes them. Every change leaves trees, never a cycle."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from optimizer.runs.compiled import jit
from optimizer.runs.flat import Bytes, Flat, Floats, Ints


class State(NamedTuple):
    """owner: [K] circuit of each nozzle, -1 none; flags: [C, E] 1 where the circuit's tree holds the piece;
    degree: [C, P] pieces of the tree at each point; tubes: [E] circuits that hold the piece; room: [C]
    nozzles that each may still take; length_m: [C] tubing; changed: [C] 1 after a change.
    """

    owner: NDArray[np.int16]
    flags: Bytes
    degree: Bytes
    tubes: Bytes
    room: Ints
    length_m: Floats
    changed: Bytes


def empty_state(flat: Flat) -> State:
    """No nozzle fed, no tubing."""
    circuits, pieces, points = len(flat.pump), len(flat.ends), len(flat.nozzle)
    return State(
        owner=np.full(len(flat.spot), -1, dtype=np.int16),
        flags=np.zeros((circuits, pieces), dtype=np.uint8),
        degree=np.zeros((circuits, points), dtype=np.uint8),
        tubes=np.zeros(pieces, dtype=np.uint8),
        room=flat.room.copy(),
        length_m=np.zeros(circuits),
        changed=np.ones(circuits, dtype=np.uint8),
    )


@jit
def copy_state(source: State, target: State) -> None:
    """Make target what source is."""
    target.owner[:] = source.owner
    target.flags[:] = source.flags
    target.degree[:] = source.degree
    target.tubes[:] = source.tubes
    target.room[:] = source.room
    target.length_m[:] = source.length_m
    target.changed[:] = source.changed


@jit
def holds(flat: Flat, state: State, c: int, point: int) -> bool:
    """Whether the circuit's tree reaches the point."""
    return state.degree[c, point] > 0 or point == flat.root[flat.pump[c]]


@jit
def serves(flat: Flat, state: State, c: int, point: int) -> bool:
    """Whether a nozzle of the circuit stands at the point."""
    k = flat.nozzle[point]
    return k >= 0 and state.owner[k] == c


@jit
def lay(flat: Flat, state: State, c: int, e: int) -> None:
    """Add a piece to the circuit's tree."""
    if state.flags[c, e] == 0:
        state.flags[c, e] = 1
        state.degree[c, flat.ends[e, 0]] += 1
        state.degree[c, flat.ends[e, 1]] += 1
        state.tubes[e] += 1
        state.length_m[c] += flat.length_m[e]
        state.changed[c] = 1


@jit
def remove(flat: Flat, state: State, c: int, e: int) -> None:
    """Take one piece out of the circuit's tree, and nothing else."""
    state.flags[c, e] = 0
    state.degree[c, flat.ends[e, 0]] -= 1
    state.degree[c, flat.ends[e, 1]] -= 1
    state.tubes[e] -= 1
    state.length_m[c] -= flat.length_m[e]
    state.changed[c] = 1


@jit
def trim(flat: Flat, state: State, c: int, point: int) -> None:
    """Take up the dead end at the point, as far as it feeds nothing."""
    root = flat.root[flat.pump[c]]
    while state.degree[c, point] == 1 and point != root and not serves(flat, state, c, point):
        for i in range(flat.around_from[point], flat.around_from[point + 1]):
            e = flat.around_piece[i]
            if state.flags[c, e]:
                remove(flat, state, c, e)
                point = flat.around_point[i]
                break


@jit
def trim_all(flat: Flat, state: State) -> None:
    """Take up every dead end that feeds nothing."""
    for c in range(len(flat.pump)):
        for point in range(len(flat.nozzle)):
            trim(flat, state, c, point)


@jit
def lift(flat: Flat, state: State, c: int, e: int) -> None:
    """Remove a piece, and the tubing on either side that then leads nowhere."""
    remove(flat, state, c, e)
    trim(flat, state, c, flat.ends[e, 0])
    trim(flat, state, c, flat.ends[e, 1])


@jit
def give(flat: Flat, state: State, k: int, c: int) -> None:
    """Let the circuit feed a nozzle that nobody feeds; its tree must be led there by `lay`."""
    state.owner[k] = c
    state.room[c] -= 1
    state.changed[c] = 1


@jit
def take(flat: Flat, state: State, k: int) -> None:
    """Let nobody feed the nozzle, and take up the tubing that led only there."""
    c = state.owner[k]
    state.owner[k] = -1
    state.room[c] += 1
    state.changed[c] = 1
    trim(flat, state, c, flat.spot[k])


@jit
def tree_path(flat: Flat, state: State, c: int, start: int, goal: int, came: Ints, path: Ints) -> int:
    """Pieces of the tree from start to goal, two of its points, into path; returns their number.

    came: [P] scratch for the piece that leads to each point; stack and pieces share path's memory.
    """
    top = 1
    path[0] = start
    came[start] = -1
    while top > 0:
        top -= 1
        here = path[top]
        if here == goal:
            break
        for i in range(flat.around_from[here], flat.around_from[here + 1]):
            e = flat.around_piece[i]
            if state.flags[c, e] and e != came[here]:
                beyond = flat.around_point[i]
                came[beyond] = e
                path[top] = beyond
                top += 1
    count = 0
    here = goal
    while here != start:
        e = came[here]
        path[count] = e
        count += 1
        here = flat.ends[e, 0] + flat.ends[e, 1] - here
    for i in range(count // 2):
        path[i], path[count - 1 - i] = path[count - 1 - i], path[i]
    return count


@jit
def trench_cost(flat: Flat, state: State) -> float:
    """Ground work of all pieces that hold a tube, each once."""
    total = 0.0
    for e in range(len(state.tubes)):
        if state.tubes[e]:
            total += flat.trench[e]
    return total
