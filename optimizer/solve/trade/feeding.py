"""A choice fed from a trial's pumps: from scratch, or along ways that are known to lead to it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import partial

from optimizer.errors import NoDesign
from optimizer.instance import usable_m3_s
from optimizer.runs.split import split
from optimizer.solve.supply import Supply, run_layout, run_problem, set_levels_pa
from optimizer.solve.trade.carried import Ways, carried
from optimizer.solve.trial import Effort, Feeder, Trial, by_pump, limits_of, supply_of

FEED = (1.0, 200, 2)  # evaluations a nozzle, and at least, and flow factors of a run split from scratch
ALONG = (4.0, 400)  # evaluations a nozzle, and at least, of one that begins from ways
SAFER = (0.0, 0.5, 1.0)  # of the way from a trial's flow factor to 1, which is safe on trees
LOWER = 3  # levels of the set pressure below the highest that should do
ROOM = 0.97  # of the flow at set pressure, that nozzles are reckoned to draw where a higher one is tried


def fed(feeder: Feeder, start: Trial, chosen: tuple[int, ...], seed: int) -> Trial | None:
    """The first verified trial of the set pressures of `supplies`; one that does not verify where none does; None where
    none can be fed."""
    found: list[Trial] = []
    for supply in supplies(start, len(chosen)):
        try:
            found.append(feeder.feed(supply, chosen, limits_of(start), Effort(*FEED, seed, start.factor)))
        except NoDesign:
            continue
        if found[-1].design.verification.verified or feeder.stop():
            break
    return min(found, key=lambda t: (not t.design.verification.verified, t.cost), default=None)


def fed_along(
    feeder: Feeder, start: Trial, chosen: tuple[int, ...], ways: Sequence[Ways], seed: int
) -> Trial | None:
    """A verified trial of a choice to all of which ways lead from a trial's pumps; None where none is found."""
    for supply in supplies(start, len(chosen)):
        ground = run_layout(feeder.instance, chosen, supply)
        for share in SAFER:
            factor = start.factor + share * (1.0 - start.factor)
            problem = run_problem(feeder.instance, supply, chosen, ground, limits_of(start), factor)
            begun = carried(start.layout, ways, chosen, problem)
            evaluations = round(max(ALONG[1], ALONG[0] * len(chosen)))
            try:
                plan = split(problem, seed=seed, evaluations=evaluations, start=begun, stop=feeder.stop)
            except NoDesign:
                break
            trial = feeder.trial(supply.pumps, chosen, problem, plan)
            if trial.design.verification.verified:
                return trial
            if not trial.design.verification.low_faults or feeder.stop():
                break
    return None


def supplies(start: Trial, count: int) -> list[Supply]:
    """A trial's supply at the highest set pressures at which so many nozzles should stay within capacity, some levels
    lower, and as it is."""
    supply, made, instance = supply_of(start), start.layout, start.layout.instance
    share = count / max(1, len(made.chosen))
    served = by_pump(made, [len(circuit.served) for circuit in made.plan.circuits])
    tried: list[list[float]] = []
    for pump, levels in enumerate(set_levels_pa(instance, supply.pumps, supply.sites)):
        most = max(served[pump]) * share
        usable = partial(usable_m3_s, instance.scenario.rules, supply.pumps[pump])
        fits = [p for p in levels if most * ROOM * float(instance.nozzle.curve.flow_m3_s(p)) <= usable(p)]
        high = max(fits, default=supply.set_pa[pump])
        tried.append([high, *(p for p in levels if p < high)][: LOWER + 1])
    pressures = [tuple(own[min(i, len(own) - 1)] for own in tried) for i in range(LOWER + 1)]
    return list(dict.fromkeys([*(replace(supply, set_pa=set_pa) for set_pa in pressures), supply]))
