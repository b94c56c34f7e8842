"""What feeds the nozzles: pump sites, set pressures, circuits and their schedule groups, as run-split input."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import chain, combinations_with_replacement, pairwise, permutations, product
from math import ceil, floor, inf

import numpy as np
from numpy.typing import NDArray

from hydraulics.fittings import k_of_loss
from hydraulics.friction import GRAVITY_M_S2
from hydraulics.water import Water, water_at
from optimizer.costs import tube_cost_per_m
from optimizer.instance import Instance, Unit
from optimizer.pump_type import PumpType
from optimizer.runs.layout import Layout, layout
from optimizer.runs.problem import Circuit, LossFactors, PumpChoice, RunProblem, Tubing
from optimizer.scenario import set_range_pa
from optimizer.solve.mains import Main, boxes_of, with_main

MANIFOLD_BORE_M = 0.0125  # only carries the unit's losses; their K refers to it
MANIFOLD_LENGTH_M = 0.3
MANIFOLD_ROUGHNESS_M = 1.5e-6  # drawn tubing
STEP_TOLERANCE = 1e-9


CircuitLimits = tuple[tuple[int, ...], ...]  # [pumps][circuits] nozzles at most


@dataclass(frozen=True)
class Supply:
    """Pump units: the type of each, their sites (indices), the schedule group of each circuit, one set pressure each.

    groups: [pumps][circuits] index of the schedule group that the circuit serves; mains: the trunk of each to its
    valves in the field, () where all valves stand at the pumps.
    """

    pumps: tuple[PumpType, ...]
    sites: tuple[int, ...]
    groups: tuple[tuple[int, ...], ...]
    set_pa: tuple[float, ...]
    mains: tuple[Main | None, ...] = ()

    @property
    def trunks(self) -> tuple[Main | None, ...]:
        """The main of each pump, None where its valves stand at it."""
        return self.mains or (None,) * len(self.pumps)


def raised(instance: Instance, supply: Supply) -> Supply | None:
    """The supply one set step higher where it may be; None where every pump stands at its top."""
    levels = set_levels_pa(instance, supply.pumps, supply.sites)
    higher = tuple(
        min((p for p in allowed if p > now), default=now) for allowed, now in zip(levels, supply.set_pa, strict=True)
    )
    return replace(supply, set_pa=higher) if higher != supply.set_pa else None


def water_of(instance: Instance) -> Water:
    """The water in the tubing."""
    return water_at(instance.scenario.climate.water_temperature_c)


def set_levels_pa(
    instance: Instance, pumps: Sequence[PumpType], sites: Sequence[int]
) -> tuple[tuple[float, ...], ...]:
    """Set pressures that may be tried for each pump at its site, highest first.

    Multiples of the rules' step within the allowed range, no higher than keeps the lowest nozzle inside the band even
    without any loss (band high - rho g fall), no lower than the band's low edge. Where that leaves none, all within
    the allowed range: `servable` then leaves out the positions that stand too low or too high. Where reducers
    may pay, up to what keeps the highest nozzle inside the band.
    """
    rules = instance.scenario.rules
    levels = []
    for pump, still in zip(pumps, rises_pa(instance, sites), strict=True):
        low, high = set_range_pa(rules, pump)
        top = min(high, rules.band_high_pa + (float(still.max()) if reducible(instance, still) else _fall(still)))
        bottom = max(low, rules.band_low_pa)
        safe = multiples_pa(bottom, top, rules.set_step_pa)
        levels.append(safe or multiples_pa(low, high, rules.set_step_pa))
    return tuple(levels)


def reducible(instance: Instance, still: NDArray[np.float64]) -> bool:
    """Whether reducers are on sale and heights differ by more than half of the band, so that they may pay; still: what
    lifting water from a pump to each position takes."""
    rules = instance.scenario.rules
    hilly = float(still.max()) - _fall(still) > (rules.band_high_pa - rules.band_low_pa) / 2
    return hilly and bool(instance.reducers)


def _fall(still: NDArray[np.float64]) -> float:
    """What the lowest position gains over the pump, as a rise of at most 0."""
    return min(0.0, float(still.min()))


def rises_pa(instance: Instance, sites: Sequence[int]) -> NDArray[np.float64]:
    """[sites, candidates]: pressure that lifting water from a site's pump to a candidate takes, rho g rise."""
    graph, z = instance.candidates.corridors, instance.candidates.z_m
    start = graph.z_m[graph.site_node[list(sites)]]
    return np.asarray(water_of(instance).density_kg_m3 * GRAVITY_M_S2 * (z[None, :] - start[:, None]))


