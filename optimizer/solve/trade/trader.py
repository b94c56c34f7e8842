"""Trading coverage against cost: quick looks at positions and tubing together, each fed, verified and priced.

A look reckons with prices of a metre that the last verified trial has shown, by how many nozzles it feeds; its error is
taken back in the next. The start and what looks lead to are then thinned and grown to the goal (`pruned.py`). What is
kept is always a verified trial.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import isotonic_regression

from optimizer.placement.problem import FloatArray, PlacementProblem
from optimizer.placement.selection import Cover, Selection
from optimizer.placement.start import repaired
from optimizer.progress import Progress
from optimizer.solve.placing import worthwhile
from optimizer.solve.trade.bound import Asked, JointBound
from optimizer.solve.trade.feeding import fed
from optimizer.solve.trade.goal import Answer, Goal, answer
from optimizer.solve.trade.kernel import Aim
from optimizer.solve.trade.look import Look, best_of, estimate, look, seen
from optimizer.solve.trade.pruned import Pruner
from optimizer.solve.trial import Feeder, Trial, by_pump

LOOKS = 3  # at most, for one goal
CLOSE = 0.004  # share of the price by which a look may miss the budget, or of the coverage, to be the last
UNFED = 0.97  # of the budget, that is looked at next where a look could not be fed
NEAR = 0.15  # heat of the looks after the first, which mend it
LED = 0.3  # of a nozzle, that the guide must choose where a look begins with it
CHEAPER = 0.02  # what a coin saved weighs beside coverage, as a share of what it could buy
OVER = 2.0  # what a coin over the budget weighs, times what it would buy as nozzles alone


@dataclass(frozen=True, eq=False)
class Trader:
    """What stays the same for every goal. problem: the placement of the supply, with limits; joint: its bound."""

    feeder: Feeder
    problem: PlacementProblem
    joint: JointBound
    seed: int

    def reach(self, goal: Goal, start: Trial, asked: Asked) -> Answer | None:
        """The best answer found from a start by thinning it and by looks; None where neither led to one. asked: the
        bound of the goal."""
        pruner = Pruner(self.feeder, self.problem, self.joint.m.prices, self.seed)
        best = pruner.reach(goal, answer(start))
        self._tell(goal, best)
        guide = self._guide(goal, start)
        last, chosen = start, start.layout.chosen
        misses: list[tuple[float, float]] = []
        aimed, ratio = goal, self._model_share(start)
        for number in range(LOOKS):
            view = self._view(last, guide, start.layout.chosen if number % 2 == 0 else (), last is not start)
            heat = 1.0 if number == 0 else NEAR
            aim = _aim(aimed, ratio, start, asked)
            begun = (chosen, self._led(guide)) if number == 0 else (chosen,)
            found = best_of([seen(view, some, aim, self.seed + 100 * number, heat=heat) for some in begun], aim)
            legal = self._legal(found.chosen)
            trial = fed(self.feeder, start, legal, self.seed) if legal else None
            if trial is None:
                aimed = replace(aimed, budget=UNFED * aimed.budget)
                continue
            got = answer(trial)
            thinner = pruner.reach(goal, got) if trial.design.verification.verified else None
            best = thinner if thinner is not None and (best is None or _better(thinner, best, goal)) else best
            self._tell(goal, best)
            last, chosen, ratio = trial, legal, self._model_share(trial)
            misses.append((got.price - found.cost, found.value / ratio - got.exact_m2))
            aimed = _next_aim(goal, misses)
            if self.feeder.stop() or (best is not None and number > 0 and _close(got, goal)):
                break
        return best

    def _guide(self, goal: Goal, start: Trial) -> Asked:
        """The relaxation's answer to a goal at what a metre of tubing costs on average in a trial: where to look."""
        plan, made = start.layout.plan, start.layout
        metres = sum(float(made.problem.layout.length_m[use.piece]) for c in plan.circuits for use in c.pieces)
        joint, stop = (
            self.joint.at_metre(self.joint.m.prices.dug * plan.tubing_cost / max(1.0, metres)),
            self.feeder.stop,
        )
        return (
            joint.cost_of(goal.coverage_m2, stop=stop)
            if goal.cheapest
            else joint.coverage_within(goal.budget, stop=stop)
        )

    def _led(self, guide: Asked) -> tuple[int, ...]:
        """The candidates that the guide chooses for a good part."""
        if guide.columns is None:
            return ()
        return self._legal([int(j) for j in np.flatnonzero(guide.columns[: self.problem.candidates] > LED)])

    def _view(self, trial: Trial, guide: Asked, standing: Sequence[int], settled: bool) -> Look:
        """A look from a trial's pumps, at its prices; settled: with no more nozzles than it feeds, so that set
        pressures need not fall."""
        made, m = trial.layout, self.joint.m
        roots = [m.net.sites.index(choice.site) for choice in made.problem.pumps]
        most = [
            min(circuit.nozzles_at_most, max(1, len(plan.served))) if settled else circuit.nozzles_at_most
            for circuit, plan in zip(made.problem.circuits, made.plan.circuits, strict=True)
        ]
        room = [sum(of) for of in by_pump(made, most)]
        laid = None if guide.columns is None else guide.columns[m.r(0) : m.r(2 * m.net.pieces)]
        view = look(made.instance, self.problem, m.net, roots, room, m.prices, laid, standing)
        view = view.priced(m.prices.dug * metre_prices(trial, self.problem.candidates), 0.0)
        guessed = estimate(view, made.chosen).cost
        return view.priced(view.fixed.tube, answer(trial).price - guessed)

    def _model_share(self, trial: Trial) -> float:
        """Value of the cell model over the exact one."""
        exact = answer(trial).exact_m2
        cells = Selection(Cover(replace(self.problem, bonus=0.0 * self.problem.bonus)), trial.layout.chosen).value
        return cells / exact if exact > 0 else 1.0

    def _legal(self, chosen: Sequence[int]) -> tuple[int, ...]:
        """The choice made legal, without nozzles that are not worth their place."""
        cover = Cover(self.problem)
        selection = Selection(cover, chosen)
        made = selection if selection.is_legal() else repaired(cover, chosen)
        return worthwhile(self.problem, made.members(), self._least_gain()) if made is not None else ()

    def _least_gain(self) -> float:
        return self.feeder.instance.scenario.rules.least_gain_m2

    def _tell(self, goal: Goal, best: Answer | None) -> None:
        stage = "least cost" if goal.cheapest else "budget"
        note = "" if best is None else f"{best.exact_m2:.1f} weighted m² for {best.price:.0f}"
        self.feeder.report(Progress(stage, note=note))


