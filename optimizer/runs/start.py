"""First forests: nozzles assigned to pumps by an exact transport, then shared out among a pump's circuits
along a tree."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from scipy.optimize import linear_sum_assignment

from optimizer.errors import NoDesign
from optimizer.runs.compiled import dice
from optimizer.runs.distances import Distances
from optimizer.runs.flat import Flat
from optimizer.runs.grow import grow, new_pending
from optimizer.runs.prepared import Prepared
from optimizer.runs.state import State, empty_state

PULLS = (0.0, 0.3, 0.6, 1.0)
FAR = 1e9  # price of a nozzle that a circuit cannot feed, above any real way


def starts(prepared: Prepared, flat: Flat, both: tuple[Distances, Distances]) -> Iterator[State]:
    """Different first forests. both: cheapest ways with trench and without.

    Raises NoDesign where no circuit reaches a nozzle or the circuits cannot take all of them.
    """
    for price, distances in enumerate(both):
        fed_by = transport(prepared, distances)
        shares = [shared_out(prepared, flat, fed_by, price, turn % 2 == 1, turn >= 2) for turn in range(4)]
        for owner in sorted(set(map(tuple, shares))):
            for pull in PULLS:
                yield planted(flat, owner, price, pull)
        free = empty_state(flat)
        if _lead_all(flat, free, None, price, 0.0):
            yield free


def transport(prepared: Prepared, distances: Distances) -> list[int]:
    """Circuit of each nozzle by the cheapest transport: least sum of distances, room kept to the last
    nozzle.

    Raises NoDesign where there is none, naming what is missing.
    """
    problem = prepared.problem
    check_reach(prepared, distances)
    most = [min(c.nozzles_at_most, problem.nozzles) for c in problem.circuits]
    slots = [c for c, room in enumerate(most) for _ in range(room)]
    cost = np.full((problem.nozzles, max(len(slots), problem.nozzles)), FAR)
    for i, c in enumerate(slots):
        way = distances.cost[prepared.root[problem.circuits[c].pump], list(prepared.spot)]
        allowed = np.array(prepared.may_feed[c]) & np.isfinite(way)
        cost[allowed, i] = way[allowed]
    nozzles, chosen = linear_sum_assignment(cost)
    fed = int((cost[nozzles, chosen] < FAR).sum())
    if fed < problem.nozzles:
        raise NoDesign(
            "capacity",
            f"the circuits can take {fed} of {problem.nozzles} nozzles within their pumps' capacity: "
            "drop nozzles, add a circuit or take a larger pump",
        )
    return [slots[int(i)] for i in chosen]


def check_reach(prepared: Prepared, distances: Distances) -> None:
    """Raises NoDesign for the first nozzle that no circuit may or can feed."""
    problem = prepared.problem
    for k, spot in enumerate(prepared.spot):
        of_group = [c for c, circuit in enumerate(problem.circuits) if circuit.group == problem.group[k]]
        if not of_group:
            raise NoDesign(
                "circuits", f"no circuit is left for schedule group {problem.group[k]}: add a circuit"
            )
        if not any(prepared.may_feed[c][k] for c in of_group):
            raise NoDesign(
                "band", f"{nozzle_place(prepared, k)} stands too high for the set pressure even without loss"
            )
        roots = [prepared.root[problem.circuits[c].pump] for c in of_group if prepared.may_feed[c][k]]
        if not any(np.isfinite(distances.cost[root, spot]) for root in roots):
            raise NoDesign(
                "reach",
                f"no corridor leads from a pump to {nozzle_place(prepared, k)}: draw a tubing link to its line",
            )


def nozzle_place(prepared: Prepared, nozzle: int) -> str:
    """Words for where a nozzle stands."""
    layout = prepared.problem.layout
    point = int(layout.nozzle_point[nozzle])
    return f"nozzle {nozzle} at ({layout.x_m[point]:.1f}, {layout.y_m[point]:.1f}) m"


def shared_out(
    prepared: Prepared, flat: Flat, fed_by: list[int], price: int, backwards: bool, even: bool
) -> list[int]:
    """Circuit of each nozzle after circuits of one pump and group share their nozzles in the order of a
    walk.

    The walk goes depth first through a tree that feeds them all, so that each circuit gets neighbours.
    even: each circuit gets its proportion; else they are filled up one after the other. backwards: the
    walk's branches are taken in reverse.
    """
    owner = fed_by.copy()
    pools: dict[tuple[int, int], list[int]] = {}
    for c, circuit in enumerate(prepared.problem.circuits):
        pools.setdefault((circuit.pump, circuit.group), []).append(c)
    for pool in pools.values():
        nozzles = [k for k, c in enumerate(fed_by) if c in pool]
        if len(pool) < 2 or not nozzles:
            continue
        whole = empty_state(flat)
        whole.room[pool[0]] = len(nozzles)
        _lead_all(flat, whole, [pool[0] if c in pool else -1 for c in fed_by], price, 0.0)
        order = walk(prepared, whole, pool[0], backwards)
        for k, c in zip(order, _portions(pool, prepared, len(nozzles), even), strict=True):
            owner[k] = c
    return owner


def _portions(pool: list[int], prepared: Prepared, count: int, even: bool) -> list[int]:
    """Circuit of the first, second, ... nozzle of a walk."""
    rooms = [prepared.problem.circuits[c].nozzles_at_most for c in pool]
    portions = []
    left = count
    for i, (c, room) in enumerate(zip(pool, rooms, strict=True)):
        take = -(-left * room // max(1, sum(rooms[i:]))) if even else min(room, left)
        portions += [c] * take
        left -= take
    return portions


def walk(prepared: Prepared, state: State, circuit: int, backwards: bool) -> list[int]:
    """The circuit's nozzles in the order of a depth-first walk through its tree."""
    flags, owner = state.flags[circuit].tolist(), state.owner.tolist()
    root = prepared.root[prepared.problem.circuits[circuit].pump]
    stack, seen, order = [root], {root}, []
    while stack:
        here = stack.pop()
        k = prepared.nozzle[here]
        if k >= 0 and owner[k] == circuit:
            order.append(k)
        steps = [p for e, p in prepared.segments.around[here] if flags[e] and p not in seen]
        seen.update(steps)
        stack += steps[::-1] if backwards else steps
    return order


def planted(flat: Flat, owner: tuple[int, ...], price: int, pull: float) -> State:
    """Each nozzle led to its circuit; see `grow` for price and pull."""
    state = empty_state(flat)
    _lead_all(flat, state, owner, price, pull)
    return state


def _lead_all(flat: Flat, state: State, owner: list[int] | tuple[int, ...] | None, price: int, pull: float) -> bool:
    """Grow tubing to every nozzle (of owner -1: none), from its owner only if one is given."""
    pending, nozzles = new_pending(flat), np.arange(len(flat.spot))
    if owner is not None:
        own = np.array(owner)
        pending.bias[:] = np.where(np.arange(len(flat.pump))[:, None] == own, 1.0, np.inf)
        pending.last[:] = np.maximum(own, 0)
        nozzles = nozzles[own >= 0]
    pending.nozzle[: len(nozzles)] = nozzles
    return grow(flat, state, pending, len(nozzles), price, pull, 0.0, False, dice(0))
