"""The head budget of a finished plan, straight from the hydraulics: a second calculation beside the
search's tables."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from hydraulics.fittings import minor_loss_pa
from hydraulics.friction import GRAVITY_M_S2, pressure_gradient_pa_m
from optimizer.runs.plan import CircuitPlan, RunPlan
from optimizer.runs.problem import RunProblem


def budget_pressures_pa(problem: RunProblem, plan: RunPlan) -> NDArray[np.float64]:
    """[K] pressure of each nozzle when every nozzle of its circuit draws its safe flow; NaN where none
    feeds it."""
    pressures = np.full(problem.nozzles, np.nan)
    for circuit in plan.circuits:
        at = _circuit_pressures_pa(problem, circuit)
        for k in circuit.served:
            pressures[k] = at[int(problem.layout.nozzle_point[k])]
    return pressures


def _circuit_pressures_pa(problem: RunProblem, circuit: CircuitPlan) -> dict[int, float]:
    """Pressure at every point of a circuit: at a pipe's end = at its start - friction - fittings - rho g
    rise."""
    layout, water = problem.layout, problem.water
    density = water.density_kg_m3
    flow_at = {int(layout.nozzle_point[k]): problem.safe_flow_m3_s(circuit.pump)[k] for k in circuit.served}
    flows = np.zeros(len(circuit.pieces))
    leaving: dict[int, float] = {p: float(q) for p, q in flow_at.items()}
    for i in range(len(circuit.pieces) - 1, -1, -1):
        use = circuit.pieces[i]
        flows[i] = leaving.get(use.to_point, 0.0)
        leaving[use.from_point] = leaving.get(use.from_point, 0.0) + flows[i]
    pieces = [use.piece for use in circuit.pieces]
    bore = np.array([problem.tubing[use.tubing].bore_m for use in circuit.pieces])
    rough = np.array([problem.tubing[use.tubing].roughness_m for use in circuit.pieces])
    k = np.array([use.minor_k for use in circuit.pieces])
    loss = pressure_gradient_pa_m(flows, bore, rough, water) * layout.length_m[pieces]
    loss += minor_loss_pa(k, flows, bore, density)
    root = problem.outlet_point(circuit.pump)
    at = {root: float(problem.supply_pa(circuit.pump, leaving.get(root, 0.0)))}
    for use, lost in zip(circuit.pieces, loss, strict=True):
        rise = float(layout.z_m[use.to_point] - layout.z_m[use.from_point])
        at[use.to_point] = at[use.from_point] - float(lost) - density * GRAVITY_M_S2 * rise
    return at
