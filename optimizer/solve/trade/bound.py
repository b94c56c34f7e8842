"""What no design of an option can pass: most coverage within a budget, least cost of a coverage.

Both are optima of the joint relaxation (`relaxed.py`) with connectivity cuts. They hold for every choice of positions,
pumps, trees and sizes; values are weighted m² of the cell model.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from optimizer.instance import Instance
from optimizer.placement.problem import FloatArray, PlacementProblem
from optimizer.progress import Progress, Report, Stop, never, silent
from optimizer.solve.posed import at_any_flows, most_per_circuit, shared_out
from optimizer.solve.trade.links import violated
from optimizer.solve.trade.network import Network, network
from optimizer.solve.trade.prices import LeastPrices, least_prices
from optimizer.solve.trade.relaxed import Relaxed, relaxed
from optimizer.solver.linear import INFINITY, Solution, WarmProgram

ROUNDS = 12  # of cuts, for one question
GAIN = 2e-4  # a round that moves the bound by less than this share ends the cutting
SAFE = 1e-6  # relative, of the rounding of a linear program's optimum
SLACK = 1e-9  # price of the budget below which it does not bind

CLASS = "any positions, pumps, ways and sizes; without head"


@dataclass(frozen=True, eq=False)
class Asked:
    """The answer to one question: no design passes `bound`; columns: of the relaxation, None where it was stopped;
    worth: weighted m² that one coin more would buy there."""

    bound: float
    columns: FloatArray | None
    worth: float = 0.0


class JointBound:
    """The relaxation of an instance with all cuts found so far: each question sharpens it for the next."""

    def __init__(self, m: Relaxed) -> None:
        self.m = m
        self.relaxation = WarmProgram(m.program, maximise=True)

    def coverage_within(self, budget: float, report: Report = silent, stop: Stop = never) -> Asked:
        """No design that costs at most `budget` covers more. -inf where none can be as cheap."""
        self.relaxation.aim(self.m.value(), maximise=True)
        self._sides(budget - self.m.prices.once, -INFINITY)
        asked = self._cut(np.inf, -np.inf, report, stop, "priced")
        return _rounded(asked, SAFE)

    def cost_of(self, coverage: float, report: Report = silent, stop: Stop = never) -> Asked:
        """No design that covers so many weighted m² costs less. inf where none can cover as much."""
        self.relaxation.aim(self.m.cost(), maximise=False)
        self._sides(INFINITY, coverage)
        asked = self._cut(-np.inf, np.inf, report, stop, "valued")
        return _rounded(replace(asked, bound=asked.bound + self.m.prices.once), -SAFE)

    def at_metre(self, price: float) -> JointBound:
        """The same with another price of a metre of tubing: a guide, no bound."""
        m = self.m
        prices = replace(m.prices, tube_m=price)
        return JointBound(relaxed(m.problem, m.net, prices, m.capacity, m.units))

    def _sides(self, budget: float, coverage: float) -> None:
        self.relaxation.side("priced", -INFINITY, budget)
        self.relaxation.side("valued", coverage, INFINITY)

    def _cut(self, unknown: float, impossible: float, report: Report, stop: Stop, binding: str) -> Asked:
        """Optimum after rounds of cuts."""
        best = Asked(unknown, None)
        for _ in range(ROUNDS):
            found = self.relaxation.solve(stop)
            if found is None:
                return best if stop() else Asked(impossible, None)
            moved = abs(found.value - best.bound)
            best = Asked(found.value, found.columns, self._worth(found, binding))
            report(Progress("joint bound" if binding == "priced" else "cost bound", bound=found.value))
            if moved < GAIN * abs(found.value) or self._slack(found, binding):
                break
            cuts = [row for row in violated(self.m, found.columns) if row[0] not in self.relaxation.row]
            if not cuts:
                break
            self.relaxation.add(cuts)
        return best

    def _worth(self, found: Solution, row: str) -> float:
        price = abs(float(found.prices[self.relaxation.row[row]]))
        return price if row == "priced" else (1.0 / price if price > SLACK else 0.0)

    def _slack(self, found: Solution, row: str) -> bool:
        return bool(abs(found.prices[self.relaxation.row[row]]) < SLACK)



def _rounded(asked: Asked, by: float) -> Asked:
    """The answer with room for rounding, by a share of its bound."""
    return replace(asked, bound=asked.bound + by * abs(asked.bound)) if np.isfinite(asked.bound) else asked


def joint_bound(
    instance: Instance, base: PlacementProblem, net: Network | None = None, prices: LeastPrices | None = None
) -> JointBound:
    """The bound of an instance; base: its placement with every position. Rows and even pitches are left out."""
    option = instance.option
    per_circuit = [most_per_circuit(instance, pump) for pump in instance.pumps]
    capacity = tuple(option.circuits_most * most for most in per_circuit)
    most = option.pumps_most * max(capacity)
    posed = shared_out(base, instance, (most,) * len(instance.candidates.groups))
    units = (option.pumps_least, option.pumps_most)
    prices = prices or least_prices(instance)
    posed = at_any_flows(instance, posed)
    return JointBound(relaxed(posed, net or network(instance), prices, capacity, units))
