"""The cost bound against enumeration on many tiny sites: `python -m tests.benchmarks.cost_bound --first 0 --sites 200`.

For each shape of supply one line: sites, those that can be fed, bounds above the enumerated least cost (none may be),
and by how much the bound lies below it on average.
"""

from __future__ import annotations

import argparse
import math
from dataclasses import dataclass

from optimizer.progress import never, silent
from optimizer.runs.prepared import prepare
from optimizer.runs.proven import cost_bound
from optimizer.solver import Limits
from tests.optimizer.runs_low_flow import SHAPES, least_cost, tiny

ROUNDING = 1e-6  # relative


@dataclass(frozen=True)
class Tally:
    """Of one shape: sites, those that can be fed, seeds of bounds above the least cost, mean share below it."""

    sites: int
    fed: int
    violated: tuple[int, ...]
    mean_gap: float


def tally(shape: str, seeds: range) -> Tally:
    """The bound of every site of the seeds against its enumerated least cost."""
    gaps: list[float] = []
    violated: list[int] = []
    for seed in seeds:
        problem = tiny(seed, SHAPES[shape])
        known = least_cost(problem)
        dear = known * 2 if math.isfinite(known) else math.inf  # so that the bound is not cut off at the least cost
        found = cost_bound(prepare(problem), dear, Limits(), silent, never)
        if found > known * (1 + ROUNDING):
            violated.append(seed)
        if math.isfinite(known):
            gaps.append(1 - found / known)
    return Tally(len(seeds), len(gaps), tuple(violated), sum(gaps) / max(1, len(gaps)))


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--sites", type=int, default=100)
    asked = parser.parse_args()
    print("| shape | sites | fed | bounds above the least cost | mean gap |\n|---|---|---|---|---|")
    for shape in SHAPES:
        found = tally(shape, range(asked.first, asked.first + asked.sites))
        words = ", ".join(map(str, found.violated)) or "none"
        print(f"| {shape} | {found.sites} | {found.fed} | {words} | {found.mean_gap:.2%} |", flush=True)


if __name__ == "__main__":
    main()
