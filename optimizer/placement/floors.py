"""How many nozzles a zone's least coverage takes at least.

What must live here: bounds on counts by areas alone; what may not: search, models, prices.
"""

from __future__ import annotations

import numpy as np

from optimizer.placement.problem import FLOOR_TOLERANCE, Floor, PlacementProblem, Window


def fewest_for(problem: PlacementProblem, floor: Floor) -> tuple[Window, int]:
    """Candidates that reach a zone with a floor, and how many of them are needed at least.

    Whatever is chosen, the area that counts is at most sum_j A_j x_j, A_j the cells' area that j covers, each divided
    by the nozzles that must reach it: no fewer do than the largest A_j that add up to the floor. One more than there
    are candidates where all of them do not.
    """
    shares = np.asarray(problem.incidence.T @ (floor.area_m2 / problem.need), dtype=float)
    most_m2 = np.concatenate([[0.0], np.cumsum(np.sort(shares[shares > 0.0])[::-1])])
    needed = int(np.searchsorted(most_m2, floor.least_m2 * (1.0 - FLOOR_TOLERANCE)))
    return tuple(np.flatnonzero(shares > 0.0).tolist()), needed
