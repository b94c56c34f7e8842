"""Lines of even pitch: their patterns, which of them a choice is nearest to, and which would bring most.

What must live here: patterns as arrays; what may not: the state of a choice, limits.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.sparse as sp

from optimizer.placement.problem import BoolArray, FloatArray, IntArray, PlacementProblem, Window


@dataclass(frozen=True, eq=False)
class EvenLine:
    """members [M] of all patterns; patterns: those that meet the rules by themselves; optional: none may stand.

    matrix int [J, patterns]: 1 where a pattern has a nozzle; counts [C, patterns]: nozzles of each pattern that reach
    each cell, or the dosage that they bring.
    """

    members: IntArray
    patterns: tuple[Window, ...]
    optional: bool
    matrix: sp.csc_array
    counts: sp.coo_array

    def choices(self) -> list[Window]:
        """What may stand on the line: its patterns, or nothing."""
        return [*self.patterns, *([()] if self.optional else [])]

    def standing(self, chosen: BoolArray) -> Window:
        """Chosen members of the line."""
        return tuple(self.members[chosen[self.members]].tolist())

    def is_pattern(self, chosen: BoolArray) -> bool:
        return self.standing(chosen) in self.choices()

    def gains(self, missing: IntArray | FloatArray, credit: FloatArray, bonus: FloatArray) -> FloatArray:
        """[choices]: credit, and bonuses, that each brings on an otherwise empty line.

        missing [C]: nozzles that each cell still needs.
        """
        brought = credit[self.counts.row] * np.minimum(self.counts.data, missing[self.counts.row])
        gains = np.bincount(self.counts.col, weights=brought, minlength=len(self.patterns))
        return np.append(gains + self.matrix.T @ bonus, [0.0] * self.optional)

    def nearest(self, chosen: BoolArray, gains: FloatArray) -> Window | None:
        """The choice that differs least from the chosen members, of equals the more valuable; None if there is none."""
        standing = set(self.standing(chosen))
        choices = self.choices()
        ranks = [(len(standing.symmetric_difference(c)), -float(g), c) for c, g in zip(choices, gains, strict=True)]
        return min(ranks)[2] if ranks else None


def even_line(patterns: tuple[Window, ...], problem: PlacementProblem, close: sp.csr_array) -> EvenLine:
    """The line of these patterns; close [J, J]: candidates that stand too close."""
    members = {j for pattern in patterns for j in pattern}
    locked, barred = members.intersection(problem.locked), set(problem.barred)
    windows = [served for window in problem.cover if members.issuperset(served := set(window) - barred)]
    usable = tuple(
        sorted(
            pattern
            for pattern in {tuple(sorted(pattern)) for pattern in patterns}
            if locked.issubset(pattern)
            and barred.isdisjoint(pattern)
            and not any(window.isdisjoint(pattern) for window in windows)
            and all(len(set(limit.members).intersection(pattern)) <= limit.most for limit in problem.limits)
            and close[list(pattern)][:, list(pattern)].nnz == 0
        )
    )
    index = np.array([j for pattern in usable for j in pattern], dtype=np.int64)
    starts = np.cumsum([0, *(len(pattern) for pattern in usable)])
    matrix = sp.csc_array((np.ones_like(index), index, starts), shape=(problem.candidates, len(usable)))
    counts = sp.coo_array((problem.incidence if problem.dosed else problem.incidence.astype(np.int64)) @ matrix)
    return EvenLine(np.array(sorted(members), dtype=np.int64), usable, not locked and not windows, matrix, counts)
