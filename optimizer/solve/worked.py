"""The pump units of an option, tried and worked out: quick trials of the promising, rounds and long searches for the
few best, and the one that wins.

Highest value wins, but where another within the asked gap costs less.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from optimizer.errors import NoDesign, SolverLimit
from optimizer.instance import Instance
from optimizer.placement.problem import PlacementProblem
from optimizer.progress import Progress
from optimizer.solve.arranged import (
    Arrangement,
    affordable,
    arrangement_words,
    best_of,
    bound_of,
    promises,
    units_price,
)
from optimizer.solve.best import best_outcome
from optimizer.solve.clock import Clock
from optimizer.solve.explore import Start, explore, site_cost
from optimizer.solve.field import field_words, with_field_valves
from optimizer.solve.placing import Search
from optimizer.solve.priced import Priced, priced
from optimizer.solve.rounds import Kept, Outcome
from optimizer.solve.small import is_small, searched
from optimizer.solve.trade.goal import weighted_area_m2
from optimizer.solve.trial import Effort, Feeder
from optimizer.solver import Limits

QUICK = (2.0, 200, 2)  # evaluations a nozzle, and at least, and flow factors of the trials that choose where to start
ROUND = (10.0, 1000, 3)  # of those in the rounds
POLISH = (60.0, 3000, 1)  # of the last ones, which begin from the plan that the rounds kept
POLISH_SEEDS = 2
PLACEMENT_CHECKS = 200  # work limit of a placement, the same on every run
MODEL_CHECKS = 20  # work limit of each contracted run-split model
MOST_TRIED = 8  # arrangements of pump units that get quick trials, until one of them verifies
MOST_FINALISTS = 3  # of those, that are worked out
MOST_FRUGAL = 2  # of the cheapest, that are worked out besides where cost counts
GUESSED = 0.02  # share by which a greedy placement of a number of nozzles that is not known yet may be wrong


@dataclass(frozen=True)
class Worked:
    """Pump units worked out, and what all of it costs."""

    units: Arrangement
    outcome: Outcome
    priced: Priced

    @property
    def cost(self) -> float:
        """The cost that the option reckons with."""
        return self.priced.price

    @property
    def words(self) -> str:
        """The units and what they reach, in words."""
        kept = self.outcome.kept
        state = "" if kept.verified else ", not verified"
        return f"{arrangement_words(self.units)}: {kept.value:.1f} weighted m² covered, cost {self.cost:.0f}{state}"


@dataclass(frozen=True)
class Task:
    """What stays the same while arrangements are worked out; base: the placement with every position."""

    feeder: Feeder
    base: PlacementProblem
    gap: float
    seed: int
    clock: Clock


@dataclass(frozen=True)
class _Tried:
    units: Arrangement
    starts: tuple[Start, ...]

    @property
    def band_kept(self) -> bool:
        return self.starts[0].score[0]


def work_out(task: Task, found: Sequence[Arrangement]) -> list[Worked]:
    """The most promising arrangements worked out, the winner first.

    Raises NoDesign where there is no design at all, and SolverLimit where stop or time limit came before the first.
    """
    worked: list[Worked] = []
    refusals: list[NoDesign] = []
    for some in _in_turn(task, affordable(task.feeder.instance, found)):
        if worked and task.clock.stopped():
            break
        for tried in _finalists(task, _tried(task, some, refusals)):
            known = [(one.outcome.kept.value, one.cost) for one in worked if one.outcome.kept.verified]
            if worked and (task.clock.stopped() or _beaten(task, tried.units, known)):
                continue
            try:
                worked.append(_worked(task, tried))
            except NoDesign as refusal:
                refusals.append(refusal)
            if sum(one.outcome.kept.verified for one in worked) >= MOST_FINALISTS:
                break
        if any(one.outcome.kept.verified for one in worked):
            break
    if is_small(task.feeder.instance):
        worked = _to_the_end(task, found, worked)
    if task.feeder.instance.option.cost_counts:
        worked += _frugal(task, found, worked, refusals)
    if not worked and task.clock.stopped():
        raise SolverLimit(f"Stopped before any design was known ({refusals[0]}); give it more time.")
    if not worked:
        raise refusals[0]
    ranked = _ranked(worked, task.gap)
    return _cheapest_second(task.feeder.instance, ranked) if task.feeder.instance.option.cost_counts else ranked


def _in_turn(task: Task, found: Sequence[Arrangement]) -> Iterator[list[Arrangement]]:
    """The arrangements by what they promise, some at a time."""
    if len(found) == 1:
        yield list(found)
        return
    promised = promises(task.feeder.instance, task.base, found)
    order = best_of([(one.value, one.price) for one in promised], task.gap + GUESSED)
    for first in range(0, len(order), MOST_TRIED):
        yield [found[i] for i in order[first : first + MOST_TRIED]]


def _tried(task: Task, some: Sequence[Arrangement], refusals: list[NoDesign]) -> list[_Tried]:
    """The quick trials of some arrangements; those that cannot be fed are left out."""
    tried: list[_Tried] = []
    for number, units in enumerate(some, start=1):
        if tried and task.clock.stopped():
            break
        claims = [_claim(task, one) for one in tried if one.band_kept]
        if _beaten(task, units, [((1.0 - GUESSED) * value, price) for value, price in claims]):
            continue
        if len(some) > 1:
            task.feeder.report(Progress("pump units", note=f"{number} of {len(some)}: {arrangement_words(units)}"))
        with task.clock.stage("explore"):
            try:
                effort = Effort(*QUICK, task.seed)
                tried.append(_Tried(units, explore(task.feeder, units, task.base, effort)))
            except NoDesign as refusal:
                refusals.append(refusal)
    return tried


def _finalists(task: Task, tried: Sequence[_Tried]) -> list[_Tried]:
    """Those tried, by what they claim and cost; those that keep the band first."""
    if len(tried) < 2:
        return list(tried)
    kept = [one for one in tried if one.band_kept]
    rest = [one for one in tried if not one.band_kept]
    order = [best_of([_claim(task, one) for one in some], task.gap + GUESSED) if some else [] for some in (kept, rest)]
    return [*(kept[i] for i in order[0]), *(rest[i] for i in order[1])]


def _claim(task: Task, tried: _Tried) -> tuple[float, float]:
    """Value that seems in reach of the best start, and the price of units, sites and tubing there."""
    start = tried.starts[0]
    units = units_price(task.feeder.instance, tried.units) + site_cost(task.feeder, start.supply)
    return start.claimed, units - start.score[2]


def _beaten(task: Task, units: Arrangement, known: Sequence[tuple[float, float]]) -> bool:
    """Whether some pump units cannot win against values known, each with its price: their bound is lower by more than
    the gap, or within the gap while they alone cost as much as the other with its tubing."""
    if not known:
        return False
    try:
        bound = bound_of(task.feeder.instance, task.base, [units], task.clock.stopped)
    except NoDesign:  # they cannot feed what is locked, or what lines need
        return True
    alone, enough = units_price(task.feeder.instance, units), (1.0 - task.gap) * bound
    return any(bound < (1.0 - task.gap) * value or (value >= enough and alone >= price) for value, price in known)


def _worked(task: Task, tried: _Tried) -> Worked:
    """Rounds from the starts of a trial, then long searches for cheaper tubing."""
    with task.clock.stage("rounds"):
        search = Search(task.gap, Limits(checks=PLACEMENT_CHECKS), Effort(*ROUND, task.seed))
        outcome = best_outcome(task.feeder, tried.starts, task.base, search)
    return _finished(task, tried.units, outcome)


def _frugal(
    task: Task, found: Sequence[Arrangement], worked: Sequence[Worked], refusals: list[NoDesign]
) -> list[Worked]:
    """The cheapest units that may cover what is asked for, unless worked out: a budget, or a least coverage, may be met
    by units that cover far less than the most that can be."""
    instance, clock = task.feeder.instance, task.clock
    asked = (instance.option.least_coverage or 0.0) * weighted_area_m2(instance)
    known = {one.units for one in worked if one.outcome.kept.verified}
    more: list[Worked] = []
    for units in sorted(found, key=lambda units: units_price(instance, units)):
        if units in known or len(more) == MOST_FRUGAL or clock.stopped():
            break
        try:
            if bound_of(instance, task.base, [units], clock.stopped) < asked:
                continue
            with clock.stage("explore"):
                starts = explore(task.feeder, units, task.base, Effort(*QUICK, task.seed))
            more.append(_worked(task, _Tried(units, starts)))
        except NoDesign as refusal:
            refusals.append(refusal)
            continue
        if more[-1].outcome.kept.verified and more[-1].outcome.kept.value >= asked:
            break
    return more


def _to_the_end(task: Task, found: Sequence[Arrangement], worked: Sequence[Worked]) -> list[Worked]:
    """The arrangements of a small instance with the best of every set of positions; those without a design left out."""
    known = {one.units: one for one in worked}
    for units in found:
        if task.clock.stopped():
            break
        before = known[units].outcome if units in known else None
        with task.clock.stage("small"):
            kept = searched(task.feeder, units, task.base, before.kept if before else None, task.seed)
        if kept is not None and (before is None or kept is not before.kept):
            told = f"then every set of positions: {kept.value:.1f} weighted m² covered, verified"
            known[units] = _finished(task, units, Outcome(kept, (*(before.rounds if before else ()), told)))
    return list(known.values())


def _finished(task: Task, units: Arrangement, outcome: Outcome) -> Worked:
    """An outcome with valves in the field where they pay, cheaper tubing, and its price."""
    with task.clock.stage("tubing"):
        kept = outcome.kept
        trial = with_field_valves(task.feeder, kept.trial, Effort(*ROUND, task.seed))
        told = () if trial is kept.trial else (field_words(trial, kept.trial.cost),)
        kept = polished(task.feeder, replace(kept, trial=trial), task.seed)
        outcome = Outcome(kept, (*outcome.rounds, *told))
    trial = outcome.kept.trial
    return Worked(units, outcome, priced(trial.layout, trial.design))


def polished(feeder: Feeder, kept: Kept, seed: int) -> Kept:
    """The kept trial with cheaper tubing, found by longer searches and, at last, the contracted model, as long as it
    still verifies; its cost bounded from below."""
    if not kept.verified:
        return kept
    for number in range(1, POLISH_SEEDS + 1):
        model = Limits(gap=0.001, checks=MODEL_CHECKS) if number == POLISH_SEEDS else None
        try:
            trial = feeder.again(kept.trial, Effort(*POLISH, seed + number, model=model))
        except NoDesign:
            continue
        made, found = kept.trial.layout, trial.layout.plan
        if not trial.design.verification.verified or trial.cost >= kept.trial.cost:
            plan = replace(made.plan, cost_bound=found.cost_bound, bound_class=found.bound_class)
            trial = replace(kept.trial, layout=replace(made, plan=plan))
        kept = replace(kept, trial=trial)
    return kept


def _ranked(worked: Sequence[Worked], gap: float) -> list[Worked]:
    """The winner first; what verifies before what does not."""
    kept = [one for one in worked if one.outcome.kept.verified] or worked
    order = best_of([(one.outcome.kept.value, one.cost) for one in kept], gap)
    first = [kept[i] for i in order]
    return [*first, *(one for one in worked if one not in first)]


def _cheapest_second(instance: Instance, ranked: list[Worked]) -> list[Worked]:
    """The winner by value, then the cheapest units that verify, then the others."""
    sound = [one for one in ranked[1:] if one.outcome.kept.verified]
    second = [min(sound, key=lambda one: units_price(instance, one.units))] if sound else []
    return [ranked[0], *second, *(one for one in ranked[1:] if one not in second)]
