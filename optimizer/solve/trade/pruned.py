"""A goal reached from a verified trial in small verified steps: branches go until the price fits, nozzles come back
where money is left. Slower to see far than a look, but never without an answer where thinning can give one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from optimizer.placement.problem import PlacementProblem
from optimizer.placement.selection import Cover, Selection
from optimizer.solve.posed import MODEL_TOLERANCE
from optimizer.solve.trade.carried import Ways, ways_of
from optimizer.solve.trade.feeding import fed_along
from optimizer.solve.trade.goal import Answer, Goal, answer, exact_weighted_m2
from optimizer.solve.trade.prices import LeastPrices
from optimizer.solve.trade.spurs import Grown, Step, grown, thinned
from optimizer.solve.trial import Feeder, Trial

TRIALS = 8  # thinner trials at most, on the way to one goal
REGROWN = 4  # trials with nozzles back at most
HALFWAY = 0.75  # price over budget, as a share of the way to go, above which a trial on the way pays
EXCHANGED = (0.02, 0.05, 0.1, 0.02)  # of the price, that is thinned and spent again
SHARES = (0.5, 0.0, 0.0)  # of the coverage beyond what is asked for, that is kept from trial to trial
FULL = 0.995  # of the budget, that is as good as all of it


@dataclass(frozen=True, eq=False)
class Pruner:
    """What stays the same for every goal; problem: the placement of the supply; prices: of parts."""

    feeder: Feeder
    problem: PlacementProblem
    prices: LeastPrices
    seed: int

    def reach(self, goal: Goal, start: Answer) -> Answer | None:
        """The best answer found by thinning a verified start; None where none is found."""
        if goal.cheapest:
            return self._cheapest(goal, start)
        best = start if start.meets(goal) else self._within(goal, start)
        return None if best is None else self._exchanged(goal, self._regrown(goal, best))

    def _within(self, goal: Goal, start: Answer) -> Answer | None:
        """Most coverage within a budget: thinner from trial to trial, then nozzles back."""
        best, above, below = None, start, 0.0  # below: how far trials have come below what was reckoned
        tried: set[tuple[int, ...]] = set()
        for _ in range(TRIALS):
            over = above.price - goal.budget
            wanted = goal.budget + min(below, over / 2)
            if best is None and over > (1.0 - HALFWAY) * above.price:
                wanted = max(wanted, above.price - HALFWAY * over)
            step = self._thinner(above, above.price - wanted)
            if step is None or step.chosen in tried or self.feeder.stop():
                break
            tried.add(step.chosen)
            got = self._fed(above.trial, step.chosen, ways_of(above.trial.layout))
            if got is None:
                below = 0.0
                continue
            below = max(0.0, above.price - step.saved - got.price) if got.price < above.price else 0.0
            if got.price > goal.budget:
                above = got if got.price < above.price else above
                continue
            best = got if best is None or got.exact_m2 > best.exact_m2 else best
            if got.price >= FULL * goal.budget:
                break
        return best

    def _thinner(self, start: Answer, saved: float) -> Step | None:
        """The first choice that saves so much."""
        steps = thinned(self.problem, start.trial, self.prices)
        return next((step for step in steps if step.saved >= saved), None)

    def _regrown(self, goal: Goal, best: Answer) -> Answer:
        """Nozzles back while the budget lasts."""
        share = 1.0
        for _ in range(REGROWN):
            more = self._grown(best, share * (goal.budget - best.price))
            if more is None or best.price >= FULL * goal.budget or self.feeder.stop():
                break
            got = self._fed(best.trial, more.chosen, more.ways)
            if got is not None and got.price <= goal.budget and got.exact_m2 > best.exact_m2:
                best = got
            else:
                share /= 2
        return best

    def _exchanged(self, goal: Goal, best: Answer) -> Answer:
        """Some branches gone for others, as long as that covers more."""
        for share in EXCHANGED:
            step = self._thinner(best, share * best.price)
            if step is None or self.feeder.stop():
                break
            got = self._fed(best.trial, step.chosen, ways_of(best.trial.layout))
            if got is not None and got.price <= goal.budget:
                got = self._regrown(goal, got)
                best = got if got.exact_m2 > best.exact_m2 else best
        return best

    def _grown(self, best: Answer, left: float) -> Grown | None:
        """The last choice on the way that costs no more than is left."""
        least, last = self.feeder.instance.scenario.rules.least_gain_m2, None
        for one in grown(self.problem, best.trial, self.prices, least):
            if one.cost > left:
                break
            last = one
        return last

    def _cheapest(self, goal: Goal, start: Answer) -> Answer | None:
        """Least price of a coverage: as thin as it allows, from trial to trial."""
        best = start if start.meets(goal) else None
        at = start
        for share in SHARES:
            least = goal.coverage_m2 + share * max(0.0, at.exact_m2 - goal.coverage_m2)
            chosen = self._thinnest(at, least)
            got = self._fed(at.trial, chosen, ways_of(at.trial.layout)) if chosen and not self.feeder.stop() else None
            if got is None or not got.meets(goal):
                continue
            at = got
            best = got if best is None or got.price < best.price else best
        return best

    def _thinnest(self, start: Answer, least_m2: float) -> tuple[int, ...]:
        """The last choice on the way that still covers so much, exactly measured; () where that is none."""
        chosen: tuple[int, ...] = ()
        value = Selection(Cover(self.problem), start.trial.layout.chosen).value
        least = (1.0 - MODEL_TOLERANCE) * least_m2 * value / max(1.0, start.exact_m2)
        for step in thinned(self.problem, start.trial, self.prices, least):
            if exact_weighted_m2(self.feeder.instance, step.chosen) < least_m2:
                break
            chosen = step.chosen
        return chosen

    def _fed(self, start: Trial, chosen: tuple[int, ...], ways: Sequence[Ways]) -> Answer | None:
        trial = fed_along(self.feeder, start, chosen, ways, self.seed)
        return None if trial is None else answer(trial)
