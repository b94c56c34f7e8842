"""The inner loop of the search for positions and tubing together, compiled.

Annealing (Kirkpatrick, Gelatt and Vecchi 1983) over which candidates are chosen, on a *host*: a forest of pieces rooted
at the pumps that says by which way tubing would lead to every point. What is laid is what leads to a chosen candidate;
a metre costs by how many nozzles it feeds. Moves: one nozzle comes, goes or shifts; all beyond a point go; nozzles come
along the way to an unserved point; both. Plain numbers and arrays only: no Shapely, no solver.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numba import njit

Array = np.ndarray[Any, Any]

TOGGLE, SHIFT, PRUNE, GROW = 0.42, 0.94, 0.955, 0.98  # shares of moves, each up to the next; the rest grow and prune
FAR = 0.25  # of the shifts go anywhere
MILD = 0.03  # of the weight of a broken budget or target, that counts at the start
UP = 0.12  # chance to stop at each point on the way up, where to prune


class Fixed(NamedTuple):
    """What no move changes, J candidates. *_start and lists in rows: cells of a candidate; candidates too close to one;
    kin, near enough to shift to; limits and windows of one. value, need [C]; bonus, may, locked, at [J]; most [L]; tube
    [nozzles + 1]: price of a metre that feeds so many; nozzle: price of one; floor_m2 [F, C], floor_least [F]: area of
    cells in zones with a least coverage, and that."""

    cell_start: Array
    cells: Array
    close_start: Array
    close: Array
    kin_start: Array
    kin: Array
    limit_start: Array
    limits: Array
    window_start: Array
    windows: Array
    value: Array
    need: Array
    bonus: Array
    may: Array
    locked: Array
    at: Array
    most: Array
    tube: Array
    nozzle: float
    floor_m2: Array
    floor_least: Array


class Host(NamedTuple):
    """A forest on the points. parent: -1 at a root, -2 where nothing leads; length_m, ground: of the piece to it;
    root: of each point; room: nozzles that each root feeds at most; first, own, last: candidates of a point, and of all
    beyond it, are order[first:own] and order[first:last]."""

    parent: Array
    length_m: Array
    ground: Array
    root: Array
    room: Array
    first: Array
    own: Array
    last: Array
    order: Array


class State(NamedTuple):
    """A choice. on, crowd [J]; hits [C]; below: chosen beyond each point; taken [L]; served [W]; sums: value of the
    cells, bonuses, cost."""

    on: Array
    crowd: Array
    hits: Array
    below: Array
    taken: Array
    served: Array
    sums: Array


class Aim(NamedTuple):
    """What is minimised: cost_weight x cost - value_weight x (value + bonus) + over x (cost above budget) + short x
    (value below target) + floor x (m² short of floors)."""

    cost_weight: float
    value_weight: float
    budget: float
    over: float
    target: float
    short: float
    floor: float


@njit(cache=True)
def energy(fixed: Any, aim: Any, sums: Any, strict: float) -> float:
    """What is minimised, at a state's sums; strict: share of the weights of a broken budget or target."""
    found = aim.cost_weight * sums[2] - aim.value_weight * (sums[0] + sums[1])
    if sums[2] > aim.budget:
        found += strict * aim.over * (sums[2] - aim.budget)
    if sums[0] < aim.target:
        found += strict * aim.short * (aim.target - sums[0])
    for f in range(len(fixed.floor_least)):
        if sums[3 + f] < fixed.floor_least[f]:
            found += strict * aim.floor * (fixed.floor_least[f] - sums[3 + f])
    return found  # type: ignore[no-any-return]


@njit(cache=True)
def within(fixed: Any, aim: Any, sums: Any) -> bool:
    """Whether budget, target and floors are kept."""
    short = 0
    for f in range(len(fixed.floor_least)):
        short += sums[3 + f] < fixed.floor_least[f]
    return sums[2] <= aim.budget and sums[0] >= aim.target and short == 0


@njit(cache=True)
def change(fixed: Any, host: Any, state: Any, j: int, by: int) -> None:
    """Choose a candidate (by = 1) or let it go (-1)."""
    state.on[j] += by
    for k in range(fixed.cell_start[j], fixed.cell_start[j + 1]):
        c = fixed.cells[k]
        before = state.hits[c] >= fixed.need[c]
        state.hits[c] += by
        if (state.hits[c] >= fixed.need[c]) != before:
            state.sums[0] += by * fixed.value[c]
            for f in range(len(fixed.floor_least)):
                state.sums[3 + f] += by * fixed.floor_m2[f, c]
    state.sums[1] += by * fixed.bonus[j]
    state.sums[2] += by * fixed.nozzle
    for k in range(fixed.close_start[j], fixed.close_start[j + 1]):
        state.crowd[fixed.close[k]] += by
    for k in range(fixed.limit_start[j], fixed.limit_start[j + 1]):
        state.taken[fixed.limits[k]] += by
    for k in range(fixed.window_start[j], fixed.window_start[j + 1]):
        state.served[fixed.windows[k]] += by
    p = fixed.at[j]
    while p >= 0:
        n = state.below[p]
        state.below[p] = n + by
        state.sums[2] += host.length_m[p] * (fixed.tube[n + by] - fixed.tube[n])
        if n == 0:
            state.sums[2] += host.ground[p]
        elif n + by == 0:
            state.sums[2] -= host.ground[p]
        p = host.parent[p]


