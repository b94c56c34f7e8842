"""Verification: the full nonlinear state of every circuit, the band, the pumps and the exact covered area.

Everything is recomputed from the design's own values, so a design.json needs no scenario to be checked.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np

from geometry.coverage import covered_area_m2
from geometry.errors import GeometryError
from geometry.geojson import geometry_of
from geometry.site import Zone
from hydraulics import network as hydraulic
from hydraulics.errors import HydraulicsError
from hydraulics.friction import FRICTION_LAW, GRAVITY_M_S2
from hydraulics.network_loop import LoopNetwork, loop_network
from hydraulics.pump import Pump as Supply
from hydraulics.pump import power_drawn_w, sustained_faults
from hydraulics.steady import solve_network
from hydraulics.steady_loop import LoopState
from hydraulics.water import water_at
from optimizer.design import SCHEMA_VERSION, Design, GeoJson, Link, Node, Pump, Verification
from optimizer.drift import drift_faults, drift_of
from optimizer.errors import UnsoundDesign
from optimizer.protected import protection_faults
from optimizer.run_rules import run_faults
from optimizer.tubing_load import load_faults

PRESSURE_TOLERANCE = 1e-6  # relative, of a stored pressure or flow
AREA_TOLERANCE = 1e-4  # relative, of a stored area
BAND_TOLERANCE = 1e-9  # relative, so that a nozzle set exactly on the band's edge stands inside it
RESIDUAL_LIMIT = 1e-8
FAULT_FIELDS = ("verified", *(field.name for field in fields(Verification) if field.name.endswith("_faults")))


@dataclass(frozen=True)
class CircuitState:
    """The state of one circuit: pressure and flow by nozzle, pressure by node, flow by link from its first node to its
    second, status of each reducer by its link, net flow, and the solver's own proof."""

    circuit: str
    pump: Pump
    pressure_pa: dict[str, float]
    flow_m3_s: dict[str, float]
    node_pressure_pa: dict[str, float]
    link_flow_m3_s: dict[str, float]
    reducer_status: dict[str, str]
    net_flow_m3_s: float
    supply_pressure_pa: float
    mass_residual: float
    energy_residual: float


def settled(design: Design, band_pa: tuple[float, float]) -> Design:
    """The design with every nozzle's pressure and flow and its verification computed afresh."""
    states = circuit_states(design)
    pressure = {name: value for state in states for name, value in state.pressure_pa.items()}
    flow = {name: value for state in states for name, value in state.flow_m3_s.items()}
    nozzles = tuple(
        replace(nozzle, pressure_pa=pressure[nozzle.id], flow_m3_s=flow[nozzle.id]) for nozzle in design.nozzles
    )
    return replace(design, nozzles=nozzles, verification=_verification(design, states, band_pa))


def verify(design: Design) -> Verification:
    """What the full nonlinear state and the exact areas say of a design, whatever it says of itself.

    Raises UnsoundDesign when its network or its polygons are unsound.
    """
    return _verification(design, circuit_states(design), design.verification.band_pa)


def circuit_states(design: Design) -> tuple[CircuitState, ...]:
    """The steady state of each circuit; circuits are solved one at a time.

    Raises UnsoundDesign naming the circuit whose network is unsound.
    """
    problems = list(_reference_problems(design))
    if problems:
        raise UnsoundDesign("\n".join(problems))
    return tuple(circuit_state(design, pump, circuit) for pump in design.pumps for circuit in pump.circuits)


def circuit_state(design: Design, pump: Pump, circuit: str) -> CircuitState:
    """The steady state of one circuit of a design whose names are known to be sound."""
    return _named_state(design, pump, circuit, *solved_circuit(design, pump, circuit))


def discrepancies(design: Design) -> tuple[str, ...]:
    """Sentences on every stored figure that is off, by more than 1e-6 (pressure, flow) or 1e-4 (area); () if none.

    Raises UnsoundDesign when the network or the polygons are unsound.
    """
    fresh = settled(design, design.verification.band_pa)
    of_nozzles, of_proof = _nozzle_figures(design, fresh), _verification_figures(design, fresh)
    return (*_laws(design), *_water_figures(design), *_power_figures(design), *of_nozzles, *of_proof)


