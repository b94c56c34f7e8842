"""One verb: worked-out pump units answered again where cost counts, the joint bound, and on request the frontier."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from optimizer.errors import NoDesign
from optimizer.instance import Instance
from optimizer.placement.selection import Cover, Selection
from optimizer.solve.posed import MODEL_TOLERANCE
from optimizer.solve.priced import priced
from optimizer.solve.trade.bound import CLASS, Asked, JointBound, joint_bound
from optimizer.solve.trade.frontier import Point, frontier
from optimizer.solve.trade.goal import Answer, Goal, answer, weighted_area_m2
from optimizer.solve.trade.trader import Trader
from optimizer.solve.worked import Task, Worked, polished

MOST_TRADED = 2  # worked-out arrangements that are traded


@dataclass(frozen=True)
class Joint:
    """What no design of the option can pass, at the goal's own terms: value_bound within its budget, cost_bound for its
    coverage; None where not asked."""

    value_bound: float | None
    cost_bound: float | None
    kind: str = CLASS


@dataclass(frozen=True)
class Traded:
    """The worked-out units, the winner first, with the joint bound and the frontier."""

    worked: list[Worked]
    joint: Joint
    frontier: tuple[Point, ...] = ()


def goal_of(instance: Instance) -> Goal:
    """What an option asks for: its budget, or its least coverage."""
    option = instance.option
    if option.objective == "cost":
        assert option.least_coverage is not None
        return Goal(coverage_m2=option.least_coverage * weighted_area_m2(instance))
    return Goal() if option.budget is None else Goal(budget=option.budget)


def traded(task: Task, worked: list[Worked], points: int) -> Traded:
    """The answer to the option's goal, and a frontier of so many points (0: none).

    Raises NoDesign (rule `budget` or `least_coverage`) where no design is found that meets the goal, with the least
    cost or most coverage known and what no design can pass.
    """
    instance = task.feeder.instance
    goal, joint = goal_of(instance), joint_bound(instance, task.base)
    sound = [one for one in worked if one.outcome.kept.verified][:MOST_TRADED]
    if not sound:
        return Traded(worked, Joint(None, None))
    traders = [Trader(task.feeder, one.outcome.kept.problem, joint, task.seed) for one in sound]
    free = [answer(one.outcome.kept.trial) for one in sound]
    with task.clock.stage("joint bound"):
        asked = _asked(task, joint, goal)
    with task.clock.stage("trade"):
        found = worked if asked is None else _answered(task, goal, asked, joint, traders, sound, free)
    known: tuple[Point, ...] = ()
    if points:
        with task.clock.stage("frontier"):
            known = frontier(traders, free, points)
    return Traded(found, _joint(goal, asked), known)


def _joint(goal: Goal, asked: Asked | None) -> Joint:
    if asked is None or not np.isfinite(asked.bound):
        return Joint(None, None)
    return Joint(None, asked.bound) if goal.cheapest else Joint(asked.bound, None)


def _asked(task: Task, joint: JointBound, goal: Goal) -> Asked | None:
    """What no design can pass at the goal; None where cost does not count."""
    feeder = task.feeder
    if goal.cheapest:
        return joint.cost_of((1.0 - MODEL_TOLERANCE) * goal.coverage_m2, feeder.report, feeder.stop)
    return joint.coverage_within(goal.budget, feeder.report, feeder.stop) if np.isfinite(goal.budget) else None


def _answered(
    task: Task,
    goal: Goal,
    asked: Asked,
    joint: JointBound,
    traders: Sequence[Trader],
    sound: Sequence[Worked],
    free: Sequence[Answer],
) -> list[Worked]:
    """The units that meet the goal, the best first."""
    kept: list[tuple[Answer, Worked]] = []
    for trader, one, known in zip(traders, sound, free, strict=True):
        enough = known.meets(goal)
        found = known if enough and not goal.cheapest else trader.reach(goal, known.trial, asked)
        found = known if found is None and enough else found
        if found is not None:
            kept.append((found, _reworked(task, goal, one, found)))
    if not kept:
        raise _refusal(task, goal, asked, joint, traders[0], free)
    kept.sort(key=lambda pair: pair[1].priced.price if goal.cheapest else -pair[1].outcome.kept.value)
    return [one for _, one in kept]


def _reworked(task: Task, goal: Goal, one: Worked, found: Answer) -> Worked:
    """The units with another trial, its tubing searched once more where that still meets the goal."""
    kept = one.outcome.kept
    if found.trial is kept.trial:
        return one
    value = Selection(Cover(kept.problem), found.trial.layout.chosen).value
    kept = replace(kept, trial=found.trial, value=value)
    smoother = polished(task.feeder, kept, task.seed)
    kept = smoother if answer(smoother.trial).meets(goal) else kept
    cost = priced(kept.trial.layout, kept.trial.design)
    words = f"then traded against cost: {value:.1f} weighted m² covered for {cost.price:.0f}, verified"
    return Worked(one.units, replace(one.outcome, kept=kept, rounds=(*one.outcome.rounds, words)), cost)


def _refusal(
    task: Task, goal: Goal, asked: Asked, joint: JointBound, trader: Trader, free: Sequence[Answer]
) -> NoDesign:
    instance = task.feeder.instance
    name, area = instance.option.name, weighted_area_m2(instance)
    if goal.cheapest:
        most = max(one.exact_m2 for one in free)
        bound = joint.coverage_within(np.inf, stop=task.clock.stopped).bound
        return NoDesign(
            "least_coverage",
            f"option {name} asks for {goal.coverage_m2 / area:.1%} of the zones' weighted area; the most that a "
            f"verified design is known to cover is {most / area:.1%}, and none can cover more than "
            f"{min(1.0, bound / area):.1%}: lower least_coverage, bring mounting lines nearer to the zones, or allow "
            "more pumps",
        )
    least = Goal(coverage_m2=max(instance.scenario.rules.least_gain_m2, 0.02 * max(one.exact_m2 for one in free)))
    cheapest = trader.reach(least, free[0].trial, joint.cost_of(least.coverage_m2, stop=task.clock.stopped))
    known = min([one.price for one in free] + ([cheapest.price] if cheapest else []))
    bound = joint.cost_of(0.0, stop=task.clock.stopped).bound
    return NoDesign(
        "budget",
        f"no design of option {name} is found for the budget of {goal.budget:.0f}: the cheapest known costs "
        f"{known:.0f}, and none costs less than {bound:.0f}: raise the budget, or allow a smaller pump or a site that "
        "lacks less",
    )
