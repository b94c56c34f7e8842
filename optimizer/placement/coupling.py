"""What couples strands besides the cells that they share: rows of candidates with a price each.

sum_{j in l} x_j <= most_l     every limit
sum_{j in w} x_j <= 1          spacing windows that no single strand holds
-sum_{j in k} x_j <= -1        windows that need a nozzle and that no single strand holds
-sum_{j reaches f} x_j <= -fewest_f   zones with a floor
sum_j excess_dj x_j <= 0       limits of drift, each scaled so that its mean size is that of a nozzle
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.sparse as sp

from optimizer.placement.floors import fewest_for
from optimizer.placement.problem import FloatArray, PlacementProblem
from optimizer.placement.tracks import Tracks

LEAST_EXCESS = 1e-12  # mean size of a drift limit that allows just what there is


@dataclass(frozen=True, eq=False)
class Coupling:
    """matrix [R, J] and room [R] of the rows, the limits first; limits: how many those are."""

    matrix: sp.csr_array
    room: FloatArray
    limits: int


def coupling_of(problem: PlacementProblem, tracks: Tracks) -> Coupling:
    """The rows that the tracks of a problem leave out."""
    spacing = [problem.spacing[w] for w in tracks.spacing]
    cover = [problem.cover[k] for k in tracks.cover]
    floors = [fewest_for(problem, floor) for floor in problem.floors]
    needed = [*((window, 1) for window in cover), *floors]
    rows = [*(limit.members for limit in problem.limits), *spacing, *(members for members, _ in needed)]
    signs = np.repeat([1.0, -1.0], [len(rows) - len(needed), len(needed)])
    counts = [len(members) for members in rows]
    indices = np.array([j for members in rows for j in members], dtype=np.int64)
    pointers = np.concatenate([[0], np.cumsum(counts, dtype=np.int64)]).astype(np.int64)
    matrix = sp.csr_array((np.repeat(signs, counts), indices, pointers), shape=(len(rows), problem.candidates))
    most = [float(limit.most) for limit in problem.limits]
    drifts = [drift.excess / max(float(np.abs(drift.excess).mean()), LEAST_EXCESS) for drift in problem.drifts]
    if drifts:
        matrix = sp.csr_array(sp.vstack([matrix, sp.csr_array(np.array(drifts))]))
    room = np.concatenate(
        [most, np.ones(len(spacing)), [-float(fewest) for _, fewest in needed], np.zeros(len(drifts))]
    )
    return Coupling(matrix, room, len(problem.limits))
