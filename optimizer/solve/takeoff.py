"""Counting what a layout is made of, for the bill."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterator, Sequence
from itertools import pairwise
from math import ceil

from optimizer.costs import SiteWork, TakeOff, Trench
from optimizer.equipment import Equipment
from optimizer.runs.plan import CircuitPlan, PieceUse
from optimizer.runs.problem import MainPiece
from optimizer.runs.segments import TURN_DEG, turn_deg
from optimizer.solve.assemble import Layout


def take_off(made: Layout) -> TakeOff:
    """Nozzles, tubing, fittings, ground work and pump units of a layout; a trench is counted once for all its tubes,
    those of mains to field valves too."""
    plan, site = made.plan, made.instance.scenario.site
    sold = made.instance.scenario.catalogue.equipment
    mains = [part for choice in made.problem.pumps for part in choice.main]
    uses: list[PieceUse | MainPiece] = [*mains, *(use for circuit in plan.circuits for use in circuit.pieces)]
    used = sorted({use.piece for use in uses})
    length = made.problem.layout.length_m
    circuits = [sum(circuit.pump == unit for circuit in plan.circuits) for unit in range(len(made.pumps))]
    in_field = [count for choice, count in zip(made.problem.pumps, circuits, strict=True) if choice.root is not None]
    counts = [_fittings(made, circuit) for circuit in plan.circuits]
    counts += [_main_fittings(made, unit, count) for unit, count in enumerate(circuits)]
    return TakeOff(
        nozzles=((made.instance.nozzle.name, len(made.chosen)),),
        tubing_m=tuple((made.problem.tubing[use.tubing].name, float(length[use.piece])) for use in uses),
        tees=sum(tees for tees, _, _, _ in counts),
        elbows=sum(elbows for _, elbows, _, _ in counts),
        couplings=sum(couplings for _, _, couplings, _ in counts),
        plugs=sum(plugs for _, _, _, plugs in counts),
        trenches=tuple(_trenches(made, used)),
        sleeves=tuple(_sleeves(made, used)),
        pumps=tuple((pump.name, 1) for pump in made.pumps),
        filters=tuple((pump.filter.name, 1) for pump in made.pumps),
        valves=tuple((made.pumps[circuit.pump].valve.name, 1) for circuit in plan.circuits),
        reducers=tuple((one.reducer.name, 1) for one in made.reducers),
        controllers=controllers_for(sold, circuits),
        enclosures=len(made.pumps),
        valve_boxes=sum(ceil(count / sold.valve_box.valves) for count in in_field) if sold.valve_box else 0,
        wire_m=sum(float(length[part.piece]) for part in mains),
        site_works=tuple(
            SiteWork(f"{name} at {site.pump_sites[choice.site].name}", cost)
            for choice in made.problem.pumps
            for name, cost in site.pump_sites[choice.site].missing
            if cost > 0
        ),
    )


def _fittings(made: Layout, circuit: CircuitPlan) -> tuple[int, int, int, int]:
    """Tees, elbows, couplings (where the size changes) and flush plugs (one a dead end) of a circuit.

    Each nozzle hangs from a tee, the last of a run from a tee whose end is plugged. Where a loop closes, the tube that
    comes in is one more way of a tee.
    """
    after: dict[int, list[PieceUse]] = defaultdict(list)
    into: dict[int, list[PieceUse]] = defaultdict(list)
    for use in circuit.pieces:
        after[use.from_point].append(use)
        into[use.to_point].append(use)
    served = {int(made.problem.layout.nozzle_point[k]) for k in circuit.served}
    tees, elbows, couplings, plugs = 0, 0, 0, 0
    for point, (first, *others) in into.items():
        onward = [*others, *after[point]]
        nozzle = point in served
        tees += max(0, len(onward) - 1) + nozzle
        plugs += not onward
        elbows += len(onward) == 1 and not nozzle and _turn_deg(made, first, onward[0], point) > TURN_DEG
        couplings += sum(other.tubing != first.tubing for other in onward)
    return tees + max(0, len(after[made.problem.outlet_point(circuit.pump)]) - 1), elbows, couplings, plugs


def _main_fittings(made: Layout, unit: int, circuits: int) -> tuple[int, int, int, int]:
    """The same of a unit's main: elbows at its turns, couplings along it, tees to the valves at its end; no plug."""
    main = made.problem.pumps[unit].main
    steps = list(pairwise(main))
    elbows = sum(_turn_deg(made, before, after, before.to_point) > TURN_DEG for before, after in steps)
    couplings = sum(before.tubing != after.tubing for before, after in steps)
    return (circuits - 1 if main else 0), elbows, couplings, 0


def controllers_for(sold: Equipment, circuits: Sequence[int]) -> tuple[tuple[str, int], ...]:
    """For each unit the cheapest controller that has a station for each of its circuits; none where none is sold."""
    fit = [[one for one in sold.controllers if one.stations >= count] for count in circuits]
    cheapest = (min(some, key=lambda one: (one.price, one.name)) for some in fit if some)
    return tuple((controller.name, 1) for controller in cheapest)


def _turn_deg(made: Layout, before: PieceUse | MainPiece, after: PieceUse | MainPiece, point: int) -> float:
    """Turn from one tube that meets a point into another."""
    ground = made.problem.layout
    arriving, leaving = (
        float(ground.azimuth_deg[use.piece]) + (180.0 if backwards else 0.0)
        for use, backwards in (
            (before, int(ground.head[before.piece]) != point),
            (after, int(ground.tail[after.piece]) != point),
        )
    )
    return turn_deg(arriving, leaving)


def _trenches(made: Layout, used: list[int]) -> Iterator[Trench]:
    """Metres of each ground at each price, in the order of their names."""
    ground, corridors = made.problem.layout, made.instance.candidates.corridors
    prices = made.instance.scenario.rules.ground_cost
    metres: dict[tuple[str, float], float] = defaultdict(float)
    for piece in used:
        edge = int(ground.edge[piece])
        if ground.trench_m[piece] > 0:
            own = float(corridors.unit_cost[edge])
            name = corridors.ground[edge]
            metres[name, prices[name] if math.isnan(own) else own] += float(ground.trench_m[piece])
    for (name, price), length in sorted(metres.items()):
        yield Trench(name, length, price)


def _sleeves(made: Layout, used: list[int]) -> Iterator[SiteWork]:
    corridors, site = made.instance.candidates.corridors, made.instance.scenario.site
    costs: dict[int, float] = defaultdict(float)
    for edge in sorted({int(made.problem.layout.edge[piece]) for piece in used} - {-1}):
        costs[int(corridors.link[edge])] += float(corridors.sleeve_cost[edge])
    for link, cost in costs.items():
        if cost > 0:
            yield SiteWork(f"sleeve of {site.links[link].name}", cost)
