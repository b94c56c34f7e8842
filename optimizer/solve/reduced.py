"""Nozzles above the band brought down by pressure-reducing fittings, where the catalogue sells any.

Where reducers go is decided at the flows of a full nonlinear state (`reducing`); with them flows change, so the state
is solved anew and the choice made again, until the nonlinear state itself says that the band is kept.
"""

from __future__ import annotations

from dataclasses import replace

from hydraulics.fittings import minor_loss_pa
from optimizer.design import MANIFOLD, Design, Link
from optimizer.equipment import Reducer
from optimizer.solve.assemble import Layout, ReducerAt, assemble
from optimizer.solve.reducing import Reach, Tree, settings
from optimizer.verify import CircuitState, circuit_states, settled

MARGINS = (0.0, 0.05)  # shares of the band kept free at both edges, one after the other
MOST_ROUNDS = 4  # of choosing at each margin


def reduced(made: Layout, design: Design) -> tuple[Layout, Design]:
    """A layout with its settled design, with reducers where some nozzles stand above the band, none below it, and
    reducers bring all into it; else as it is."""
    proof, reducers = design.verification, made.instance.reducers
    if proof.low_faults or not proof.high_faults or not reducers:
        return made, design
    low, high = proof.band_pa
    for margin in (share * (high - low) for share in MARGINS):
        tried = design
        for _ in range(MOST_ROUNDS):
            chosen = _chosen(tried, reducers, (low + margin, high - margin))
            if not chosen:
                break
            fitted = replace(made, reducers=chosen)
            tried = settled(assemble(fitted), (low, high))
            if not (tried.verification.low_faults or tried.verification.high_faults):
                return fitted, tried
    return made, design


def _chosen(design: Design, reducers: tuple[Reducer, ...], band_pa: tuple[float, float]) -> tuple[ReducerAt, ...]:
    """Reducers for every circuit at the flows of the design's state; () where some circuit cannot be kept."""
    chosen: list[ReducerAt] = []
    for state in circuit_states(design):
        found = settings(_tree(design, state, band_pa), reducers)
        if found is None:
            return ()
        chosen.extend(ReducerAt(*setting) for setting in found)
    return tuple(chosen)


def _tree(design: Design, state: CircuitState, band_pa: tuple[float, float]) -> Tree:
    """A circuit at the flows of its state, without its reducers."""
    links = [link for link in design.links if link.carries(state.circuit)]
    nodes = {nozzle.node for nozzle in design.nozzles if nozzle.circuit == state.circuit}
    reaches = tuple(
        Reach(
            link.id,
            link.from_,
            link.to,
            _outlet_pa(design, state, link) - state.node_pressure_pa[link.to],
            state.link_flow_m3_s[link.id],
            fixed=link.tubing == MANIFOLD or bool(link.shared),
        )
        for link in links
    )
    return Tree(state.pump.node, state.supply_pressure_pa, reaches, dict.fromkeys(nodes, band_pa))


def _outlet_pa(design: Design, state: CircuitState, link: Link) -> float:
    """Pressure at the start of a link, behind its reducer if it has one."""
    start = state.node_pressure_pa[link.from_]
    if link.reducer_pa is None:
        return start
    flow = state.link_flow_m3_s[link.id]
    taken = float(minor_loss_pa(link.reducer_k, flow, link.bore_m, design.water.density_kg_m3))
    return min(link.reducer_pa, start - taken)
