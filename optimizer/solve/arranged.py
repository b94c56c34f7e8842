"""Which pump units an option may have, and in which order they are worth a trial.

What decides first is the value that so many nozzles promise and the price of the units; tubing comes with the trials.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import combinations_with_replacement

import numpy as np

from optimizer.costs import TakeOff, bill, total
from optimizer.errors import NoDesign
from optimizer.instance import Instance, Unit, nozzles_within, usable_m3_s
from optimizer.placement.place import place, value_bound
from optimizer.placement.problem import PlacementProblem
from optimizer.placement.selection import Cover, Selection
from optimizer.placement.start import repaired
from optimizer.progress import Stop
from optimizer.pump_type import PumpType
from optimizer.scenario import set_range_pa
from optimizer.solve.posed import at_any_flows, most_per_circuit, shared_out, shares
from optimizer.solve.takeoff import controllers_for

MEAN_SHARE = 0.3  # guess of the least mean pressure: this far from the band's low edge to the highest set pressure

Arrangement = tuple[Unit, ...]


@dataclass(frozen=True)
class Promise:
    """What some pump units promise: weighted m² covered, and what they cost; what decides at equal value."""

    units: Arrangement
    value: float
    price: float


def arrangements(instance: Instance) -> tuple[Arrangement, ...]:
    """Every combination of pump units that the option allows and that has a circuit for each schedule group; largest
    pumps first."""
    option = instance.option
    kinds = [
        Unit(pump, circuits)
        for pump in sorted(instance.pumps, key=lambda pump: -pump.delivery_m3_s)
        for circuits in range(option.circuits_least, min(option.circuits_most, pump.outlets) + 1)
    ]
    counts = range(option.pumps_least, min(option.pumps_most, len(option.pump_sites)) + 1)
    found = [units for count in counts for units in combinations_with_replacement(kinds, count)]
    groups = len(instance.candidates.groups)
    return tuple(units for units in found if sum(unit.circuits for unit in units) >= groups)


def largest_shares(instance: Instance, found: Iterable[Arrangement]) -> list[tuple[int, ...]]:
    """Most nozzles of each schedule group that any in-band design with some of the arrangements feeds, for every way
    to give circuits to groups; those within another are left out. Raises NoDesign where a circuit feeds none."""
    groups = len(instance.candidates.groups)
    every: set[tuple[int, ...]] = set()
    for units in found:
        every.update(shares(units, [most_per_circuit(instance, unit.pump) for unit in units], groups))
    return sorted(one for one in every if not any(other != one and _within(one, other) for other in every))


def bound_of(instance: Instance, base: PlacementProblem, found: Iterable[Arrangement], stop: Stop) -> float:
    """V(N_max): weighted m² that no design inside the band that serves every schedule group can pass, whichever of the
    arrangements it has. Raises NoDesign where no share of the circuits lets a placement be."""
    bounds: list[float] = []
    refusals: list[NoDesign] = []
    for share in largest_shares(instance, found):
        try:
            bounds.append(value_bound(shared_out(at_any_flows(instance, base), instance, share), stop))
        except NoDesign as refusal:
            refusals.append(refusal)
    if not bounds:
        raise refusals[0]
    return max(bounds)


def promises(instance: Instance, base: PlacementProblem, found: Sequence[Arrangement]) -> list[Promise]:
    """What each arrangement promises, by one greedy placement of as many nozzles as the largest might feed.

    Raises NoDesign where the rules leave no placement.
    """
    groups = len(instance.candidates.groups)
    refusals: list[NoDesign] = []
    for a_circuit in (_guessed, most_per_circuit):  # locked positions may ask for more than the guess
        own = [shares(units, [a_circuit(instance, unit.pump) for unit in units], groups) for units in found]
        most = [max(share[group] for some in own for share in some) for group in range(groups)]
        try:
            steps = _gains(instance, shared_out(base, instance, most))
        except NoDesign as refusal:
            refusals.append(refusal)
            continue
        values = [max(_value(steps, share) for share in some) for some in own]
        return [Promise(u, v, units_price(instance, u)) for u, v in zip(found, values, strict=True)]
    raise refusals[-1]


def _guessed(instance: Instance, pump: PumpType) -> int:
    """Nozzles that a circuit may feed, at a guess of the least mean pressure that tubing allows."""
    rules = instance.scenario.rules
    high_pa = max(rules.band_low_pa, set_range_pa(rules, pump)[1])
    mean_pa = rules.band_low_pa + MEAN_SHARE * (high_pa - rules.band_low_pa)
    usable = usable_m3_s(rules, pump, set_range_pa(rules, pump)[1])
    return max(1, nozzles_within(usable, float(instance.nozzle.curve.flow_m3_s(mean_pa))))


def units_price(instance: Instance, units: Arrangement) -> float:
    """What the units cost with their filters, valves, controllers and enclosures; 0 where only service counts."""
    if instance.option.cost_of == "service":
        return 0.0
    catalogue = instance.scenario.catalogue
    counted = TakeOff(
        pumps=tuple((unit.pump.name, 1) for unit in units),
        filters=tuple((unit.pump.filter.name, 1) for unit in units),
        valves=tuple((unit.pump.valve.name, unit.circuits) for unit in units),
        controllers=controllers_for(catalogue.equipment, [unit.circuits for unit in units]),
        enclosures=len(units),
    )
    return total(bill(counted, catalogue))


def affordable(instance: Instance, found: Sequence[Arrangement]) -> Sequence[Arrangement]:
    """The arrangements that do not cost more than the option's budget by themselves; all where none is cheaper."""
    option = instance.option
    if option.budget is None:
        return found
    sites = sorted(
        0.0 if option.cost_of == "service" else sum(cost for _, cost in site.missing)
        for site in instance.scenario.site.pump_sites
        if site.name in option.pump_sites
    )
    within = [units for units in found if units_price(instance, units) + sum(sites[: len(units)]) <= option.budget]
    return within or found


