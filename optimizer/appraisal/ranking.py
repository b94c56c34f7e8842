"""Whether alternatives would rank otherwise if the reach were shorter or longer than is said."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import permutations

from optimizer.appraisal.figures import Appraisal, ReachCase

TIE = 1e-3  # alternatives that differ by no larger share rank alike


@dataclass(frozen=True)
class Placing:
    """What an alternative is ranked by; price: the cost that its option reckons with."""

    option: str
    price: float
    appraisal: Appraisal


@dataclass(frozen=True)
class Ranking:
    """Alternatives, best first, with their figures, by what is named `by`, at `factor` times the reach."""

    by: str
    factor: float
    options: tuple[str, ...]
    figures: tuple[float, ...]


@dataclass(frozen=True)
class ReachRanking:
    """Rankings by covered area and, where all cost some, by m² per unit of money, at every factor; what changes."""

    rankings: tuple[Ranking, ...]
    changes: bool
    statement: str


Figure = Callable[[Placing, ReachCase], float]

AREA: tuple[str, Figure] = ("covered area", lambda _, case: case.covered_area_m2)
PER_COST: tuple[str, Figure] = (
    "covered area per cost",
    lambda placing, case: case.covered_area_m2 / placing.price,
)


def reach_ranking(placings: Sequence[Placing]) -> ReachRanking | None:
    """The alternatives ranked at every factor of reach, per cost where each has one; None where there are not two."""
    if len(placings) < 2:
        return None
    ranked_by = (AREA, PER_COST) if all(one.price > 0.0 for one in placings) else (AREA,)
    passings = [sentence for by, figure in ranked_by for sentence in _passings(by, figure, placings)]
    same = "If the reach were another, the alternatives would rank the same."
    return ReachRanking(
        rankings=tuple(ranking for by, figure in ranked_by for ranking in _rankings(by, figure, placings)),
        changes=bool(passings),
        statement=f"If the reach were another: {'; '.join(passings)}." if passings else same,
    )


def _rankings(by: str, figure: Figure, placings: Sequence[Placing]) -> Iterator[Ranking]:
    for k, case in enumerate(placings[0].appraisal.reach):
        figures = [(figure(one, one.appraisal.reach[k]), one.option) for one in placings]
        ranked = sorted(figures, key=lambda one: -one[0])
        yield Ranking(by, case.factor, tuple(option for _, option in ranked), tuple(value for value, _ in ranked))


def _passings(by: str, figure: Figure, placings: Sequence[Placing]) -> Iterator[str]:
    """One sentence for each pair that changes places where the reach is not what it is said to be."""
    factors = [case.factor for case in placings[0].appraisal.reach]
    said = factors.index(1.0)
    for a, b in permutations(placings, 2):
        for k, factor in enumerate(factors):
            if _ahead(figure, a, b, said) and _ahead(figure, b, a, k):
                yield f"by {by}, {b.option} passes {a.option} at reach {100 * (factor - 1):+.0f} %"


def _ahead(figure: Figure, a: Placing, b: Placing, k: int) -> bool:
    """Whether a ranks before b at the reach numbered k, by more than a tie."""
    return figure(a, a.appraisal.reach[k]) > figure(b, b.appraisal.reach[k]) * (1.0 + TIE)
