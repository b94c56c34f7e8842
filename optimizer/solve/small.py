"""Small instances searched to the end: every set of positions that covers more than the rounds could, by value, from
every supply, until one verifies.

Rounds leave positions out to come within band and capacity and may leave out too much. Where positions are few, every
set of them can be tried instead, the one that covers most first, so that the first that verifies is the best there is:
of all its run splits where these can be looked at, else as far as run splits are found.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from itertools import combinations, product

from optimizer.errors import NoDesign
from optimizer.instance import Instance, Unit
from optimizer.placement.problem import PlacementProblem
from optimizer.placement.selection import Cover, Selection
from optimizer.progress import Progress
from optimizer.scenario import set_range_pa
from optimizer.solve.balance import balanced_limits
from optimizer.solve.enumerated import Allowance, Enumeration, TooManyError
from optimizer.solve.placing import VALUE_TIE, worthwhile
from optimizer.solve.posed import limited, most_limits, most_per_circuit
from optimizer.solve.rounds import Kept
from optimizer.solve.servable import highest_pressures_pa, keeps_low_edge, within_longest_run
from optimizer.solve.supply import Supply, group_choices, multiples_pa, site_choices
from optimizer.solve.trial import Effort, Feeder, Trial, fitting_limits, surplus

MOST_POSITIONS = 10
MOST_SIZED = 2_000_000  # sized trees to look at, the work limit
MOST_TRIALS = 100  # run splits of sets with a supply that are searched where there are too many trees to look at all
EFFORT = (5.0, 100, 5)  # evaluations a nozzle, and at least, and flow factors of a trial
MOST_REPAIRS = 3  # times that circuits are told to feed fewer

Chosen = tuple[int, ...]


def is_small(instance: Instance) -> bool:
    """Whether every set of positions can be looked at."""
    return instance.candidates.count <= MOST_POSITIONS


def searched(
    feeder: Feeder, units: tuple[Unit, ...], base: PlacementProblem, known: Kept | None, seed: int
) -> Kept | None:
    """The verified design of the units that covers most, and of those that cover as much the cheapest; known: one
    found before, kept where none is better. None where none is found."""
    best = known if known is not None and known.verified else None
    values = _values(feeder, base, units)
    supplies = list(_supplies(feeder.instance, units))
    least_gain = feeder.instance.scenario.rules.least_gain_m2
    left, allowance = MOST_TRIALS, Allowance(MOST_SIZED)
    for chosen, value in sorted(values.items(), key=lambda item: (-item[1], len(item[0]), item[0])):
        if best is not None and value < best.value - VALUE_TIE * best.value:
            break
        if worthwhile(base, chosen, least_gain) != chosen:
            continue
        every = Enumeration(feeder, chosen, allowance)
        for supply in (s for s in supplies if _within_reach(feeder.instance, s, chosen)):
            if left == 0 or feeder.stop():
                return best
            try:
                trial = every.cheapest(supply)
            except TooManyError:
                left -= 1
                trial = _fed(feeder, supply, chosen, seed)
            if trial is not None and (best is None or _order(value, trial) < _order(best.value, best.trial)):
                best = _kept(feeder, base, supply, trial, value, values)
                feeder.report(Progress("small", incumbent=value, note=f"{len(chosen)} nozzles, {trial.cost:.0f}"))
    return best


def _order(value: float, trial: Trial) -> tuple[float, float]:
    """Most covered first, then the cheapest; values that differ by rounding alone are the same."""
    return (-round(value, 6), trial.cost)


def _values(feeder: Feeder, base: PlacementProblem, units: Sequence[Unit]) -> dict[Chosen, float]:
    """Value of each legal set of positions that the units can feed."""
    instance = feeder.instance
    most = sum(unit.circuits * most_per_circuit(instance, unit.pump) for unit in units)
    cover, every = Cover(base), range(base.candidates)
    found: dict[Chosen, float] = {}
    for count in range(1, min(most, base.candidates) + 1):
        for chosen in combinations(every, count):
            selection = Selection(cover, chosen)
            if selection.is_legal():
                found[chosen] = selection.value
    return found


def _supplies(instance: Instance, units: tuple[Unit, ...]) -> Iterator[Supply]:
    """The units at every choice of sites, groups and set pressures; lower pressures first, which feed more."""
    pumps, groups = tuple(unit.pump for unit in units), len(instance.candidates.groups)
    step = instance.scenario.rules.set_step_pa
    levels = [multiples_pa(*set_range_pa(instance.scenario.rules, pump), step)[::-1] for pump in pumps]
    for set_pa in product(*levels):
        for sites in site_choices(instance, units):
            for choice in group_choices(units, groups):
                yield Supply(pumps, sites, choice, set_pa)


def _within_reach(instance: Instance, supply: Supply, chosen: Chosen) -> bool:
    """Whether each position may be kept above the band's low edge, and within the longest run, by some pump."""
    may = keeps_low_edge(instance, highest_pressures_pa(instance, supply)) & within_longest_run(instance, supply)
    return bool(may[:, list(chosen)].any(axis=0).all())


def _fed(feeder: Feeder, supply: Supply, chosen: Chosen, seed: int) -> Trial | None:
    """The positions fed, circuits being told to feed fewer where they draw too much; None where none verifies."""
    instance, effort = feeder.instance, Effort(*EFFORT, seed)
    limits = most_limits(instance, supply)
    for _ in range(MOST_REPAIRS):
        try:
            trial = feeder.feed(supply, chosen, limits, effort)
        except NoDesign:
            return None
        if trial.design.verification.verified:
            return trial
        tighter = fitting_limits(trial) if surplus(trial) else balanced_limits(trial, limits)
        if tighter == limits:
            return None
        limits = tighter
    return None


def _kept(
    feeder: Feeder,
    base: PlacementProblem,
    supply: Supply,
    trial: Trial,
    value: float,
    values: Mapping[Chosen, float],
) -> Kept:
    """The trial with what all sets say of it: none of its count covers more than the best of them."""
    chosen = trial.layout.chosen
    most = most_limits(feeder.instance, supply)
    problem = replace(limited(base, feeder.instance, supply, most), barred=base.barred)
    bound = max(worth for others, worth in values.items() if len(others) <= len(chosen))
    return Kept(trial, problem, value, bound, False, "")