def metre_prices(trial: Trial, most: int) -> FloatArray:
    """[most + 2]: price of a metre of a trial's tubing by how many nozzles it feeds, never falling; 0 where none."""
    prices = np.zeros(most + 2)
    fed, price, metres = [], [], []
    made = trial.layout
    for circuit in made.plan.circuits:
        beyond: dict[int, int] = {int(made.problem.layout.nozzle_point[k]): 1 for k in circuit.served}
        for use in reversed(circuit.pieces):
            n = beyond.get(use.to_point, 0)
            beyond[use.from_point] = beyond.get(use.from_point, 0) + n
            fed.append(n)
            price.append(made.problem.tubing[use.tubing].cost_per_m)
            metres.append(max(1e-6, float(made.problem.layout.length_m[use.piece])))
    order = np.argsort(fed, kind="stable")
    smooth = isotonic_regression(np.array(price)[order], weights=np.array(metres)[order]).x
    counts = np.array(fed)[order]
    prices[1:] = smooth[np.clip(np.searchsorted(counts, np.arange(1, most + 2), side="right") - 1, 0, None)]
    return prices


def _aim(goal: Goal, ratio: float, start: Trial, asked: Asked) -> Aim:
    """What a look minimises. ratio: value of the cell model over the exact one."""
    got = answer(start)
    worth = max(asked.worth, 0.2 * got.exact_m2 / max(1.0, got.price))  # weighted m² that a coin buys
    most = got.exact_m2 / max(1.0, len(start.layout.chosen) * start.layout.instance.nozzle.price)
    if goal.cheapest:
        return Aim(1.0, CHEAPER / worth, goal.budget, OVER, goal.coverage_m2 * ratio, OVER / worth, OVER / worth)
    return Aim(CHEAPER * worth, 1.0, goal.budget, OVER * max(most, worth), 0.0, 0.0, OVER)


def _next_aim(goal: Goal, misses: Sequence[tuple[float, float]]) -> Goal:
    """The aim of the next look: the goal, beyond it by what looks have missed on average.

    A search finds what its estimate flatters, so that prices come out higher than looked at. misses: price above the
    look's, and weighted m² short of it.
    """
    over, short = np.array(misses).mean(axis=0).tolist()
    return Goal(goal.budget - over, goal.coverage_m2 + short if goal.cheapest else 0.0)


def _close(got: Answer, goal: Goal) -> bool:
    """Whether a look came as near to its goal as looks are worth."""
    if not got.meets(goal):
        return False
    if goal.cheapest:
        return got.exact_m2 <= (1.0 + CLOSE) * goal.coverage_m2
    return got.price >= (1.0 - CLOSE) * goal.budget


def _better(one: Answer, other: Answer, goal: Goal) -> bool:
    if goal.cheapest:
        return one.price < other.price
    return (one.exact_m2, -one.price) > (other.exact_m2, -other.price)