def circuit_network(design: Design, pump: Pump, circuit: str) -> tuple[hydraulic.TreeNetwork, Supply]:
    """The tree of one circuit, and the pump as it feeds it. Raises UnsoundDesign naming the circuit that is unsound, or
    that closes a loop."""
    try:
        return hydraulic.tree_network(*_circuit_parts(design, pump, circuit), pump.node), supply_of(pump)
    except HydraulicsError as error:
        raise UnsoundDesign(f"circuit {circuit}: {error}") from error


def solved_circuit(design: Design, pump: Pump, circuit: str) -> tuple[LoopNetwork, LoopState]:
    """The network of one circuit, of whatever shape, and its steady state.

    Raises UnsoundDesign naming the circuit whose network is unsound.
    """
    try:
        net = loop_network(*_circuit_parts(design, pump, circuit), [pump.node])
        return net, solve_network(net, [supply_of(pump)], design.water)
    except HydraulicsError as error:
        raise UnsoundDesign(f"circuit {circuit}: {error}") from error


Parts = tuple[list[hydraulic.Node], list[hydraulic.Link], list[hydraulic.NozzleAt]]


def _circuit_parts(design: Design, pump: Pump, circuit: str) -> Parts:
    links = [link for link in design.links if link.carries(circuit)]
    ends = {end for link in links for end in (link.from_, link.to)} | {pump.node}
    return (
        [hydraulic.Node(node.id, node.z_m) for node in design.nodes if node.id in ends],
        [_hydraulic_link(link) for link in links],
        [hydraulic.NozzleAt(nozzle.node, design.nozzle) for nozzle in design.nozzles if nozzle.circuit == circuit],
    )


def supply_of(pump: Pump) -> Supply:
    """What a pump unit is to its network; that it may work above its limit is a fault of its own.

    Raises RangeError where its figures do not go together.
    """
    limit_pa = max(pump.limit_pa, pump.set_pressure_pa)
    given = (pump.delivery, pump.bypass_pa, pump.relief_pa)
    return Supply(pump.set_pressure_pa, pump.capacity_m3_s, limit_pa, *given)


def _hydraulic_link(link: Link) -> hydraulic.Link:
    return hydraulic.Link(
        link.id,
        link.from_,
        link.to,
        link.length_m,
        link.bore_m,
        link.roughness_m,
        link.minor_k,
        link.reducer_pa,
        link.reducer_k,
    )


def _named_state(design: Design, pump: Pump, circuit: str, net: LoopNetwork, state: LoopState) -> CircuitState:
    at = {node: index for index, node in enumerate(net.node_ids)}
    nozzles = [nozzle for nozzle in design.nozzles if nozzle.circuit == circuit]
    return CircuitState(
        circuit=circuit,
        pump=pump,
        pressure_pa={n.id: float(state.pressure_pa[at[n.node]]) for n in nozzles},
        flow_m3_s={n.id: float(state.nozzle_flow_m3_s[at[n.node]]) for n in nozzles},
        node_pressure_pa=dict(zip(net.node_ids, state.pressure_pa.tolist(), strict=True)),
        link_flow_m3_s=dict(zip(net.link_ids, state.link_flow_m3_s.tolist(), strict=True)),
        reducer_status={link: word for link, word in zip(net.link_ids, state.reducer_status, strict=True) if word},
        net_flow_m3_s=float(np.sum(state.nozzle_flow_m3_s)),
        supply_pressure_pa=float(state.pressure_pa[net.supply[0]]),
        mass_residual=float(state.mass_residual),
        energy_residual=float(state.energy_residual),
    )


