"""What one step of relief would buy: a metre of head, a size of tubing, more delivery, a circuit, a pump.

Each step is solved again from the design at hand, with little search and in the same way whatever the time, and
verified; what the same search finds without the step is no gain of the step. So each figure can be had at least.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from math import inf

import numpy as np

from hydraulics.friction import GRAVITY_M_S2
from hydraulics.units import show_both
from optimizer.errors import NoDesign
from optimizer.instance import Instance
from optimizer.placement.problem import PlacementProblem
from optimizer.placement.selection import Cover, Selection
from optimizer.runs.problem import RunProblem
from optimizer.solve import fault_words
from optimizer.solve.narrowed import slimmed
from optimizer.solve.posed import limited
from optimizer.solve.priced import priced
from optimizer.solve.reduced import reduced
from optimizer.solve.servable import servable
from optimizer.solve.supply import CircuitLimits, Supply
from optimizer.solve.trial import (
    Effort,
    Feeder,
    Trial,
    fitting_limits,
    kept_pressures_pa,
    lowered,
    supply_of,
    surplus,
)

HEAD_M = 1.0
MORE_DELIVERY = 0.05
AGAIN = (3.0, 300, 1)  # evaluations a nozzle, and at least, of a run split that begins from the design's own
ANEW = (1.0, 150, 2)  # the same, and flow factors, where nozzles are added
CAREFUL = (0.0, 0.02, 0.05)  # added to the flow factor, in turn, until no nozzle stands below the band
MOST_SHED = 3  # times that nozzles too many go again
GAIN_TOLERANCE = 1e-9


@dataclass(frozen=True)
class Marginal:
    """What a step of relief buys.

    change: one of those of `Steps.steps`; step: the step in words. nozzles, weighted_m2, cost: how many more, how much
    more covered, how much dearer (below 0: saved) than the design, in one that verifies; note: what changes besides;
    reason: why there is none, the figures None then.
    """

    change: str
    step: str
    nozzles: int | None = None
    weighted_m2: float | None = None
    cost: float | None = None
    note: str = ""
    reason: str | None = None


def marginals(feeder: Feeder, base: PlacementProblem, trial: Trial, seed: int) -> tuple[Marginal, ...]:
    """What each step buys to a verified trial, none after a stop. base: the placement with every position."""
    steps = Steps(feeder, base, trial, seed)
    same = Steps(feeder, base, steps.cheapest(trial.layout.problem), seed)
    return tuple(same.told())


@dataclass(frozen=True)
class Step:
    """A step in words, and the trial that takes it. `taken` raises NoDesign where there is none."""

    change: str
    words: str
    taken: Callable[[], Trial]


class Steps:
    """The steps from one design, which the same search without a step does not better."""

    def __init__(self, feeder: Feeder, base: PlacementProblem, trial: Trial, seed: int) -> None:
        self.feeder, self.base, self.trial, self.seed = feeder, base, trial, seed
        self.made, self.problem = trial.layout, trial.layout.problem

    def told(self) -> Iterator[Marginal]:
        """What each step buys, until a stop."""
        for step in self.steps():
            if self.feeder.stop():
                return
            yield self.bought(step)

    def steps(self) -> Iterator[Step]:
        """Every step that may be taken."""
        metre = show_both(self.metre_pa, "pressure")
        yield Step("head", f"pumps set one metre of head ({metre}) higher", self.head)
        yield Step("band", f"the band's low edge one metre of head ({metre}) lower", self.band)
        if self.problem.sizes_at_most < len(self.problem.tubing):
            yield Step("tubing_size", f"{self.problem.sizes_at_most + 1} tubing sizes", self.size)
        if any(rule is not None for rule in _run_rules(self.made.instance)):
            yield Step("run_rules", "no rules on the length, the nozzles and the balance of runs", self.no_run_rules)
        yield Step("trunk", "trunks one size larger", self.trunk)
        yield Step("delivery", f"pumps of {100 * MORE_DELIVERY:.0f} % more delivery", self.delivery)
        yield Step("circuit", "one circuit more", self.circuit)
        yield Step("pump", "one pump more", self.pump)

    def bought(self, step: Step) -> Marginal:
        """What a step buys."""
        try:
            found = step.taken()
        except NoDesign as refusal:
            return Marginal(step.change, step.words, reason=refusal.message)
        if not found.design.verification.verified:
            return Marginal(step.change, step.words, reason=f"does not verify: {fault_words(found.design)}")
        cover = Cover(self.base)
        gained = Selection(cover, found.layout.chosen).value - Selection(cover, self.made.chosen).value
        more = len(found.layout.chosen) - len(self.made.chosen)
        return Marginal(step.change, step.words, more, gained, _cost(found) - _cost(self.trial), self.note(found))

    def note(self, found: Trial) -> str:
        """What else is other: lowest pressure, set pressures, room left."""
        now, then = (one.design.verification.min_pressure_pa for one in (self.trial, found))
        notes = []
        if then != now:
            notes.append(f"lowest pressure {show_both(then, 'pressure')} instead of {show_both(now, 'pressure')}")
        pumps = zip(self.problem.pumps, found.layout.problem.pumps, strict=False)
        for number, (was, pump) in enumerate(pumps, start=1):
            if pump.set_pressure_pa != was.set_pressure_pa:
                notes.append(f"P{number} set at {show_both(pump.set_pressure_pa, 'pressure')}")
        return "; ".join(notes)

    @property
    def metre_pa(self) -> float:
        return self.problem.water.density_kg_m3 * GRAVITY_M_S2 * HEAD_M

    def head(self) -> Trial:
        pumps = (replace(pump, set_pressure_pa=pump.set_pressure_pa + self.metre_pa) for pump in self.problem.pumps)
        return self.cheapest(replace(self.problem, pumps=tuple(pumps)))

    def band(self) -> Trial:
        low_pa = self.problem.band_low_pa - self.metre_pa
        return self.cheapest(replace(self.problem, band_low_pa=low_pa), self.under(band_low_pa=low_pa))

    def no_run_rules(self) -> Trial:
        free = replace(self.problem, longest_run_m=inf, run_nozzles_most=None, balance=None)
        return self.cheapest(free, self.under(run_longest_m=None, run_nozzles_most=None, circuit_balance=None))

    def under(self, **changed: float | None) -> Feeder:
        """A feeder of the same instance with some rules changed."""
        scenario = self.made.instance.scenario
        rules = replace(scenario.rules, **changed)  # type: ignore[arg-type]
        instance = replace(self.made.instance, scenario=replace(scenario, rules=rules))
        return replace(self.feeder, instance=instance)

    def size(self) -> Trial:
        return self.cheapest(replace(self.problem, sizes_at_most=self.problem.sizes_at_most + 1))

    def cheapest(self, problem: RunProblem, feeder: Feeder | None = None) -> Trial:
        """The same nozzles on a changed run problem, from the design's own run split, which may still be the best."""
        feeder = feeder or self.feeder
        still = feeder.trial(self.made.pumps, self.made.chosen, problem, self.made.plan)
        layout, design = reduced(still.layout, still.design)
        found = [replace(still, layout=layout, design=design)]
        for more in CAREFUL:
            asked = replace(self.made, problem=replace(problem, flow_factor=min(1.0, problem.flow_factor + more)))
            try:
                found.append(feeder.again(replace(self.trial, layout=asked), Effort(*AGAIN, self.seed)))
            except NoDesign:  # the design's own run split is left
                break
            if not found[-1].design.verification.low_faults:
                break
        return self.slimmed(min(found, key=lambda one: (not one.design.verification.verified, _cost(one))))

    def slimmed(self, trial: Trial) -> Trial:
        """As narrow as the design itself was made."""
        return slimmed(trial, self.feeder.stop)

    def trunk(self) -> Trial:
        """The trunk of each circuit in the next larger size on offer, whether or not that is one size more, and set
        pressures as low as that lets them be."""
        bores = sorted((tube.bore_m, i) for i, tube in enumerate(self.problem.tubing))
        larger = {i: bores[n + 1][1] for n, (_, i) in enumerate(bores[:-1])}
        circuits = []
        for circuit in self.made.plan.circuits:
            uses = (replace(u, tubing=larger.get(u.tubing, u.tubing)) if not u.run else u for u in circuit.pieces)
            circuits.append(replace(circuit, pieces=tuple(uses)))
        if tuple(circuits) == self.made.plan.circuits:
            raise NoDesign("tubing", "no circuit has a trunk that could be wider")
        plan = replace(self.made.plan, circuits=tuple(circuits))
        return lowered(self.feeder.trial(self.made.pumps, self.made.chosen, self.problem, plan))

    def delivery(self) -> Trial:
        supply = supply_of(self.trial)
        pumps = tuple(p.times(1.0 + MORE_DELIVERY) for p in supply.pumps)
        limits = fitting_limits(replace(self.trial, layout=replace(self.made, pumps=pumps)))
        return self.grown([replace(supply, pumps=pumps)], limits)

    def circuit(self) -> Trial:
        """One circuit more at the first pump with an outlet to spare."""
        supply, limits = supply_of(self.trial), fitting_limits(self.trial)
        free = [p for p, pump in enumerate(supply.pumps) if len(supply.groups[p]) < pump.outlets]
        if not free:
            raise NoDesign("outlets", "no pump has an outlet to spare")
        most = tuple((*own, max(own)) if p == free[0] else own for p, own in enumerate(limits))
        groups = (
            tuple((*own, g) if p == free[0] else own for p, own in enumerate(supply.groups)) for g in self.groups
        )
        return self.grown([replace(supply, groups=own) for own in groups], most)

    def pump(self) -> Trial:
        """One pump more, with one circuit and like the first, at the free site that lacks least."""
        supply, limits = supply_of(self.trial), fitting_limits(self.trial)
        sites, allowed = self.made.instance.scenario.site.pump_sites, self.made.instance.option.pump_sites
        free = [i for i, site in enumerate(sites) if site.name in allowed and i not in supply.sites]
        if not free:
            raise NoDesign("pump_sites", "no pump site is free")
        site = min(free, key=lambda i: (sum(cost for _, cost in sites[i].missing), i))
        more = replace(
            supply,
            pumps=(*supply.pumps, supply.pumps[0]),
            sites=(*supply.sites, site),
            set_pa=(*supply.set_pa, max(supply.set_pa)),
            mains=(*supply.trunks, None) if supply.mains else (),
        )
        return self.grown([replace(more, groups=(*supply.groups, (g,))) for g in self.groups], (*limits, limits[0][:1]))

    @property
    def groups(self) -> range:
        """Schedule groups."""
        return range(len(self.made.instance.candidates.groups))

    def grown(self, supplies: list[Supply], limits: CircuitLimits) -> Trial:
        """The design with the nozzles that gain most added, from the supply that lets them cover most; as it is where
        none is worth it. Raises NoDesign where they cannot be fed."""
        supply, (_, added) = max(((s, self.filled(s, limits)) for s in supplies), key=lambda pair: pair[1][0])
        if not added:
            return self.trial
        factor = self.problem.flow_factor
        for _ in range(MOST_SHED):
            chosen = sorted((*self.made.chosen, *added))
            found = lowered(self.feeder.feed(supply, chosen, limits, Effort(*ANEW, self.seed, factor)))
            if not surplus(found):
                break
            limits, factor = fitting_limits(found), found.factor
            over = max(surplus(found), len(chosen) - sum(map(sum, limits)))
            if over >= len(added):
                break
            added = added[:-over]
        return self.slimmed(found)

    def filled(self, supply: Supply, limits: CircuitLimits) -> tuple[float, list[int]]:
        """Weighted m² gained by the nozzles that a supply lets be added, and those in turn, the greatest gain first."""
        instance = self.made.instance
        base = servable(instance, self.base, supply, kept_pressures_pa(self.trial))
        selection = Selection(Cover(limited(base, instance, supply, limits)), self.made.chosen)
        added: list[int] = []
        before = selection.value
        least = max(instance.scenario.rules.least_gain_m2, GAIN_TOLERANCE * before)
        while True:
            gain = np.where(selection.addable(), selection.value_gain(), -np.inf)
            best = int(gain.argmax())
            if not gain[best] >= least:
                return selection.value - before, added
            selection.add(best)
            added.append(best)


def _run_rules(instance: Instance) -> tuple[float | None, ...]:
    rules = instance.scenario.rules
    return rules.run_longest_m, rules.run_nozzles_most, rules.circuit_balance


def _cost(trial: Trial) -> float:
    return priced(trial.layout, trial.design).price
