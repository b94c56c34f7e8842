"""Why locked positions cannot be fed, and the least that would let them: a refusal with what resolves it.

Positions that are not locked may always be left out, so only locked ones can make feeding impossible; where they cannot
stand, the placement says so itself.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from itertools import islice
from math import ceil, inf

import numpy as np

from hydraulics.units import show_both
from optimizer.errors import NoDesign
from optimizer.instance import Instance, most_usable_m3_s
from optimizer.runs.elastic import BAR, TOLERANCE, in_conflict, reliefs
from optimizer.runs.required import Required, required
from optimizer.scenario import set_range_pa
from optimizer.solve.arranged import arrangements
from optimizer.solve.supply import Supply, group_choices, run_layout, run_problem, site_choices

MOST_SUPPLIES = 12  # that are asked; where there are more, nothing is claimed of all


def resolved(instance: Instance, refusal: NoDesign) -> NoDesign:
    """The refusal, with the least by which a rule must give way where the elastic model proves that locked positions
    cannot be fed from any pump units, sites and set pressures of the option; else as it is."""
    locked = tuple(int(j) for j in np.flatnonzero(instance.candidates.locked))
    if not locked:
        return refusal
    try:
        asked = list(islice(_asked(instance, locked), MOST_SUPPLIES + 1))
    except NoDesign:  # no tubing reaches a locked position, which the refusal says
        return refusal
    if not asked or len(asked) > MOST_SUPPLIES or not all(map(in_conflict, asked)):
        return refusal
    found: dict[str, float] = {}
    for data in asked:
        for rule, least in reliefs(data).items():
            found[rule] = min(found.get(rule, least), least)
    told = ", or ".join(_words(rule, least) for rule, least in found.items())
    only = f"If one rule alone gives way, the {len(locked)} locked positions can be fed only with at least"
    return NoDesign(refusal.rule, f"{refusal.message}. {only} {told}") if told else refusal


def _asked(instance: Instance, locked: tuple[int, ...]) -> Iterator[Required]:
    """What the locked positions take from every supply, each pump at its highest set pressure."""
    rules = instance.scenario.rules
    least = float(instance.nozzle.curve.flow_m3_s(rules.band_low_pa))
    ground = run_layout(instance, locked)
    for units in arrangements(instance):
        pumps = tuple(unit.pump for unit in units)
        for sites in site_choices(instance, units):
            highest = tuple(set_range_pa(rules, pump)[1] for pump in pumps)  # what stands above the band is no matter
            for groups in group_choices(units, len(instance.candidates.groups)):
                supply = Supply(pumps=pumps, sites=sites, groups=groups, set_pa=highest)
                limits = tuple(tuple(len(locked) for _ in own) for own in groups)
                problem = run_problem(instance, supply, locked, ground, limits, 1.0)
                if instance.option.zone_valves == "field":  # runs begin at valves that may stand anywhere
                    problem = replace(problem, longest_run_m=inf)
                carried = tuple(most_usable_m3_s(rules, pumps[c.pump]) / least for c in problem.circuits)
                yield required(problem, carried)


def _words(rule: str, least: float) -> str:
    whole, known = max(1, ceil(least - TOLERANCE)), least > TOLERANCE
    words = {
        "reserve": f"{f'{100.0 * least:.2g} % ' if known else ''}more delivery of a pump",
        "set_pressure": f"set pressures {show_both(least * BAR, 'pressure') if known else ''} above the highest",
        "run_longest": f"runs {show_both(least, 'length') if known else ''} longer",
        "schedule": f"{whole} of them fed together with another schedule",
        "locked": f"{whole} position{'' if whole == 1 else 's'} unlocked",
    }
    return words[rule]
