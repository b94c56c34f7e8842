"""What feeds the nozzles: pump sites, set pressures, circuits and their schedule groups, as run-split input."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from math import ceil, floor

import numpy as np
from numpy.typing import NDArray

from hydraulics.fittings import k_of_loss
from hydraulics.friction import GRAVITY_M_S2
from hydraulics.water import Water, water_at
from optimizer.catalogue import PumpType
from optimizer.costs import tube_cost_per_m
from optimizer.instance import Instance
from optimizer.runs.layout import Layout, layout
from optimizer.runs.problem import Circuit, LossFactors, PumpChoice, RunProblem, Tubing
from optimizer.scenario import set_range_pa

MANIFOLD_BORE_M = 0.0125  # only carries the unit's losses; their K refers to it
MANIFOLD_LENGTH_M = 0.3
MANIFOLD_ROUGHNESS_M = 1.5e-6  # drawn tubing
STEP_TOLERANCE = 1e-9


CircuitLimits = tuple[tuple[int, ...], ...]  # [pumps][circuits] nozzles at most


@dataclass(frozen=True)
class Supply:
    """Pump units of one type: their sites (indices), the schedule group of each circuit, one set pressure each.

    groups: [pumps][circuits] index of the schedule group that the circuit serves.
    """

    pump: PumpType
    sites: tuple[int, ...]
    groups: tuple[tuple[int, ...], ...]
    set_pa: tuple[float, ...]


def raised(instance: Instance, supply: Supply) -> Supply | None:
    """The supply one set step higher where it may be; None where every pump stands at its top."""
    levels = set_levels_pa(instance, supply.pump, supply.sites)
    higher = tuple(
        min((p for p in allowed if p > now), default=now) for allowed, now in zip(levels, supply.set_pa, strict=True)
    )
    return replace(supply, set_pa=higher) if higher != supply.set_pa else None


def water_of(instance: Instance) -> Water:
    """The water in the tubing."""
    return water_at(instance.scenario.climate.water_temperature_c)


def set_levels_pa(instance: Instance, pump: PumpType, sites: Sequence[int]) -> tuple[tuple[float, ...], ...]:
    """Set pressures that may be tried for each site's pump, highest first.

    Multiples of the rules' step within the allowed range, no higher than keeps the lowest nozzle inside the band even
    without any loss (band high - rho g fall), no lower than the band's low edge. Where that leaves none, all within
    the allowed range: `servable` then leaves out the positions that stand too low or too high.
    """
    rules = instance.scenario.rules
    low, high = set_range_pa(rules, pump)
    levels = []
    for still in rises_pa(instance, sites):
        top = min(high, rules.band_high_pa + min(0.0, float(still.min())))
        bottom = max(low, rules.band_low_pa)
        safe = _multiples(bottom, top, rules.set_step_pa)
        levels.append(safe or _multiples(low, high, rules.set_step_pa))
    return tuple(levels)


def rises_pa(instance: Instance, sites: Sequence[int]) -> NDArray[np.float64]:
    """[sites, candidates]: pressure that lifting water from a site's pump to a candidate takes, rho g rise."""
    graph, z = instance.candidates.corridors, instance.candidates.z_m
    start = graph.z_m[graph.site_node[list(sites)]]
    return np.asarray(water_of(instance).density_kg_m3 * GRAVITY_M_S2 * (z[None, :] - start[:, None]))


def _multiples(low: float, high: float, step: float) -> tuple[float, ...]:
    first, last = ceil(low / step - STEP_TOLERANCE), floor(high / step + STEP_TOLERANCE)
    found = [i * step for i in range(last, first - 1, -1)]
    return tuple(found) if found else ((high,) if high >= low else ())


def site_choices(instance: Instance) -> tuple[tuple[int, ...], ...]:
    """Sets of pump sites that the option may use, as indices into the site's list."""
    names = [site.name for site in instance.scenario.site.pump_sites]
    allowed = sorted(names.index(name) for name in instance.option.pump_sites)
    return tuple(combinations(allowed, instance.option.pumps))


def group_choices(instance: Instance, per_group: Sequence[int]) -> Iterator[tuple[tuple[int, ...], ...]]:
    """Ways to give the circuits of the pumps to the schedule groups; per_group: circuits of each group.

    Circuits of one pump are alike, so only their sorted groups count.
    """
    size, left = instance.option.circuits, Counter(dict(enumerate(per_group)))

    def dealt(pumps: int, left: Counter[int]) -> Iterator[tuple[tuple[int, ...], ...]]:
        if pumps == 0:
            yield ()
            return
        for own in sorted(set(combinations(sorted(left.elements()), size))):
            yield from ((own, *others) for others in dealt(pumps - 1, left - Counter(own)))

    return dealt(instance.option.pumps, left)


def run_layout(instance: Instance, chosen: Sequence[int]) -> Layout:
    """The corridors cut at the chosen candidates."""
    found, at = instance.candidates, np.asarray(chosen, dtype=np.int64)
    return layout(
        found.corridors,
        found.line[at],
        found.chainage_m[at],
        instance.scenario.rules.ground_cost,
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
    water = water_of(instance)
    fixed_k = k_of_loss(
        supply.pump.fixed_loss_pa(supply.pump.delivery_m3_s),
        supply.pump.delivery_m3_s,
        MANIFOLD_BORE_M,
        water.density_kg_m3,
    )
    return RunProblem(
        layout=ground,
        group=tuple(int(instance.candidates.group[j]) for j in chosen),
        tubing=tuple(
            Tubing(tube.name, tube.bore_m, tube.roughness_m, tube_cost_per_m(tube)) for tube in instance.tubing
        ),
        sizes_at_most=instance.option.tubing_sizes,
        pumps=tuple(
            PumpChoice(f"P{i + 1}", site, set_pa, fixed_k, MANIFOLD_BORE_M, MANIFOLD_LENGTH_M, MANIFOLD_ROUGHNESS_M)
            for i, (site, set_pa) in enumerate(zip(supply.sites, supply.set_pa, strict=True))
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
        k=LossFactors(fittings.tee_run_k, fittings.tee_branch_k, fittings.elbow_k, fittings.entrance_k),
    )