def best_of(found: Sequence[tuple[float, float]], gap: float) -> list[int]:
    """Order of values with their prices: what wins, the highest value but where another within the gap is cheaper,
    then the others by how wrong their values must be before they win."""
    highest = max(value for value, _ in found)
    enough = (1.0 - gap) * highest
    close = (i for i, (value, _) in enumerate(found) if value >= enough)
    first = min(close, key=lambda i: (found[i][1], -found[i][0], i))

    def short(i: int) -> float:
        value, price = found[i]
        cheaper = price < found[first][1]
        return max(0.0, enough - value if cheaper else found[first][0] - (1.0 - gap) * value)

    return [first, *sorted(set(range(len(found))) - {first}, key=lambda i: (short(i), found[i][1], i))]


def arrangement_words(units: Arrangement) -> str:
    """The units in words."""
    return " and ".join(
        f"{unit.pump.name} with {unit.circuits} circuit{'s' if unit.circuits > 1 else ''}" for unit in units
    )


def _within(one: tuple[int, ...], other: tuple[int, ...]) -> bool:
    return all(a <= b for a, b in zip(one, other, strict=True))


def _gains(instance: Instance, problem: PlacementProblem) -> list[tuple[int, float]]:
    """Schedule group and gain of each nozzle of a greedy placement, in the order in which they are taken; those that
    the rules ask for come first, with their mean gain. Raises NoDesign where the rules leave none."""
    cover, group = Cover(problem), instance.candidates.group
    selection = repaired(cover, ())
    if selection is None:
        selection = Selection(cover, place(problem, gap=1.0).chosen)
    mean = selection.value / max(1, selection.count)
    steps = [(int(group[j]), mean) for j in selection.members()]
    while True:
        gain = np.where(selection.addable(), selection.value_gain(), -np.inf)
        best = int(gain.argmax())
        if gain[best] <= instance.scenario.rules.least_gain_m2:
            return steps
        selection.add(best)
        steps.append((int(group[best]), float(gain[best])))


def _value(steps: Iterable[tuple[int, float]], share: Sequence[int]) -> float:
    """What so many nozzles of each schedule group cover, as far as one greedy placement tells."""
    left, value = list(share), 0.0
    for group, gain in steps:
        if left[group] > 0:
            left[group] -= 1
            value += gain
    return value