@njit(cache=True)
def may_come(fixed: Any, host: Any, state: Any, j: int) -> bool:
    """Whether a candidate may be chosen besides those that are."""
    root = host.root[fixed.at[j]]
    if not fixed.may[j] or state.on[j] or state.crowd[j] or root < 0 or state.below[root] >= host.room[root]:
        return False
    for k in range(fixed.limit_start[j], fixed.limit_start[j + 1]):
        if state.taken[fixed.limits[k]] >= fixed.most[fixed.limits[k]]:
            return False
    return True


@njit(cache=True)
def may_go(fixed: Any, state: Any, j: int) -> bool:
    """Whether a chosen candidate may go."""
    if not state.on[j] or fixed.locked[j]:
        return False
    least = 2
    for k in range(fixed.window_start[j], fixed.window_start[j + 1]):
        least = min(least, state.served[fixed.windows[k]])
    return least > 1


@njit(cache=True)
def prune(fixed: Any, host: Any, state: Any, log: Any, done: int) -> int:
    """Let all beyond a random point go that may; changes are logged, their number comes back."""
    count = len(fixed.at)
    j = np.random.randint(count)
    for _ in range(64):
        if state.on[j]:
            break
        j = np.random.randint(count)
    if not state.on[j]:
        return done
    p = fixed.at[j]
    while host.parent[p] >= 0 and np.random.random() > UP:
        p = host.parent[p]
    for k in range(host.first[p], host.last[p]):
        i = host.order[k]
        if may_go(fixed, state, i):
            change(fixed, host, state, i, -1)
            log[done] = i
            done += 1
    return done


@njit(cache=True)
def grow(fixed: Any, host: Any, state: Any, log: Any, done: int, gain: float) -> int:
    """Choose candidates along the way from a random unserved point to where tubing lies, from its end on; each must
    gain a random share of `gain`."""
    count = len(fixed.at)
    j = np.random.randint(count)
    for _ in range(64):
        if fixed.may[j] and host.root[fixed.at[j]] >= 0 and state.below[fixed.at[j]] == 0:
            break
        j = np.random.randint(count)
    p = fixed.at[j]
    if not fixed.may[j] or host.root[p] < 0 or state.below[p] > 0:
        return done
    if may_come(fixed, host, state, j):
        change(fixed, host, state, j, 1)
        log[done] = j
        done += 1
    least = gain * (0.2 + 0.9 * np.random.random())
    while p >= 0:
        for k in range(host.first[p], host.own[p]):
            i = host.order[k]
            if may_come(fixed, host, state, i):
                before = state.sums[0] + state.sums[1]
                change(fixed, host, state, i, 1)
                if state.sums[0] + state.sums[1] - before < least:
                    change(fixed, host, state, i, -1)
                else:
                    log[done] = i
                    done += 1
        p = host.parent[p]
        if p >= 0 and state.below[p] > done:
            break
    return done


@njit(cache=True)
def move(fixed: Any, host: Any, state: Any, log: Any, gain: float) -> int:
    """One random move; what it changed is logged, how many is returned, 0 for none."""
    count, kind = len(fixed.at), np.random.random()
    if kind < TOGGLE:
        j = np.random.randint(count)
        if may_go(fixed, state, j):
            change(fixed, host, state, j, -1)
        elif may_come(fixed, host, state, j):
            change(fixed, host, state, j, 1)
        else:
            return 0
        log[0] = j
        return 1
    if kind < SHIFT:
        j = np.random.randint(count)
        size = fixed.kin_start[j + 1] - fixed.kin_start[j]
        if size == 0 or not may_go(fixed, state, j):
            return 0
        i = fixed.kin[fixed.kin_start[j] + np.random.randint(size)]
        if np.random.random() < FAR:
            i = np.random.randint(count)
        change(fixed, host, state, j, -1)
        log[0] = j
        if not may_come(fixed, host, state, i):
            return 1
        change(fixed, host, state, i, 1)
        log[1] = i
        return 2
    if kind < PRUNE:
        return prune(fixed, host, state, log, 0)
    done = grow(fixed, host, state, log, 0, gain)
    if kind >= GROW and done:
        done = prune(fixed, host, state, log, done)
    return done


@njit(cache=True)
def anneal(
    fixed: Any, host: Any, state: Any, aim: Any, steps: int, hot: float, cold: float, gain: float, seed: int
) -> Any:
    """The best choice met [J], from the state's own on, which changes; within budget and target where any was."""
    np.random.seed(seed)
    log = np.zeros(2 * len(fixed.at) + 2, dtype=np.int64)
    strict = MILD
    now = energy(fixed, aim, state.sums, strict)
    best, best_on = np.inf, state.on.copy()
    if within(fixed, aim, state.sums):
        best = now
    loose, loose_on = energy(fixed, aim, state.sums, 1.0), state.on.copy()
    heat = hot
    for step in range(steps):
        if step % 256 == 0:
            heat = hot * (cold / hot) ** (step / steps)
            strict = min(1.0, MILD ** (1.0 - 2.0 * step / steps))
            now = energy(fixed, aim, state.sums, strict)
        done = move(fixed, host, state, log, gain)
        if done == 0:
            continue
        then = energy(fixed, aim, state.sums, strict)
        if then > now and np.random.random() >= np.exp(-(then - now) / heat):
            for k in range(done - 1, -1, -1):
                j = log[k]
                change(fixed, host, state, j, -1 if state.on[j] else 1)
            continue
        now = then
        if now < best and within(fixed, aim, state.sums):
            best = now
            best_on[:] = state.on
        elif best == np.inf and energy(fixed, aim, state.sums, 1.0) < loose:
            loose = energy(fixed, aim, state.sums, 1.0)
            loose_on[:] = state.on
    return best_on if best < np.inf else loose_on
