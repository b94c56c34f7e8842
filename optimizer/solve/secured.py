"""A design that also holds on site, in as many sampled plants as the least yield asks for.

Where it does not as first designed, three things are tried in this order: higher set pressures; other tubing for the
same nozzles; a new design, with fewer nozzles where it must be. The last two see a band whose low edge is raised by
what the worst nozzle lacks in the sampled plants, and by more until what they give holds.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from math import inf

from hydraulics.units import show_both
from optimizer.brief import FieldTolerances
from optimizer.design import Design
from optimizer.errors import NoDesign, SolverError, SolverLimit, UnsoundDesign
from optimizer.instance import Instance
from optimizer.progress import Progress, Report, Stop, relative_gap
from optimizer.solve import Solved, SolveSettings, cost_figures, fault_words, notes_after, solve
from optimizer.solve.clock import Clock
from optimizer.solve.held import held
from optimizer.solve.narrowed import slimmed
from optimizer.solve.priced import priced
from optimizer.solve.supply import raised, set_levels_pa
from optimizer.solve.trial import Effort, Feeder, Trial, at_pressure, limits_of, lowered, supply_of
from optimizer.solve.worked import MODEL_CHECKS, POLISH, ROUND
from optimizer.solver import Limits
from optimizer.verify import settled
from optimizer.yields import FieldYield, Held, field_yield, yield_share

MOST_RAISED = 4  # low edges that are tried for the same nozzles, and again for new designs
CLOSE_PA = 4e3  # of low edges that are not worth another design
MARGIN_SPARE_PA = 100.0  # over what the samples lack, so that the next design does not stand on the edge of them


@dataclass(frozen=True)
class Secured:
    """What a solve gives, with its yield where the scenario states tolerances; `reason` of a design that verifies and
    does not meet the least yield says what it reaches and what limits it."""

    solved: Solved
    field_yield: FieldYield | None


def secured(instance: Instance, settings: SolveSettings, report: Report, stop: Stop) -> Secured:
    """`solve`, and where there is a least yield the design that meets it, if one is found. Raises as `solve` does."""
    clock = Clock(stop, settings.time_limit_s)
    solved = solve(instance, settings, report, stop)
    asked = instance.scenario.tolerances
    if asked is None:
        return Secured(solved, None)
    start = time.perf_counter()
    report(Progress("yield", note=f"{asked.samples} sampled plants"))
    try:
        if asked.least_yield is not None and solved.design.verification.verified:
            solved = _Search(instance, settings, report, clock, asked, asked.least_yield, solved).met()
        found = field_yield(solved.design, asked, settings.seed)
    except UnsoundDesign as error:
        raise SolverError(f"a design that verifies cannot be sampled: {error}") from error
    return Secured(replace(solved, seconds={**solved.seconds, "yield": time.perf_counter() - start}), found)


@dataclass(frozen=True, eq=False)
class _Try:
    """A verified design inside the band as stated, its samples, and the raised edge that it was designed for."""

    solved: Solved
    held: Held
    margin_pa: float = 0.0

    @property
    def share(self) -> float:
        return self.held.share

    def lacks_pa(self, least: float) -> float:
        """How far above the edge its worst nozzle would have to stand as drawn."""
        above = self.held.design.verification.min_pressure_pa - self.held.low_pa
        return above + self.held.short_pa(least) + MARGIN_SPARE_PA


@dataclass(frozen=True, eq=False)
class _Search:
    """The search for a least yield, from the design that `solve` gave."""

    instance: Instance
    settings: SolveSettings
    report: Report
    clock: Clock
    asked: FieldTolerances
    least: float
    first: Solved

    def met(self) -> Solved:
        """The best design found that meets the least yield; else the one of the highest yield, with the reason."""
        first = self._tried(self.first, self.first.design)
        told = [f"least yield {_percent(self.least)}: as first designed {_percent(first.share)} hold on site"]
        tries, limits = [first], list[str]()
        steps: tuple[Callable[[_Try, list[str]], Iterator[_Try]], ...] = (self._higher, self._wider, self._anew)
        for step in steps:
            if self._best(tries).share >= self.least or self.clock.stopped():
                break
            words = []
            for one in step(self._best(tries), limits):
                words.append(self._sentence(step.__name__, one))
                self.report(Progress("yield", note=words[-1]))
                tries.append(one)
            told += words[-1:] if step == self._higher else words  # only where set pressures end
        best = self._best(tries)
        rounds = (*self.first.rounds, *told)
        reason = None if best.share >= self.least else self._reason(best, limits)
        late = best.solved.time_limit_hit or self.clock.limit_hit
        return replace(best.solved, rounds=rounds, reason=reason, time_limit_hit=late)

    def _best(self, tries: Sequence[_Try]) -> _Try:
        """Of those that meet the least yield that of most value, or of least cost; else that of the highest yield."""
        sound = [one for one in tries if one.share >= self.least]
        if not sound:
            return max(tries, key=lambda one: one.share)
        if self.instance.option.objective == "cost":
            return min(sound, key=lambda one: one.solved.priced.price)
        return max(sound, key=lambda one: (round(one.solved.value, 6), -one.solved.priced.price))

    def _higher(self, best: _Try, limits: list[str]) -> Iterator[_Try]:
        """The same design with the set pressure of the pump whose circuits hold least often raised step by step."""
        trial = best.solved.trial
        made = trial.layout
        levels = set_levels_pa(made.instance, made.pumps, [pump.site for pump in made.problem.pumps])
        done: set[int] = set()
        while len(done) < len(levels) and not self.clock.stopped():
            pump = min(set(range(len(levels))) - done, key=lambda p: (_own_share(best.held, p), p))
            now = trial.layout.problem.pumps[pump].set_pressure_pa
            level = min((p for p in levels[pump] if p > now), default=None)
            if level is None:
                limits.append(f"P{pump + 1} stands at its highest set pressure, {show_both(now, 'pressure')}")
                done.add(pump)
                continue
            higher = at_pressure(trial, pump, level)
            design = held(higher)
            if not design.verification.verified:
                limits.append(f"P{pump + 1} at {show_both(level, 'pressure')} leaves {fault_words(design)}")
                done.add(pump)
                continue
            trial, best = higher, self._tried(self._with_trial(best.solved, higher), design)
            yield best
            if best.share >= self.least:
                return

    def _wider(self, best: _Try, limits: list[str]) -> Iterator[_Try]:
        """The same nozzles with tubing for a raised low edge."""

        def fed(posed: Instance, margin_pa: float) -> _Try | None:
            trial = self._fed(posed, best.solved.trial, limits)
            if trial is None:
                return None
            return self._sound(best.solved, slimmed(trial, self.clock.stopped), margin_pa, limits)

        yield from self._by_margins(best, fed, limits)

    def _anew(self, _: _Try, limits: list[str]) -> Iterator[_Try]:
        """New designs for a raised low edge."""

        def designed(posed: Instance, margin_pa: float) -> _Try | None:
            try:
                again = solve(posed, replace(self.settings, time_limit_s=None), self.report, self.clock.stopped)
            except (NoDesign, SolverLimit) as refusal:
                limits.append(f"designed for a low edge {show_both(margin_pa, 'pressure')} higher: {refusal}")
                return None
            return self._sound(self._against_first(again), again.trial, margin_pa, limits)

        yield from self._by_margins(self._tried(self.first, self.first.design), designed, limits)

    def _by_margins(
        self, start: _Try, design_for: Callable[[Instance, float], _Try | None], limits: list[str]
    ) -> Iterator[_Try]:
        """Designs for raised low edges: more where the yield is missed, less where there is pressure to spare."""
        missed, met, margin = 0.0, inf, start.lacks_pa(self.least)
        for _ in range(MOST_RAISED):
            posed = self._raised(margin)
            if posed is None:
                limits.append(f"the band is too narrow to raise its low edge by {show_both(margin, 'pressure')}")
                return
            found = None if self.clock.stopped() else design_for(posed, margin)
            if found is None:
                return
            yield found
            if found.share < self.least:
                missed = margin
                margin = (missed + met) / 2 if met < inf else max(margin + CLOSE_PA, found.lacks_pa(self.least))
            else:
                met = margin
                margin = max(margin + found.held.short_pa(self.least), (missed + met) / 2)
            if met - margin < CLOSE_PA:
                return

    def _fed(self, posed: Instance, trial: Trial, limits: list[str]) -> Trial | None:
        """The nozzles of a trial fed for a raised edge, by the lowest set pressures that do; None where none does."""
        feeder = Feeder(posed, self.report, self.clock.stopped)
        supply, made = supply_of(trial), trial.layout
        while True:
            try:
                found = lowered(feeder.feed(supply, made.chosen, limits_of(trial), Effort(*ROUND, self.settings.seed)))
                if found.band_kept:
                    break
                words = fault_words(found.design)
            except NoDesign as refusal:
                words = str(refusal)
            higher = raised(posed, supply)
            if higher is None or self.clock.stopped():
                limits.append(f"other tubing for the same nozzles: {words}")
                return None
            supply = higher
        polish = Effort(*POLISH, self.settings.seed, model=Limits(gap=0.001, checks=MODEL_CHECKS))
        try:
            cheaper = feeder.again(found, polish)
        except NoDesign:
            return found
        return cheaper if cheaper.band_kept and cheaper.cost <= found.cost else found

    def _sound(self, solved: Solved, trial: Trial, margin_pa: float, limits: list[str]) -> _Try | None:
        """A trial designed for a raised edge, settled in the band as stated; None where it breaks a rule, or costs more
        than the budget."""
        rules, option = self.instance.scenario.rules, self.instance.option
        band_pa = rules.band_low_pa, rules.band_high_pa
        found = self._with_trial(solved, replace(trial, design=settled(trial.design, band_pa)))
        design, raised_by = found.design, f"for a low edge {show_both(margin_pa, 'pressure')} higher"
        if found.cost_bound_class is not None:
            found = replace(found, cost_bound_class=f"{found.cost_bound_class}; {raised_by}, for the least yield")
        if not design.verification.verified:
            limits.append(f"designed {raised_by}: {fault_words(design)}")
            return None
        if option.budget is not None and found.priced.price > option.budget:
            limits.append(f"{raised_by} the same nozzles cost {found.priced.price:,.0f}, more than the budget")
            return None
        return self._tried(found, design, margin_pa)

    def _with_trial(self, solved: Solved, trial: Trial) -> Solved:
        """The same nozzles with another trial, priced."""
        cost, design = priced(trial.layout, trial.design), held(trial)
        notes, figures = notes_after(solved, design), cost_figures(cost, trial.layout.plan)
        return replace(solved, trial=trial, design=design, priced=cost, notes=notes, **figures)

    def _against_first(self, again: Solved) -> Solved:
        """A solve for a raised edge with what no design of the option passes, whatever its yield."""
        gap = relative_gap(again.value, self.first.bound)
        seconds = {
            stage: self.first.seconds.get(stage, 0.0) + again.seconds.get(stage, 0.0)
            for stage in {**self.first.seconds, **again.seconds}
        }
        return replace(
            again,
            bound=self.first.bound,
            gap=gap,
            gap_at_count=gap,
            joint=self.first.joint,
            seconds=seconds,
        )

    def _raised(self, margin_pa: float) -> Instance | None:
        """The instance with the band's low edge raised; None where that leaves no band."""
        rules = self.instance.scenario.rules
        low = rules.band_low_pa + margin_pa
        if low >= rules.band_high_pa:
            return None
        rules = replace(rules, band_low_pa=low, yield_margin_pa=margin_pa)
        return replace(self.instance, scenario=replace(self.instance.scenario, rules=rules))

    def _tried(self, solved: Solved, design: Design, margin_pa: float = 0.0) -> _Try:
        return _Try(solved, yield_share(design, self.asked, self.settings.seed), margin_pa)

    def _sentence(self, step: str, one: _Try) -> str:
        set_to = ", ".join(show_both(pump.set_pressure_pa, "pressure") for pump in one.held.design.pumps)
        edge = f"for a low edge {show_both(one.margin_pa, 'pressure')} higher"
        words = {
            "_higher": f"set pressure {set_to}",
            "_wider": f"tubing {edge}, set pressure {set_to}",
            "_anew": f"designed {edge}: {len(one.held.design.nozzles)} nozzles, set pressure {set_to}",
        }[step]
        return f"yield: {words}: {_percent(one.share)} hold on site, cost {one.solved.priced.price:,.0f}"

    def _reason(self, best: _Try, limits: list[str]) -> str:
        found = field_yield(best.held.design, self.asked, self.settings.seed)
        first = next(iter(found.tornado), None)
        most = f"; what moves the worst nozzle most is {first.source}" if first else ""
        why = "; ".join(dict.fromkeys(limits)) or "the search was stopped"
        return (
            f"verified as drawn, but the least yield of {_percent(self.least)} is not met: at most "
            f"{_percent(best.share)} hold on site; what limits it: {why}{most}"
        )


def _own_share(found: Held, pump: int) -> float:
    """The share of samples in which the circuits of one pump hold; 1 where it feeds no nozzle."""
    own = [found.of_circuit[c] for c in found.design.pumps[pump].circuits if c in found.of_circuit]
    return min((float((one.lowest_pa >= found.low_pa).mean()) for one in own), default=1.0)


def _percent(share: float) -> str:
    return f"{100.0 * share:.1f} %".replace(".0 %", " %")
