"""How the circuits of a design start: from drained lines, after a change of product, behind a dirty filter; and how
they are blown out for winter.

Drained lines fill with their ends shut: the air ahead leaves through the nozzles once it stands at their closing
pressure (`hydraulics/start_up.py` states the model). Lines that stay full mist as soon as the pump runs.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from hydraulics.errors import HydraulicsError
from hydraulics.network import TreeNetwork
from hydraulics.start_up import blow_out_ends, fill, line_volumes_m3, transit_s
from hydraulics.units import LITRE_M3, show, show_both
from optimizer.appraisal.dirty_filter import FilterLoss, filter_loss
from optimizer.brief import Service
from optimizer.design import MANIFOLD, Design, Pump
from optimizer.errors import UnsoundDesign
from optimizer.instance import Instance
from optimizer.verify import CircuitState, circuit_network, circuit_states

Floats = NDArray[np.float64]

ATMOSPHERE_PA = 101_325.0


@dataclass(frozen=True)
class LineStart:
    """A run of a circuit. full_s, last_open_s: when all of it holds water and its last nozzle mists, from drained
    lines, None where that never comes; ends: of the run, in the order in which all ends of the circuit are blown out,
    with that order and the litres that each clears."""

    run: str
    tubing_m: float
    litres: float
    nozzles: int
    full_s: float | None
    last_open_s: float | None
    ends: tuple[tuple[int, str, float], ...]


@dataclass(frozen=True)
class CircuitStart:
    """How one circuit starts.

    litres: what its lines hold, mains included; full_s, first_open_s, last_open_s: of drained lines; last_nozzle: which
    is last, sprayed_litres: what the others mist until all is full. cycle_s, litres_a_cycle: None where no cycle is
    stated. change_s: misting until a change of product has come to the last nozzle, change_cycles: so many cycles.
    refill_cost: of the product in drained lines, None without a service. blow_out_pa: air above it opens nozzles;
    blow_out_litres: of free air at that pressure, at least. faults: what a designer must mend or tell; words: the rest.
    """

    circuit: str
    pump: str
    litres: float
    full_s: float | None
    first_open_s: float | None
    last_open_s: float | None
    last_nozzle: str
    sprayed_litres: float
    cycle_s: float | None
    litres_a_cycle: float | None
    change_s: float | None
    change_nozzle: str
    change_cycles: int | None
    filter: FilterLoss
    refill_cost: float | None
    blow_out_pa: float
    blow_out_litres: float
    lines: tuple[LineStart, ...]
    faults: tuple[str, ...]
    words: str


def circuit_starts(instance: Instance, design: Design) -> tuple[CircuitStart, ...]:
    """How each circuit of a design that feeds nozzles starts, in their order; () where one cannot be reckoned, for its
    lines close loops or a state on the way has no solution."""
    states = {state.circuit: state for state in circuit_states(design)}
    try:
        return tuple(
            _start(instance, design, pump, states[circuit], states)
            for pump in design.pumps
            for circuit in pump.circuits
            if states[circuit].pressure_pa
        )
    except (HydraulicsError, UnsoundDesign):
        return ()


def _start(
    instance: Instance, design: Design, pump: Pump, state: CircuitState, states: Mapping[str, CircuitState]
) -> CircuitStart:
    network, supply = circuit_network(design, pump, state.circuit)
    unit_inside = {link.to for link in design.links if link.tubing == MANIFOLD}
    full = np.array([node in unit_inside for node in network.node_ids])
    times = fill(network, supply, design.water, front_pa=design.nozzle.p0_pa, full=full)
    volume = np.where(full, 0.0, line_volumes_m3(network))
    at = {node: i for i, node in enumerate(network.node_ids)}
    nozzles = {nozzle.id: at[nozzle.node] for nozzle in design.nozzles if nozzle.circuit == state.circuit}
    opens = {name: float(times.opened_s[i]) for name, i in nozzles.items()}
    last = max(opens, key=lambda name: opens[name])
    cycles = {one.circuit: one.cycle_s for one in design.misting}
    cycle_s = cycles.get(state.circuit)
    change = transit_s(network, _through_m3_s(design, network, state, states, cycles))
    slowest = max(nozzles, key=lambda name: float(change[nozzles[name]]))
    change_s = float(change[nozzles[slowest]])
    loss = filter_loss(instance, design, pump, state)
    total = float(volume.sum())
    found = CircuitStart(
        circuit=state.circuit,
        pump=pump.id,
        litres=total / LITRE_M3,
        full_s=_finite(times.full_s),
        first_open_s=_finite(min(opens.values())),
        last_open_s=_finite(opens[last]),
        last_nozzle=last,
        sprayed_litres=times.sprayed_m3 / LITRE_M3,
        cycle_s=cycle_s,
        litres_a_cycle=None if cycle_s is None else state.net_flow_m3_s * cycle_s / LITRE_M3,
        change_s=_finite(change_s),
        change_nozzle=slowest,
        change_cycles=None if cycle_s is None or math.isinf(change_s) else math.ceil(change_s / cycle_s - 1e-9),
        filter=loss,
        refill_cost=_refill_cost(instance.scenario.service, total),
        blow_out_pa=design.nozzle.p0_pa,
        blow_out_litres=total * (1.0 + design.nozzle.p0_pa / ATMOSPHERE_PA) / LITRE_M3,
        lines=tuple(_lines(design, network, state.circuit, times.reached_s, opens)),
        faults=(),
        words="",
    )
    return _told(found)


def _through_m3_s(
    design: Design,
    network: TreeNetwork,
    state: CircuitState,
    states: Mapping[str, CircuitState],
    cycles: Mapping[str, float],
) -> Floats:
    """[N] flow into each node while the circuit mists; a main also passes what its other circuits take in their cycles
    of the same round."""
    links = {link.id: link for link in design.links}
    found = np.zeros(len(network.node_ids))
    found[0] = state.net_flow_m3_s
    for i, name in enumerate(network.link_ids[1:], start=1):
        others = {*links[name].shared, links[name].circuit} - {state.circuit}
        own_s = cycles.get(state.circuit, 1.0)
        passed = sum(cycles.get(c, own_s) / own_s * states[c].net_flow_m3_s for c in others)
        found[i] = abs(state.link_flow_m3_s[name]) + passed
    return found


def _lines(
    design: Design, network: TreeNetwork, circuit: str, reached_s: Floats, opens: Mapping[str, float]
) -> Iterator[LineStart]:
    """The runs of a circuit in the order of the file."""
    at = {node: i for i, node in enumerate(network.node_ids)}
    into = dict(zip(network.link_ids[1:], range(1, len(network.node_ids)), strict=True))
    volume = line_volumes_m3(network)
    ends = list(enumerate(blow_out_ends(network), start=1))
    laid = [link for link in design.links if link.id in into and link.tubing != MANIFOLD]
    for run in dict.fromkeys(link.run for link in laid):
        own = [link for link in laid if link.run == run]
        nodes = {network.node_ids[into[link.id]] for link in own}
        fed = [nozzle.id for nozzle in design.nozzles if nozzle.circuit == circuit and nozzle.node in nodes]
        yield LineStart(
            run=run,
            tubing_m=sum(link.length_m for link in own),
            litres=float(sum(volume[into[link.id]] for link in own)) / LITRE_M3,
            nozzles=len(fed),
            full_s=_finite(max(float(reached_s[at[node]]) for node in nodes)),
            last_open_s=_finite(max(opens[name] for name in fed)) if fed else None,
            ends=tuple((order, end.node, end.clears_m3 / LITRE_M3) for order, end in ends if end.node in nodes),
        )


def _refill_cost(service: Service | None, volume_m3: float) -> float | None:
    """The concentrate and water that drained lines lose."""
    if service is None:
        return None
    concentrate = volume_m3 / service.dilution
    return concentrate * service.concentrate_per_m3 + (volume_m3 - concentrate) * service.water_per_m3


def _told(found: CircuitStart) -> CircuitStart:
    return replace(found, faults=tuple(_faults(found)), words=_words(found))


def _faults(found: CircuitStart) -> Iterator[str]:
    name, last = found.circuit, found.last_nozzle
    if found.last_open_s is None:
        yield f"{name}: from drained lines nozzle {last} never opens; fill them with the ends open"
    elif found.cycle_s is not None and found.last_open_s > found.cycle_s:
        yield (
            f"{name}: from drained lines the last nozzle, {last}, opens after {found.last_open_s:.0f} s of a cycle of "
            f"{found.cycle_s:.0f} s: fill the lines before the first cycle, and let them stay full between cycles"
        )
    loss = found.filter
    if loss.below_band:
        times = loss.dirty_pa / loss.clean_pa
        source = "as its maker says" if loss.stated else f"{times:.0f} times that of a clean one, assumed"
        allowed = "; " if loss.allowed_pa is None else f": change it at {show_both(loss.allowed_pa, 'pressure')}; "
        yield (
            f"{name}: a dirty filter {loss.name} ({show(loss.dirty_pa, 'pressure', 'metric')}, {source}) brings nozzle "
            f"{loss.worst_nozzle} to {show_both(loss.dirty_min_pa, 'pressure')}, below the band{allowed}"
            "or choose a larger filter"
        )


def _words(found: CircuitStart) -> str:
    text = f"{found.circuit} holds {show(found.litres * LITRE_M3, 'volume', 'metric', 2)}"
    if found.full_s is not None:
        text += f"; drained, it is full after {found.full_s:.0f} s"
    if found.last_open_s is not None:
        text += f", its last nozzle, {found.last_nozzle}, opens after {found.last_open_s:.0f} s"
    if found.refill_cost:
        text += f", and {found.refill_cost:.2f} worth of product and water are lost"
    if found.litres_a_cycle is not None:
        text += f"; a cycle of {found.cycle_s:.0f} s mists {found.litres_a_cycle:.2f} L"
    if found.change_cycles is not None:
        text += f"; a change of product comes to {found.change_nozzle} in cycle {found.change_cycles}"
    elif found.change_s is not None:
        text += f"; a change of product comes to {found.change_nozzle} after {found.change_s:.0f} s of mist"
    return text


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None