def _reference_problems(design: Design) -> Iterator[str]:
    """Names that point nowhere: what the networks of the circuits would silently leave out."""
    fed = [circuit for pump in design.pumps for circuit in pump.circuits]
    yield from (f"circuit {c} stands at two pumps; keep one" for c in sorted({c for c in fed if fed.count(c) > 1}))
    nodes: dict[str, Node] = {node.id: node for node in design.nodes}
    for link in design.links:
        yield from (f"link {link.id}: no node {end}" for end in (link.from_, link.to) if end not in nodes)
        for circuit in sorted({link.circuit, *link.shared} - set(fed)):
            yield f"link {link.id}: no pump feeds its circuit {circuit}"
    names = [nozzle.id for nozzle in design.nozzles]
    yield from (f"nozzle {n} stands twice" for n in sorted({n for n in names if names.count(n) > 1}))
    ends = {
        circuit: {end for link in design.links if link.carries(circuit) for end in (link.from_, link.to)}
        for circuit in sorted({nozzle.circuit for nozzle in design.nozzles})
    }
    for nozzle in design.nozzles:
        if nozzle.circuit not in fed:
            yield f"nozzle {nozzle.id}: no pump feeds its circuit {nozzle.circuit}"
        elif nozzle.node not in ends[nozzle.circuit]:
            yield f"nozzle {nozzle.id}: no link of its circuit {nozzle.circuit} ends at its node {nozzle.node}"


def _verification(design: Design, states: tuple[CircuitState, ...], band_pa: tuple[float, float]) -> Verification:
    low, high = band_pa
    pressure = {name: p for state in states for name, p in state.pressure_pa.items()}
    low_faults = tuple(n for n, p in pressure.items() if p < low * (1 - BAND_TOLERANCE))
    high_faults = tuple(n for n, p in pressure.items() if p > high * (1 + BAND_TOLERANCE))
    pump_faults = tuple(_pump_faults(design, states))
    flow_m3_s = {state.circuit: state.net_flow_m3_s for state in states}
    rule_faults, weak = run_faults(design, flow_m3_s), tuple(load_faults(design))
    flow_of = {name: q for state in states for name, q in state.flow_m3_s.items()}
    drift = drift_of(design, [flow_of[nozzle.id] for nozzle in design.nozzles])
    drifted = drift_faults(design, drift)
    mass = max((state.mass_residual for state in states), default=0.0)
    energy = max((state.energy_residual for state in states), default=0.0)
    covered = _covered_area_m2(design)
    greatest = max((flow for state in states for flow in state.flow_m3_s.values()), default=0.0)
    protected = protection_faults(design, greatest, flow_m3_s, covered)
    proven = bool(pressure) and max(mass, energy) <= RESIDUAL_LIMIT
    return Verification(
        verified=proven
        and not any((low_faults, high_faults, pump_faults, rule_faults, protected, drifted, weak)),
        band_pa=band_pa,
        low_faults=low_faults,
        high_faults=high_faults,
        pump_faults=pump_faults,
        min_pressure_pa=min(pressure.values(), default=0.0),
        max_pressure_pa=max(pressure.values(), default=0.0),
        flow_m3_s=flow_m3_s,
        mass_residual=mass,
        energy_residual=energy,
        covered_area_m2=covered,
        run_faults=rule_faults,
        protection_faults=protected,
        drift=drift,
        drift_faults=drifted,
        tubing_faults=weak,
    )


def _pump_faults(design: Design, states: tuple[CircuitState, ...]) -> Iterator[str]:
    for pump in design.pumps:
        for fault in sustained_faults(pump.works_pa, pump.limit_pa, pump.relief_pa):
            yield f"{pump.id}: {fault}"
    for state in states:
        usable = (1.0 - state.pump.reserve) * state.pump.capacity_m3_s
        if state.supply_pressure_pa < state.pump.set_pressure_pa * (1 - BAND_TOLERANCE):
            yield f"{state.pump.id}: cannot hold its set pressure on circuit {state.circuit}"
        elif state.net_flow_m3_s > usable * (1 + BAND_TOLERANCE):
            yield f"{state.pump.id}: circuit {state.circuit} takes more than the capacity less its reserve"


def _covered_area_m2(design: Design) -> float:
    zones = [Zone(zone.name, _polygon(f"zone {zone.name}", zone.polygon), zone.weight) for zone in design.zones]
    return covered_area_m2([_polygon(f"footprint of {n.id}", n.footprint) for n in design.nozzles], zones)


