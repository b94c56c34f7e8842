"""What a run split hands back."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class PieceUse:
    """One tube of one circuit along one piece, in the direction of flow.

    tubing: index into the problem's sizes; run: branch of the circuit that it belongs to (0 the trunk
    before the first branching, or the only run; 1.. the branches); minor_k: loss factor of the fitting
    at its start and of the elbow under a last nozzle, both at the tube's own velocity.
    """

    piece: int
    from_point: int
    to_point: int
    tubing: int
    run: int
    minor_k: float


@dataclass(frozen=True)
class CircuitPlan:
    """One circuit: its pump, schedule group, the nozzles it feeds (sorted) and its tubes, parents before
    children."""

    circuit: int
    pump: int
    group: int
    served: tuple[int, ...]
    pieces: tuple[PieceUse, ...]


@dataclass(frozen=True)
class RunPlan:
    """A feasible run split.

    cost = tubing_cost + trench_cost; a piece's trench is counted once, its tubes each. cost_bound: valid
    lower bound for the class of designs that bound_class names (0 and "" where none was asked for).
    status: "optimal" | "gap" | "limit" | "stopped" of the contracted model, "search" where it was not
    asked, "by hand" of `practice`.
    """

    circuits: tuple[CircuitPlan, ...]
    tubing_cost: float
    trench_cost: float
    cost_bound: float
    bound_class: str
    status: str

    @property
    def cost(self) -> float:
        """Tubing and trench together."""
        return self.tubing_cost + self.trench_cost
