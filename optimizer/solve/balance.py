"""The rule circuit_balance in the rounds: how many nozzles the circuits of a pump may feed to stay within it.

Flows of the circuits of one unit: least >= (1 - b) greatest. A circuit whose real flow is too great for another of its
unit gives up s nozzles of mean flow m to it: least + s m >= (1 - b) (greatest - s m).
"""

from __future__ import annotations

from math import ceil

from optimizer.solve.supply import CircuitLimits
from optimizer.solve.trial import Trial, by_pump

COUNT_TOLERANCE = 1e-9


def balanced_limits(trial: Trial, limits: CircuitLimits) -> CircuitLimits:
    """The limits with fewer nozzles for circuits whose real flow is too great beside another of their pump; as they
    are where none is. One nozzle stays at least."""
    share = trial.layout.instance.scenario.rules.circuit_balance
    if share is None:
        return limits
    flows = by_pump(trial.layout, trial.design.verification.flow_m3_s.values())
    served = by_pump(trial.layout, [len(circuit.served) for circuit in trial.layout.plan.circuits])
    return tuple(
        tuple(_most(flow, min(own), count, most, share) for flow, count, most in zip(own, counts, of_pump, strict=True))
        for own, counts, of_pump in zip(flows, served, limits, strict=True)
    )


def even_limits(limits: CircuitLimits, nozzles: int, share: float) -> CircuitLimits:
    """The limits when the circuits of each pump feed its part of so many nozzles as evenly as the share asks for.

    N nozzles of equal flow on m circuits: where none feeds more than N / (m - b), each feeds (1 - b) of that at least.
    """
    room = sum(map(sum, limits))
    evened = []
    for of_pump in limits:
        part, count = nozzles * sum(of_pump) / room, len(of_pump)
        cap = max(ceil(part / count - COUNT_TOLERANCE), int(part / (count - share) + COUNT_TOLERANCE))
        evened.append(tuple(max(1, min(most, cap)) for most in of_pump))
    return tuple(evened)


def _most(flow: float, least: float, count: int, most: int, share: float) -> int:
    """Nozzles that a circuit of a flow may feed beside one of the least flow."""
    lacking = (1.0 - share) * flow - least
    if lacking <= COUNT_TOLERANCE * flow or count == 0:
        return most
    moved = ceil(lacking / (flow / count * (2.0 - share)) - COUNT_TOLERANCE)
    return max(1, min(most, count - max(1, moved)))
