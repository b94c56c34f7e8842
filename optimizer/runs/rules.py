"""What a forest costs and by how much it breaks rules: pressure, longest run, nozzles on a run, balance of
circuits."""

from __future__ import annotations

import math

from optimizer.runs.compiled import jit
from optimizer.runs.flat import Flat, Floats
from optimizer.runs.hung import Hung, hang
from optimizer.runs.labels import cheapest
from optimizer.runs.sizing import Sizing, label, supply_pa
from optimizer.runs.state import State, trench_cost

# what counts as one unit of fault; each much more than the rules' own tolerance
SHORT_PA = 1e5
LONG_M = 100.0
CROWDED = 10.0
# columns of a circuit's row
SHORT, LONG, MANY, COST, FLOW = range(5)
COLUMNS = 5


@jit
def circuit_row(flat: Flat, state: State, c: int, work: Sizing, row: Floats) -> None:
    """Write the circuit's row: pressure short (Pa), metres and nozzles beyond the run rules, cost of its tubing,
    flow."""
    hung = work.hung
    units = hang(flat, state, c, hung)
    label(flat, state, c, work, units)
    row[:] = 0.0
    flow = 0
    for u in range(units):
        if hung.parent[u] < 0:
            flow += hung.flow[u]
    pressure = supply_pa(flat, flat.pump[c], flow)
    for u in range(units):
        row[LONG] = max(row[LONG], hung.depth_m[u] - flat.limits[2])
        if hung.parent[u] < 0:
            i = cheapest(work.need[u], work.counts[u], pressure)
            row[SHORT] = max(row[SHORT], work.need[u, i] - pressure)
            row[COST] += work.cost[u, i]
    if flat.run_most < len(flat.spot):
        row[MANY] = _crowded(flat, hung, units)
    row[FLOW] = float(flow)


@jit
def _crowded(flat: Flat, hung: Hung, units: int) -> float:
    """Nozzles beyond the most of a run, over all runs: a run is a branch from the first branching on, the trunk
    before it is one of its own."""
    tops = 0
    for u in range(units):
        tops += hung.parent[u] < 0
    runs = 0
    for u in range(units):
        parent = hung.parent[u]
        lone = tops == 1 if parent < 0 else hung.run[parent] == 0 and hung.kids[parent] == 1
        if lone:
            hung.run[u] = 0
        elif parent < 0 or hung.run[parent] == 0:
            runs += 1
            hung.run[u] = runs
        else:
            hung.run[u] = hung.run[parent]
    beyond = 0.0
    hung.stack[: runs + 1] = 0
    for u in range(units):
        hung.stack[hung.run[u]] += hung.nozzles[u]
    for run in range(runs + 1):
        beyond += max(0, hung.stack[run] - flat.run_most)
    return beyond


@jit
def fault(flat: Flat, rows: Floats) -> float:
    """By how much the forest with these rows breaks rules, 0 if not at all."""
    total = 0.0
    for c in range(len(rows)):
        total += rows[c, SHORT] / SHORT_PA + rows[c, LONG] / LONG_M + rows[c, MANY] / CROWDED
    if flat.limits[3] < 1.0:
        for pump in range(len(flat.root)):
            total += _uneven(flat, rows, pump)
    return total


@jit
def _uneven(flat: Flat, rows: Floats, pump: int) -> float:
    """Share of the greatest flow of the pump's circuits by which the least one is too low."""
    least, greatest = math.inf, 0.0
    for c in range(len(rows)):
        if flat.pump[c] == pump:
            greatest = max(greatest, rows[c, FLOW])
            least = min(least, rows[c, FLOW])
    if greatest == 0.0:
        return 0.0
    return max(0.0, 1.0 - flat.limits[3] - least / greatest)


@jit
def cost(flat: Flat, state: State, rows: Floats) -> float:
    """Tubing and ground work."""
    total = trench_cost(flat, state)
    for c in range(len(rows)):
        total += rows[c, COST]
    return total