def multiples_pa(low: float, high: float, step: float) -> tuple[float, ...]:
    """Multiples of a step within a range, highest first; where there is none, the top of the range."""
    first, last = ceil(low / step - STEP_TOLERANCE), floor(high / step + STEP_TOLERANCE)
    found = [i * step for i in range(last, first - 1, -1)]
    return tuple(found) if found else ((high,) if high >= low else ())


def site_choices(instance: Instance, units: Sequence[Unit]) -> tuple[tuple[int, ...], ...]:
    """Pump sites that the option may use, one for each unit, as indices into the site's list; equal units are not told
    apart."""
    names = [site.name for site in instance.scenario.site.pump_sites]
    allowed = sorted(names.index(name) for name in instance.option.pump_sites)
    alike = [(i, i + 1) for i, (one, other) in enumerate(pairwise(units)) if one == other]
    return tuple(c for c in permutations(allowed, len(units)) if all(c[i] < c[j] for i, j in alike))


def group_choices(units: Sequence[Unit], groups: int) -> Iterator[tuple[tuple[int, ...], ...]]:
    """Ways to give the circuits of the units to the schedule groups, each served: [units][circuits] group.

    Circuits of one unit are alike, so only their sorted groups count.
    """
    own = (combinations_with_replacement(range(groups), unit.circuits) for unit in units)
    return (choice for choice in product(*own) if len(set(chain.from_iterable(choice))) == groups)


def run_layout(instance: Instance, chosen: Sequence[int], supply: Supply | None = None) -> Layout:
    """The corridors cut at the chosen candidates, the valve boxes of a supply left free."""
    found, at = instance.candidates, np.asarray(chosen, dtype=np.int64)
    return layout(
        found.corridors,
        found.line[at],
        found.chainage_m[at],
        instance.scenario.rules.ground_cost,
        boxes_of(found.corridors, supply.sites, supply.trunks) if supply else (),
    )


def run_problem(
    instance: Instance,
    supply: Supply,
    chosen: Sequence[int],
    ground: Layout,
    circuit_limits: CircuitLimits,
    flow_factor: float,
) -> RunProblem:
    """The run split of chosen candidates from a supply; circuit_limits: [pumps][circuits] nozzles at most."""
    fittings, rules = instance.scenario.catalogue.fittings, instance.scenario.rules
    water, graph = water_of(instance), instance.candidates.corridors
    k = LossFactors(fittings.tee_run_k, fittings.tee_branch_k, fittings.elbow_k, fittings.entrance_k)
    units = zip(supply.pumps, supply.sites, supply.set_pa, supply.trunks, strict=True)
    return RunProblem(
        layout=ground,
        group=tuple(int(instance.candidates.group[j]) for j in chosen),
        tubing=tuple(
            Tubing(tube.name, tube.bore_m, tube.roughness_m, tube_cost_per_m(tube)) for tube in instance.tubing
        ),
        sizes_at_most=instance.option.tubing_sizes,
        pumps=tuple(
            with_main(_unit(f"P{i}", pump, site, set_pa, water), main, graph, ground, k)
            for i, (pump, site, set_pa, main) in enumerate(units, start=1)
        ),
        circuits=tuple(
            Circuit(pump, group, most)
            for pump, (groups, limits) in enumerate(zip(supply.groups, circuit_limits, strict=True))
            for group, most in zip(groups, limits, strict=True)
        ),
        curve=instance.nozzle.curve,
        water=water,
        band_low_pa=rules.band_low_pa,
        flow_factor=flow_factor,
        k=k,
        longest_run_m=inf if rules.run_longest_m is None else rules.run_longest_m,
        run_nozzles_most=rules.run_nozzles_most,
        balance=rules.circuit_balance,
    )


def _unit(name: str, pump: PumpType, site: int, set_pa: float, water: Water) -> PumpChoice:
    """A pump unit of a run split; its fixed losses are those at the rated delivery."""
    loss = pump.fixed_loss_pa(pump.delivery_m3_s)
    fixed_k = k_of_loss(loss, pump.delivery_m3_s, MANIFOLD_BORE_M, water.density_kg_m3)
    return PumpChoice(name, site, set_pa, fixed_k, MANIFOLD_BORE_M, MANIFOLD_LENGTH_M, MANIFOLD_ROUGHNESS_M)
