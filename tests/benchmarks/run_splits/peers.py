"""Other ways to the same answer: the contracted model cold in HiGHS, and what is done by hand.

Both get the problem that ours was first split with, every nozzle at its highest flow. HiGHS gets no start, and as many
processor seconds as ours took, times `PATIENCE`.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from math import inf

from optimizer.errors import NoDesign, SolverLimit
from optimizer.progress import Stop
from optimizer.runs.contracted import contracted
from optimizer.runs.model import build
from optimizer.runs.practice import by_hand
from optimizer.runs.prepared import Prepared, prepare
from optimizer.runs.problem import RunProblem
from optimizer.runs.proven import size_sets
from optimizer.solver import Limits, solve

PATIENCE = 5.0
LEAST_S = 10.0


@dataclass(frozen=True)
class Answer:
    """What a peer found: cost and bound of its own model (-inf where it proves none), the processor seconds it
    took."""

    cost: float
    bound: float
    seconds: float


def cold(problem: RunProblem, ours_s: float) -> Answer | None:
    """The contracted model with safe data in HiGHS without a start, for each set of sizes in turn with an equal share
    of the time; None where it finds nothing in time."""
    began = time.process_time()
    prepared = prepare(problem)
    sets = size_sets(prepared)
    costs, bounds = [], []
    for number, sizes in enumerate(sets, start=1):
        end = began + max(LEAST_S, PATIENCE * ours_s) * number / len(sets)
        cost, bound = _cold_with(prepared, sizes, lambda end=end: time.process_time() > end)  # type: ignore[misc]
        costs.append(cost)
        bounds.append(bound)
    if min(costs) == inf:
        return None
    return Answer(min(costs), min(bounds), time.process_time() - began)


def _cold_with(prepared: Prepared, sizes: tuple[int, ...], stop: Stop) -> tuple[float, float]:
    """Cost found in a set of sizes, inf where none was, and a bound of it."""
    try:
        found = solve(build(contracted(prepared, sizes, safe=True)), limits=Limits(gap=1e-3), stop=stop)
    except SolverLimit:
        return inf, -inf
    return inf if found.incumbent is None else found.incumbent, found.bound


def hand(problem: RunProblem, _ours_s: float) -> Answer | None:
    """Nearest ways and one tubing size, sized by the worst nozzle; None where no size feeds it or no pump has room."""
    began = time.process_time()
    try:
        plan = by_hand(problem)
    except NoDesign:
        return None
    return Answer(plan.cost, float("-inf"), time.process_time() - began)


PEERS: dict[str, Callable[[RunProblem, float], Answer | None]] = {"HiGHS": cold, "by hand": hand}
