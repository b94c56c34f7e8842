"""Place the nozzles: a start by repair, fill and swap, prices by strand, model A on what prices choose, then on all."""

from __future__ import annotations

import time
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Literal, TypeAlias

import numpy as np

from optimizer.errors import SolverLimit
from optimizer.placement import model as models
from optimizer.placement.canonical import canonical
from optimizer.placement.dual import Priced, descend, dual_of, first_prices
from optimizer.placement.first import STAGE, first_placement
from optimizer.placement.lines import lines_of
from optimizer.placement.pool import restricted
from optimizer.placement.problem import FloatArray, IntArray, PlacementProblem, require_possible
from optimizer.placement.selection import Cover, Selection
from optimizer.placement.start import improved
from optimizer.progress import Progress, Report, Stop, never, relative_gap, silent
from optimizer.solver import OPTIMAL_GAP, Limits, relaxation_bound, solve

Status: TypeAlias = Literal["optimal", "gap", "limit", "stopped"]

MODEL_LIMITS = Limits(nodes=1000, checks=200)  # counted work: the same answer on every run


@dataclass(frozen=True)
class _Effort:
    """Price steps at most; steps between two placements made from prices; pools: after which steps model A looks for
    the best among what prices chose lately, at least as often as said; relative progress of the bound in
    `SETTLE_STEPS` below which the descent ends."""

    steps: int
    try_every: int
    pools: Mapping[int, float]
    settled: float


PLACE_EFFORT = _Effort(400, 40, MappingProxyType({50: 0.3, 100: 0.2, 200: 0.2, 300: 0.1}), 0.0)
BOUND_EFFORT = _Effort(240, 240, MappingProxyType({}), 1e-3)
FEW_STEPS = 51  # where rows span strands: prices know nothing of them, model A does
SETTLE_STEPS = 40
SELDOM = 0.05  # how often prices must have chosen what is in the last pool
LATEST = 0.1  # weight of the latest step in how often prices choose a candidate


@dataclass(frozen=True, eq=False)
class Placement:
    """The answer: candidates chosen, their weighted m², and what no placement of the problem can pass.

    gap: (bound - value) / bound; status: optimal, gap (as small as asked for), limit or stopped (best so far).
    """

    chosen: tuple[int, ...]
    value: float
    bound: float
    gap: float
    status: Status
    time_limit_hit: bool = False


@dataclass
class _Search:
    """Best placement and bound so far, and when to stop: what the stages of `place` hand on."""

    cover: Cover
    best: Selection
    gap: float
    limits: Limits
    report: Report
    stop: Stop
    began: float
    bound: float
    time_limit_hit: bool = False
    stopped: bool = False

    @property
    def seconds(self) -> float:
        return time.perf_counter() - self.began

    def offer(self, chosen: Iterable[int]) -> None:
        """Make a legal placement of a choice and keep it where it is better."""
        found = improved(self.cover, chosen)
        if found is not None and found.value > self.best.value:
            self.best = found

    def offer_legal(self, chosen: Iterable[int]) -> None:
        """Keep a choice as it is where it is legal and better."""
        found = Selection(self.cover, chosen)
        if found.is_legal() and found.value > self.best.value:
            self.best = found

    def is_over(self) -> bool:
        self.stopped = self.stopped or self.stop()
        seconds = self.limits.seconds
        self.time_limit_hit = self.time_limit_hit or (seconds is not None and self.seconds > seconds)
        return self.stopped or self.time_limit_hit

    def is_good(self) -> bool:
        return relative_gap(self.best.value, max(self.bound, self.best.value)) <= max(self.gap, 1e-12)

    def tell(self, note: str) -> None:
        gap = relative_gap(self.best.value, self.bound)
        self.report(Progress(STAGE, "", self.best.value, self.bound, gap, self.seconds, note))

    def tell_of_some(self, found: Progress) -> None:
        """Pass on what a model of some candidates found; its bound is none of the problem."""
        value = max(self.best.value, found.incumbent or 0.0)
        gap = relative_gap(value, self.bound)
        self.report(replace(found, incumbent=value, bound=self.bound, gap=gap, seconds=self.seconds))


def place(
    problem: PlacementProblem,
    *,
    gap: float = 0.005,
    limits: Limits = MODEL_LIMITS,
    start: Iterable[int] = (),
    report: Report = silent,
    stop: Stop = never,
) -> Placement:
    """Best placement found, with a proven bound.

    gap: relative gap that is good enough; limits: of model A, and the seconds of everything (its own gap is not
    used); start: candidates to begin from, legal or not. Raises NoDesign where no placement meets the rules.
    """
    search, old = _search(problem, start, gap, limits, report, stop)
    _by_prices(search, PLACE_EFFORT if _prices_know_rows(problem) else replace(PLACE_EFFORT, steps=FEW_STEPS))
    if not search.is_good() and not search.is_over():
        _by_model(search, np.arange(problem.candidates))
    return _placement(search, old)


