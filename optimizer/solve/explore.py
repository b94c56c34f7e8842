"""Where to start: pump sites, schedule groups of the circuits, set pressure and count, by quick trials.

A lower set pressure lets a pump feed more nozzles but asks for wider tubing. What one more weighted square metre is
worth follows from the rule `least_gain`: that much pays for a nozzle.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import islice
from math import floor

from optimizer.errors import NoDesign
from optimizer.instance import Instance, Unit, nozzles_within, usable_m3_s
from optimizer.placement.place import place
from optimizer.placement.problem import PlacementProblem
from optimizer.placement.selection import Cover, Selection
from optimizer.placement.start import fill, repaired
from optimizer.progress import Progress
from optimizer.scenario import set_range_pa
from optimizer.solve.boxes import mains_to_boxes
from optimizer.solve.posed import limited, most_per_circuit, share_of, shared_out, shares, worthless
from optimizer.solve.servable import EASED, hardest, servable, without
from optimizer.solve.supply import (
    STEP_TOLERANCE,
    CircuitLimits,
    Supply,
    group_choices,
    multiples_pa,
    set_levels_pa,
    site_choices,
)
from optimizer.solve.trial import Effort, Feeder, Trial, fitting_limits, kept_pressures_pa, lowered, served_limits

LEVEL_SHARES = (0.0, 0.3, 0.55, 0.75)  # of the way from the highest to the lowest set pressure
SITE_LEVEL = 0.3
WORSE = 0.02  # share of the best score by which a level is clearly worse
COUNT_SHARES = (1.0, 0.75, 0.5, 0.25, 0.1)  # of the count, in turn until tubing can feed it
MEAN_SHARE = 0.7  # guess of the mean real pressure: this far from the band's low edge to the set pressure
MOST_GROUPINGS = 12
MOST_EASED = 3  # trials of one count, each without the positions that were hardest to serve in the one before
EASED_SHARE = 0.1  # of the nozzles, that are left out as hardest

Score = tuple[bool, float, float]


@dataclass(frozen=True)
class Start:
    """Where rounds may start, from a quick trial.

    base: the placement without positions that proved too hard to serve; limits: nozzles that each circuit could feed;
    factor: flow factor; score: how good it looks; few: whether tubing could not feed as many nozzles as the pump;
    proven: pressures of the positions that the trial kept in the band; claimed: weighted m² that seem in reach.
    """

    supply: Supply
    base: PlacementProblem
    limits: CircuitLimits
    factor: float
    score: Score
    few: bool
    proven: Mapping[int, float]
    claimed: float


@dataclass(frozen=True)
class Quick:
    """A quick trial, the placement with the positions that it could choose from, and whether tubing could not feed as
    many nozzles as the pump."""

    trial: Trial
    base: PlacementProblem
    few: bool = False


def explore(feeder: Feeder, units: tuple[Unit, ...], base: PlacementProblem, effort: Effort) -> tuple[Start, ...]:
    """Starts for some pump units, best first.

    Raises NoDesign with the last refusal where no quick trial could be fed at all.
    """
    quick = _Quick(feeder, units, base, effort)
    ranked = [
        (quick.score(lowered(found.trial), site_cost(feeder, supply)), -number, supply)
        for number, supply in enumerate(quick.supplies(SITE_LEVEL))
        if (found := quick.trial(supply)) is not None
    ]
    for *_, supply in sorted(ranked, key=lambda row: row[:2], reverse=True):
        if starts := list(quick.levels(supply)):
            return best_first(starts)
    starts = [start for supply in quick.supplies(0.0) for start in quick.levels(supply)]
    if not starts:
        raise quick.refusals[-1]
    return best_first(starts)


def best_first(starts: list[Start]) -> tuple[Start, ...]:
    """The starts by their score."""
    return tuple(sorted(starts, key=lambda start: start.score, reverse=True))


def net_value(instance: Instance, value: float, cost: float) -> float:
    """Weighted m² less what tubing and ground work cost, in m²: a nozzle's price pays for the rule `least_gain`."""
    price = instance.nozzle.price
    return value - (instance.scenario.rules.least_gain_m2 / price * cost if price > 0 else 0.0)