def _polygon(what: str, raw: GeoJson) -> Any:
    """The polygon of a GeoJSON geometry; UnsoundDesign naming it where it is none."""
    try:
        found = geometry_of(raw)
    except GeometryError as error:
        raise UnsoundDesign(f"{what}: {error}") from error
    if found.geom_type not in ("Polygon", "MultiPolygon") or found.is_empty:
        raise UnsoundDesign(f"{what}: {found.geom_type} without area; give a polygon")
    return found


def _laws(design: Design) -> Iterator[str]:
    """Stored names of laws and constants that this program does not compute by."""
    expected = {
        "schema_version": SCHEMA_VERSION,
        "gravity_m_s2": GRAVITY_M_S2,
        "friction_law": FRICTION_LAW,
        "velocity_of_minor_loss": "link",
    }
    for name, value in expected.items():
        if getattr(design, name) != value:
            yield f"{name}: stored {getattr(design, name)!r}, computed with {value!r}"


def _water_figures(design: Design) -> Iterator[str]:
    """Stored density and viscosity that are not those of water at the stored temperature."""
    try:
        expected = water_at(design.water.temperature_c)
    except HydraulicsError as error:
        yield f"water: {error}"
        return
    for name in ("density_kg_m3", "viscosity_pa_s"):
        text = _off(getattr(design.water, name), getattr(expected, name), PRESSURE_TOLERANCE)
        if text:
            yield f"water: {name} {text}"


def _power_figures(design: Design) -> Iterator[str]:
    """Stored power that does not follow from pressure, delivery and efficiency."""
    for pump in design.pumps:
        if pump.efficiency is not None:
            delivery = supply_of(pump).delivery_at_m3_s(pump.works_pa)
            found = power_drawn_w(pump.works_pa, delivery, pump.efficiency)
            text = _off(pump.power_w or 0.0, found, PRESSURE_TOLERANCE)
            if text:
                yield f"pump {pump.id}: power_w {text}"


def _nozzle_figures(design: Design, fresh: Design) -> Iterator[str]:
    for stored, found in zip(design.nozzles, fresh.nozzles, strict=True):
        for name in ("pressure_pa", "flow_m3_s"):
            text = _off(getattr(stored, name), getattr(found, name), PRESSURE_TOLERANCE)
            if text:
                yield f"nozzle {stored.id} (circuit {stored.circuit}, run {stored.run}): {name} {text}"


def _verification_figures(design: Design, fresh: Design) -> Iterator[str]:
    stored, found = design.verification, fresh.verification
    for circuit in sorted(stored.flow_m3_s.keys() | found.flow_m3_s.keys()):
        pair = (stored.flow_m3_s.get(circuit, 0.0), found.flow_m3_s.get(circuit, 0.0))
        text = _off(*pair, PRESSURE_TOLERANCE)
        if text:
            yield f"verification: flow of circuit {circuit} {text}"
    for limit in sorted(stored.drift.keys() | found.drift.keys()):
        text = _off(stored.drift.get(limit, 0.0), found.drift.get(limit, 0.0), PRESSURE_TOLERANCE)
        if text:
            yield f"verification: drift {limit} {text}"
    tolerance = {"covered_area_m2": AREA_TOLERANCE}
    for name in ("min_pressure_pa", "max_pressure_pa", "covered_area_m2"):
        text = _off(getattr(stored, name), getattr(found, name), tolerance.get(name, PRESSURE_TOLERANCE))
        if text:
            yield f"verification: {name} {text}"
    for field in fields(Verification):
        if field.name in FAULT_FIELDS:
            was, now = getattr(stored, field.name), getattr(found, field.name)
            if was != now:
                yield f"verification: {field.name} stored {_words(was)}, recomputed {_words(now)}"
    for name in ("mass_residual", "energy_residual"):
        if not 0 <= getattr(stored, name) <= RESIDUAL_LIMIT:
            yield f"verification: {name} stored {getattr(stored, name):g} proves nothing"


def _off(stored: float, found: float, tolerance: float) -> str:
    """How a stored figure differs from the recomputed one, "" within the relative tolerance."""
    if abs(stored - found) <= tolerance * max(abs(found), abs(stored)):
        return ""
    return f"stored {stored:.10g}, recomputed {found:.10g}"


def _words(value: object) -> str:
    if isinstance(value, tuple):
        return ", ".join(map(str, value)) if value else "none"
    return str(value)