def value_bound(problem: PlacementProblem, stop: Stop = never) -> float:
    """V: weighted m² that no placement of the problem can pass; fast, by prices or a relaxation.

    Stopped, it is the bound so far. Raises NoDesign where no placement meets the rules.
    """
    search, _ = _search(problem, (), 0.0, Limits(), silent, stop)
    if not _prices_know_rows(problem):
        return min(search.bound, relaxation_bound(models.build(search.cover.problem), stop))
    _by_prices(search, BOUND_EFFORT)
    return search.bound


def _search(
    problem: PlacementProblem, start: Iterable[int], gap: float, limits: Limits, report: Report, stop: Stop
) -> tuple[_Search, IntArray]:
    """A search with its first placement, on the problem in its one order, and the old number of each candidate."""
    began = time.perf_counter()
    require_possible(problem)
    ordered, old = canonical(problem)
    number = {int(j): place for place, j in enumerate(old)}
    cover = Cover(ordered)
    best = first_placement(cover, [number[j] for j in start])
    coverable = float(ordered.value[np.diff(ordered.incidence.indptr) > 0].sum() + ordered.bonus.sum())
    return _Search(cover, best, gap, limits, report, stop, began, coverable), old


def _prices_know_rows(problem: PlacementProblem) -> bool:
    """Whether rows stay within strands: prices decide strand by strand."""
    strands = set(problem.lines)
    return all(row.members in strands for row in problem.rows)


def _by_prices(search: _Search, effort: _Effort) -> None:
    """Better placements and the bound by prices; what prices choose again and again is the pool of model A."""
    problem = search.cover.problem
    dual = dual_of(problem, lines_of(problem))
    settling = np.inf
    often = np.zeros(problem.candidates)  # how often prices chose each candidate, the latest steps weighing most

    def visit(step: int, here: Priced, bound: float) -> float | None:
        nonlocal settling, often
        search.bound = min(search.bound, bound)
        chosen = dual.lines.tracks.order[here.places]
        often *= 1.0 - LATEST
        often[chosen] += LATEST
        if step % effort.try_every == 0:
            search.offer(int(j) for j in chosen)
            search.tell(f"{step} price steps")
        if step in effort.pools and not (search.is_good() or search.is_over()):
            _by_model(search, _pool(search, often, effort.pools[step]))
        over = search.is_good() or search.is_over()
        if step % SETTLE_STEPS == 0:
            over = over or bound > settling * (1.0 - effort.settled)
            settling = bound
        return None if over else search.best.value

    descend(dual, first_prices(dual, _last_gains(search.best)), visit, effort.steps)
    if effort.pools and not (search.is_good() or search.is_over()):
        _by_model(search, _pool(search, often, SELDOM))


def _pool(search: _Search, often: FloatArray, least: float) -> IntArray:
    """What prices chose at least so often, and the best placement known."""
    pool = often >= least
    pool[list(search.best.members())] = True
    return np.flatnonzero(pool)


def _last_gains(selection: Selection) -> FloatArray:
    """[limits]: least loss of a nozzle that may go, where the limit is reached, else 0."""
    limits = selection.problem.limits
    prices = np.zeros(len(limits))
    for number, limit in enumerate(limits):
        if selection.in_limit[number] >= limit.most:
            free = [j for j in limit.members if selection.chosen[j] and selection.removable(j)]
            prices[number] = min((selection.loss(j) for j in free), default=0.0)
    return prices


def _by_model(search: _Search, candidates: IntArray) -> None:
    """Close what gap is left with model A on some candidates, started from the best placement.

    Its bound is one of the problem only where it may choose from all candidates.
    """
    problem = search.cover.problem
    whole = len(candidates) == problem.candidates
    posed = problem if whole else restricted(problem, candidates)
    model = models.build(posed)
    left = None if search.limits.seconds is None else max(0.1, search.limits.seconds - search.seconds)
    limits = replace(search.limits, gap=search.gap, seconds=left)
    best = np.searchsorted(candidates, search.best.members())
    start = models.start_values(model, posed, [int(j) for j in best])
    report = search.report if whole else search.tell_of_some
    try:
        outcome = solve(model, limits=limits, start=start, stage=STAGE, report=report, stop=search.stop)
    except SolverLimit:  # not even the start was looked at: the placement by prices stands
        search.is_over()
        return
    if whole:
        search.bound = min(search.bound, outcome.bound)
    search.stopped = search.stopped or outcome.status == "stopped"
    search.time_limit_hit = search.time_limit_hit or outcome.time_limit_hit
    search.offer_legal(int(j) for k, j in enumerate(candidates) if outcome.values[model.x[k]] > 0.5)


def _placement(search: _Search, old: IntArray) -> Placement:
    best = search.best
    bound = max(search.bound, best.value)
    gap = relative_gap(best.value, bound)
    return Placement(
        tuple(sorted(int(old[j]) for j in best.members())),
        best.value,
        bound,
        gap,
        _status(search, gap),
        search.time_limit_hit,
    )


def _status(search: _Search, gap: float) -> Status:
    if gap <= OPTIMAL_GAP:
        return "optimal"
    if gap <= search.gap:
        return "gap"
    return "stopped" if search.stopped else "limit"