def site_cost(feeder: Feeder, supply: Supply) -> float:
    """What the sites of a supply lack."""
    sites = feeder.instance.scenario.site.pump_sites
    return sum(cost for site in supply.sites for _, cost in sites[site].missing)


class _Quick:
    """Quick trials of some pump units: greedy placements, little search. Remembers refusals."""

    def __init__(self, feeder: Feeder, units: tuple[Unit, ...], base: PlacementProblem, effort: Effort) -> None:
        self.feeder, self.units, self.base, self.effort = feeder, units, base, effort
        self.pumps = tuple(unit.pump for unit in units)
        self.refusals: list[NoDesign] = []
        self.trials: dict[Supply, Quick | None] = {}

    def supplies(self, level: float) -> Iterator[Supply]:
        """Every choice of sites and of circuits for the schedule groups, at one level of set pressure."""
        instance = self.feeder.instance
        for sites in site_choices(instance, self.units):
            levels = set_levels_pa(instance, self.pumps, sites)
            if not all(levels):
                self.refusals.append(_no_level(self.feeder, sites))
                continue
            set_pa = tuple(allowed[round(level * (len(allowed) - 1))] for allowed in levels)
            supply = Supply(self.pumps, sites, tuple((0,) * unit.circuits for unit in self.units), set_pa)
            for grouped in self.grouped(supply, levels):
                yield grouped
                yield from self.in_field(grouped)

    def grouped(self, supply: Supply, levels: Sequence[Sequence[float]]) -> Iterator[Supply]:
        """The supply with its circuits given to the schedule groups; where its set pressures reach nothing, at the
        first above the safe ones that do."""
        for set_pa in (supply.set_pa, *self.above(levels)):
            try:
                choices = self.circuits(replace(supply, set_pa=set_pa))
            except NoDesign as refusal:
                self.refusals.append(refusal)
                if refusal.rule != "band":
                    return
            else:
                yield from (replace(supply, groups=groups, set_pa=set_pa) for groups in islice(choices, MOST_GROUPINGS))
                return

    def in_field(self, supply: Supply) -> Iterator[Supply]:
        """The supply with valves in the field, where only these may bring far positions within the longest run."""
        instance = self.feeder.instance
        if instance.option.zone_valves == "field" and instance.scenario.rules.run_longest_m is not None:
            try:
                placed = self.placement(supply, self.base, self.even(self.guess(supply.set_pa)))
            except NoDesign:
                return
            mains = mains_to_boxes(instance, supply, placed.members())
            if any(mains):
                yield replace(supply, mains=mains)

    def levels(self, supply: Supply) -> Iterator[Start]:
        """A start at each level of set pressure that can be fed, and at the lowest that its tubing allows.

        From the highest level down until one is clearly worse than the best: tubing only gets wider from there on.
        """
        levels = set_levels_pa(self.feeder.instance, self.pumps, supply.sites)
        tried = [tuple(allowed[round(share * (len(allowed) - 1))] for allowed in levels) for share in LEVEL_SHARES]
        best: Score | None = None
        for set_pa in dict.fromkeys(tried):
            starts = list(self.starts(replace(supply, set_pa=set_pa)))
            yield from starts
            score = max((start.score for start in starts), default=None)
            if best is not None and (score is None or _clearly_worse(score, best)):
                break
            best = score if best is None or score is None else max(score, best)
        for set_pa in dict.fromkeys(self.above(levels)):
            yield from self.starts(replace(supply, set_pa=set_pa))

    def starts(self, supply: Supply) -> Iterator[Start]:
        """The start at a supply's set pressures, and at the lowest that its tubing allows."""
        quick = self.trial(supply)
        if quick is not None:
            yield self.start(supply, quick)
            lower = lowered(quick.trial)
            if lower is not quick.trial:
                yield self.start(supply, replace(quick, trial=lower))

    def above(self, levels: Sequence[Sequence[float]]) -> Iterator[tuple[float, ...]]:
        """Levels above those that are safe for the lowest nozzles: one step, and more where few are safe."""
        rules = self.feeder.instance.scenario.rules
        step, top = rules.set_step_pa, min(allowed[0] for allowed in levels)
        highest = [multiples_pa(*set_range_pa(rules, pump), step)[0] for pump in self.pumps]
        steps = max(1, len(LEVEL_SHARES) - min(len(allowed) for allowed in levels))
        first = floor(top / step + STEP_TOLERANCE) + 1
        for level in (step * n for n in range(first, first + steps)):
            if level <= max(highest) * (1.0 + STEP_TOLERANCE):
                yield tuple(min(max(level, own[0]), most) for own, most in zip(levels, highest, strict=True))

    def start(self, supply: Supply, quick: Quick) -> Start:
        """A trial as a start, its score for as many nozzles as it could feed."""
        trial, base = quick.trial, quick.base
        supply = replace(supply, set_pa=tuple(pump.set_pressure_pa for pump in trial.layout.problem.pumps))
        limits = served_limits(trial) if quick.few else fitting_limits(trial)
        proven = kept_pressures_pa(trial)
        try:
            within = servable(self.feeder.instance, base, supply, proven)
            chosen: Sequence[int] = self.placement(supply, within, limits).members()
        except NoDesign:  # too few for what is locked: rounds will tell
            chosen = trial.layout.chosen
        claimed = Selection(Cover(self.base), chosen).value
        return Start(supply, base, limits, trial.factor, self.score(trial, 0.0, chosen), quick.few, proven, claimed)

    def trial(self, supply: Supply) -> Quick | None:
        """A trial at the guessed count: where tubing cannot feed so many, without the positions hardest to serve, then
        with fewer; with the most where locked positions ask for more. None where none can be fed. Remembered."""
        if supply not in self.trials:
            self.trials[supply] = self.tried(supply)
        return self.trials[supply]

    def tried(self, supply: Supply) -> Quick | None:
        """The trial of `trial`, made."""
        guess = self.guess(supply.set_pa)
        counts = [tuple(max(1, round(share * n)) for n in guess) for share in COUNT_SHARES]
        for most in dict.fromkeys([*counts, self.most()]):
            try:
                quick = self.fed(supply, self.even(most))
                return replace(quick, few=sum(most) < sum(guess))
            except NoDesign as refusal:
                self.refusals.append(refusal)
            if self.feeder.stop():
                break
        return None

    def fed(self, supply: Supply, limits: CircuitLimits) -> Quick:
        """A trial of so many nozzles. Raises NoDesign where leaving out the hardest positions does not help."""
        base = self.base
        for _ in range(MOST_EASED):
            placed = self.placement(supply, servable(self.feeder.instance, base, supply), limits)
            if not placed.count:
                raise worthless(self.feeder.instance.scenario.rules.least_gain_m2)
            try:
                return self.told(Quick(self.feeder.feed(supply, placed.members(), limits, self.effort), base), placed)
            except NoDesign as refusal:
                if refusal.rule not in EASED:
                    raise
                self.refusals.append(refusal)
                share = max(1, round(EASED_SHARE * placed.count))
                barred = hardest(self.feeder.instance, base, supply, placed.members(), refusal, share)
                base = without(base, barred)
        raise self.refusals[-1]

    def told(self, quick: Quick, placed: Selection) -> Quick:
        """The trial, reported."""
        note = f"{placed.count} nozzles, {quick.trial.cost:.0f}"
        self.feeder.report(Progress("explore", incumbent=placed.value, note=note))
        return quick

    def most(self) -> tuple[int, ...]:
        """Nozzles that a circuit of each unit feeds where each draws least."""
        return tuple(most_per_circuit(self.feeder.instance, pump) for pump in self.pumps)

    def guess(self, set_pa: tuple[float, ...]) -> tuple[int, ...]:
        """Nozzles that a circuit of each unit may feed, at a guess of their mean pressure."""
        rules = self.feeder.instance.scenario.rules
        low = rules.band_low_pa
        mean_pa = low + MEAN_SHARE * max(0.0, max(set_pa) - low)
        flow = float(self.feeder.instance.nozzle.curve.flow_m3_s(mean_pa))
        usable = (usable_m3_s(rules, pump, level) for pump, level in zip(self.pumps, set_pa, strict=True))
        return tuple(max(1, nozzles_within(most, flow)) for most in usable)

    def even(self, counts: tuple[int, ...]) -> CircuitLimits:
        """The same count for every circuit of a unit."""
        return tuple((count,) * unit.circuits for unit, count in zip(self.units, counts, strict=True))

    def placement(self, supply: Supply, base: PlacementProblem, limits: CircuitLimits) -> Selection:
        """A greedy placement. Raises NoDesign where the rules leave none."""
        return _greedy(limited(base, self.feeder.instance, supply, limits))

    def circuits(self, supply: Supply) -> Iterator[tuple[tuple[int, ...], ...]]:
        """Ways to give the circuits to the schedule groups: the one that covers most, and those hardly worse.

        Raises NoDesign where none can serve what is locked and continuous.
        """
        instance = self.feeder.instance
        base = servable(instance, self.base, supply)
        groups = len(instance.candidates.groups)
        refusals: list[NoDesign] = []
        for most in (self.guess(supply.set_pa), self.most()):
            covered: dict[tuple[int, ...], float] = {}
            for share in shares(self.units, most, groups):
                try:
                    covered[share] = _greedy(shared_out(base, instance, share)).value
                except NoDesign as refusal:  # locked positions may ask for more than the guess
                    refusals.append(refusal)
            if covered:
                ranked = sorted(covered, key=lambda share: (-covered[share], share))
                close = [share for share in ranked if covered[share] >= (1.0 - WORSE) * covered[ranked[0]]]
                choices = list(group_choices(self.units, groups))
                return (choice for share in close for choice in choices if share_of(choice, most, groups) == share)
        raise refusals[-1]

    def score(self, trial: Trial, more_cost: float, chosen: Sequence[int] = ()) -> Score:
        """Whether the band is kept, then value less what it costs, in m²; cost alone breaks ties where no gain is too
        small for a nozzle. chosen: what the trial stands for, its own nozzles where none is given."""
        own = trial.layout.chosen
        cost = trial.cost * len(chosen or own) / len(own) + more_cost
        value = Selection(Cover(self.base), chosen or own).value
        return trial.band_kept, net_value(self.feeder.instance, value, cost), -cost


def _greedy(problem: PlacementProblem) -> Selection:
    """A quick placement. Raises NoDesign where the rules leave none."""
    selection = repaired(Cover(problem), ())
    if selection is None:
        return Selection(Cover(problem), place(problem, gap=1.0).chosen)
    fill(selection)
    return selection


def _clearly_worse(score: Score, best: Score) -> bool:
    return score[0] < best[0] or score[1] < best[1] - WORSE * abs(best[1])


def _no_level(feeder: Feeder, sites: tuple[int, ...]) -> NoDesign:
    names = ", ".join(feeder.instance.scenario.site.pump_sites[site].name for site in sites)
    return NoDesign(
        "set_pressure",
        f"No set pressure at {names} lies in the allowed range and keeps the lowest nozzle inside the band: the site "
        "falls too far below the pump, or the range of set pressures misses the band.",
    )
