"""Small random placement problems, and their answer by enumeration: shared by the placement tests."""

from __future__ import annotations

import itertools
from collections.abc import Iterator

import numpy as np
import scipy.sparse as sp

from optimizer.placement.problem import PlacementProblem, cover_windows, line_orders, spacing_windows


def random_problem(seed: int, *, continuous: bool = False, groups: int = 1) -> PlacementProblem:
    """Up to 10 candidates on one open and one closed line; cells covered by intervals and by chance."""
    rng = np.random.default_rng(seed)
    on_ring, on_wall = int(rng.integers(3, 7)), int(rng.integers(1, 5))
    line = np.array([0] * on_ring + [1] * on_wall)
    chainage = np.concatenate([np.arange(on_ring), np.sort(rng.choice(12, on_wall, replace=False)) * 0.5])
    cells = int(rng.integers(3, 16))
    incidence = np.zeros((cells, len(line)), dtype=bool)
    for c in range(cells):
        first, size = int(rng.integers(on_ring)), int(rng.integers(0, 4))
        incidence[c, [(first + k) % on_ring for k in range(min(size, on_ring))]] = True
        low, high = np.sort(rng.integers(0, on_wall + 1, 2))
        incidence[c, on_ring + low : on_ring + high] = True
    least = float(rng.choice([0.4, 1.0, 1.5, 2.0]))
    closed = {0: float(on_ring)}
    greatest = {0: float(rng.choice([2.0, 3.0]))} if continuous else {}
    locked = (int(rng.integers(len(line))),) if rng.random() < 0.3 else ()
    return PlacementProblem(
        value=rng.integers(1, 9, cells).astype(float),
        incidence=sp.csr_array(incidence),
        lines=line_orders(line, chainage),
        spacing=spacing_windows(line, chainage, closed, least),
        cover=cover_windows(line, chainage, closed, greatest, {}),
        locked=locked,
        group=rng.integers(0, groups, len(line)) if groups > 1 else np.zeros(len(line), dtype=np.int64),
        groups=groups,
        circuits=int(rng.integers(groups, groups + 2)),
        per_circuit=int(rng.integers(1, 4)),
    )


def placements(problem: PlacementProblem) -> Iterator[tuple[int, ...]]:
    """Every set of candidates that meets every rule, straight from the rules."""
    for size in range(problem.candidates + 1):
        for chosen in itertools.combinations(range(problem.candidates), size):
            picked = set(chosen)
            counts = [sum(problem.group[j] == g for j in chosen) for g in range(problem.groups)]
            circuits = sum(max(1, -(-count // problem.per_circuit)) for count in counts)
            if (
                circuits <= problem.circuits
                and picked.issuperset(problem.locked)
                and all(len(picked.intersection(w)) <= 1 for w in problem.spacing)
                and all(picked.intersection(w) for w in problem.cover)
            ):
                yield chosen


def value_of(problem: PlacementProblem, chosen: tuple[int, ...]) -> float:
    dense = problem.incidence.toarray()
    return float(problem.value[dense[:, list(chosen)].any(axis=1)].sum())


def best_value(problem: PlacementProblem) -> float | None:
    """Value of the best placement, None where no placement meets the rules."""
    return max((value_of(problem, chosen) for chosen in placements(problem)), default=None)
