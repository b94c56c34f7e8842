"""The search for the cheapest forest: sets of sizes race, the best few search on, the leader is polished.

A forest found with one set of sizes is valued with all of them, so that a set left behind may come back.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from optimizer.runs.anneal import BEST_COST, BEST_FAULT, DONE, MOVED, MOVES, TOTAL, Search, anneal, rows_of, valued
from optimizer.runs.compiled import dice
from optimizer.runs.flat import Flat
from optimizer.runs.grow import new_pending
from optimizer.runs.rules import COLUMNS
from optimizer.runs.sizing import Sizing, new_sizing
from optimizer.runs.state import State, copy_state, empty_state
from optimizer.runs.written import EXACT_ROOM

WIDE = (0.03, 0.001)  # first and last temperature, as shares of the first cost: wide enough to leave a basin
NARROW = (0.003, 0.0003)  # likewise, to settle in one
NARROW_SHARE = 0.3  # share of the last search that settles
WATCH_EVERY = 1000  # evaluations
FINALISTS = 3  # first forests that are looked at with every set of sizes
HEAT = 150  # evaluations of one set in one heat, at least
RACE_SHARE = 0.5  # share of all evaluations that heats get, at most
HEATS = 3
LEADERS = 3  # sets of sizes that search on after the heats, at most
SETTLINGS = 3  # searches that settle, at most
LONG = 5000  # evaluations of each of these searches, at least, where there are several

Watch = Callable[[int, "Found"], bool]
Sizes = tuple[int, ...]


@dataclass(frozen=True)
class Found:
    """A forest valued with a set of sizes. fault: by how much it breaks rules."""

    fault: float
    cost: float
    sizes: Sizes
    state: State

    @property
    def order(self) -> tuple[float, float, Sizes]:
        """Feasible before cheap."""
        return (self.fault, self.cost, self.sizes)


class Race:
    """Searches on one problem. Holds the arrays of the problem and of each set of sizes, nothing else."""

    def __init__(self, flat: Flat, sets: Sequence[Sizes], watch: Watch) -> None:
        """watch: told evaluations done and the best now and then, returns whether to go on."""
        self.flat = flat
        self.sets = tuple(sets)
        self.watch = watch
        self.done = 0
        self._work: dict[Sizes, Sizing] = {}

    def run(self, states: Sequence[State], seed: int, evaluations: int) -> Found:
        """The best forest found from those given, in so many evaluations."""
        first = self.first_look(states)
        best = dict(first)
        alive, left = list(best), evaluations
        budget = int(evaluations * RACE_SHARE) // HEATS
        for heat in range(HEATS):
            alive = sorted(alive, key=lambda sizes: best[sizes].order)
            alive = alive[: min(budget // HEAT, -(-len(alive) // 3) if heat else len(alive))]
            if len(alive) < 2:
                break
            for n, sizes in enumerate(alive):
                self._note(best, self.annealed(best[sizes], seed + 1000 * heat + n, budget // len(alive)))
            left -= budget
        self._finish(first, best, seed, left)
        return _leader(best)

    def _finish(self, first: dict[Sizes, Found], best: dict[Sizes, Found], seed: int, evaluations: int) -> None:
        """The leading sets of sizes search wide, then the leader settles, from its best forest each time.

        Where several sets search, each begins anew from its first forest: what the heats left may be a basin that no
        search leaves.
        """
        settling = int(evaluations * NARROW_SHARE)
        wide = evaluations - settling
        leaders = sorted(best.values(), key=lambda found: found.order)[: _parts(LEADERS, wide)]
        for n, leader in enumerate(leaders):
            begin = leader if len(leaders) == 1 else first[leader.sizes]
            self._note(best, self.annealed(begin, seed - 1 - n, wide // len(leaders)))
        times = _parts(SETTLINGS, settling)
        for n in range(times):
            self._note(best, self.annealed(_leader(best), seed - 1 - len(leaders) - n, settling // times, NARROW))

    def first_look(self, states: Sequence[State]) -> dict[Sizes, Found]:
        """The best forest of every set of sizes.

        All are valued with all sizes on offer, which no set of sizes beats; only the best of them with every set.
        """
        every = tuple(range(len(self.flat.cost_per_m)))
        ranked = sorted(range(len(states)), key=lambda i: self._valued(every, states[i]).order)
        best: dict[Sizes, Found] = {}
        for i in ranked[:FINALISTS]:
            self._note(best, self._valued(self.sets[0], states[i]))
        return best

    def annealed(self, start: Found, seed: int, evaluations: int, heat: tuple[float, float] = WIDE) -> Found:
        """The best forest found from a start with its own sizes, while it cools from one temperature to another."""
        flat, work = self.flat, self._sizing(start.sizes)
        now, rows = empty_state(flat), np.zeros((len(flat.pump), COLUMNS))
        copy_state(start.state, now)
        now.changed[:] = 1
        rows_of(flat, now, work, rows)
        best = empty_state(flat)
        copy_state(now, best)
        cheapest = float(flat.cost_per_m[list(start.sizes)].min())
        scale = max(start.cost, 1e-9)
        value = np.array([start.fault, start.cost, start.fault, start.cost, scale, *heat, cheapest])
        search = Search(now, empty_state(flat), best, rows, rows.copy(), value, np.array([0, 0, evaluations]))
        pending, draw = new_pending(flat), dice(seed)
        while search.tally[DONE] < search.tally[TOTAL] and search.tally[MOVED] < MOVES * search.tally[TOTAL]:
            before = int(search.tally[DONE])
            anneal(flat, work, search, pending, draw, min(evaluations, before + WATCH_EVERY))
            self.done += int(search.tally[DONE]) - before
            found = Found(float(value[BEST_FAULT]), float(value[BEST_COST]), start.sizes, best)
            if not self.watch(self.done, found):
                break
        return Found(float(value[BEST_FAULT]), float(value[BEST_COST]), start.sizes, best)

    def exact(self, states: Sequence[State]) -> Found:
        """The best of the forests with the best set of sizes, valued without thinning labels."""
        found = [
            Found(*valued(self.flat, state, new_sizing(self.flat, sizes, EXACT_ROOM, 1)), sizes, state)
            for state in states
            for sizes in self.sets
        ]
        return min(found, key=lambda one: one.order)

    def _note(self, best: dict[Sizes, Found], found: Found) -> None:
        """Keep a forest wherever it is the best known of a set of sizes."""
        for sizes in self.sets:
            one = found if sizes == found.sizes else self._valued(sizes, found.state)
            if sizes not in best or one.order < best[sizes].order:
                best[sizes] = one

    def _valued(self, sizes: Sizes, state: State) -> Found:
        return Found(*valued(self.flat, state, self._sizing(sizes)), sizes, state)

    def _sizing(self, sizes: Sizes) -> Sizing:
        if sizes not in self._work:
            self._work[sizes] = new_sizing(self.flat, sizes)
        return self._work[sizes]


def _leader(best: dict[Sizes, Found]) -> Found:
    """The best of all sets of sizes."""
    return min(best.values(), key=lambda found: found.order)


def _parts(most: int, evaluations: int) -> int:
    """Into how many searches evaluations are divided: at most so many, none too short to be of use."""
    return max(1, min(most, evaluations // LONG))
