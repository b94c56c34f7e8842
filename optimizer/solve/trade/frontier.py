"""The frontier of cost against coverage: verified designs from a cheap one to the free optimum.

Epsilon constraint on the price: budgets evenly spaced between the ends, each answered from the neighbour above; points
that another one dominates are left out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from optimizer.progress import Progress, Stop
from optimizer.solve.narrowed import slimmed
from optimizer.solve.trade.goal import Answer, Goal, answer
from optimizer.solve.trade.trader import Trader

LOW = 0.3  # of what the free optimum covers, that the cheapest point covers at least


@dataclass(frozen=True)
class Point:
    """A verified answer; value_bound: weighted m² of the cell model that no design of its price can pass."""

    answer: Answer
    value_bound: float


def frontier(traders: Sequence[Trader], free: Sequence[Answer], points: int) -> tuple[Point, ...]:
    """At most so many points, cheapest first; free: the free optimum of each trader's pump units."""
    found = list(free)
    for trader, top in zip(traders, free, strict=True):
        if trader.feeder.stop():
            break
        found += _below(trader, top, points)
    joint = traders[0].joint
    stop = traders[0].feeder.stop
    kept = _thinned(undominated([_slimmed(one, stop) for one in found]), points)
    return tuple(Point(one, joint.coverage_within(one.price, stop=stop).bound) for one in kept)


def _slimmed(one: Answer, stop: Stop) -> Answer:
    """An answer with its tubing made as narrow as that of the design."""
    trial = slimmed(one.trial, stop)
    return one if trial is one.trial else answer(trial)


def _below(trader: Trader, top: Answer, points: int) -> list[Answer]:
    """Answers cheaper than the free optimum, the cheapest first."""
    goal = Goal(coverage_m2=LOW * top.exact_m2)
    lowest = trader.reach(goal, top.trial, trader.joint.cost_of(goal.coverage_m2, stop=trader.feeder.stop))
    if lowest is None:
        return []
    found, start = [lowest], top
    for number, budget in enumerate(np.linspace(top.price, lowest.price, points)[1:-1].tolist(), start=1):
        if trader.feeder.stop():
            break
        trader.feeder.report(Progress("frontier", note=f"point {number} of {points}: budget {budget:.0f}"))
        goal = Goal(budget=budget)
        got = trader.reach(goal, start.trial, trader.joint.coverage_within(budget, stop=trader.feeder.stop))
        if got is not None:
            start = got
            found.append(got)
    return found


def undominated(answers: Sequence[Answer]) -> list[Answer]:
    """Those that no other undercuts at as much coverage, cheapest first."""
    kept: list[Answer] = []
    for one in sorted(answers, key=lambda a: (a.price, -a.exact_m2)):
        if not kept or one.exact_m2 > kept[-1].exact_m2:
            kept.append(one)
    return kept


def _thinned(kept: list[Answer], points: int) -> list[Answer]:
    """So many of them, evenly, both ends among them."""
    if len(kept) <= points:
        return kept
    return [kept[int(i)] for i in np.unique(np.linspace(0, len(kept) - 1, points).round())]
