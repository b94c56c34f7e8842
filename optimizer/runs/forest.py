"""The circuits' trees as the contracted model, plans and the search hand them to one another."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from optimizer.runs.flat import Flat
from optimizer.runs.prepared import Prepared
from optimizer.runs.state import State, empty_state, give, lay, trim_all


class Forest:
    """One tree a circuit, on the points and pieces of the segments.

    owner: circuit of each nozzle, -1 none; flags: by circuit, by piece, 1 where its tree holds it;
    served: by circuit, by point, 1 where its nozzle stands.
    """

    __slots__ = ("flags", "owner", "prepared", "served")

    def __init__(self, prepared: Prepared) -> None:
        circuits = prepared.problem.circuits
        points, pieces = len(prepared.segments.point), len(prepared.segments.piece)
        self.prepared = prepared
        self.owner = [-1] * prepared.problem.nozzles
        self.flags = [bytearray(pieces) for _ in circuits]
        self.served = [bytearray(points) for _ in circuits]

    def give(self, nozzle: int, circuit: int) -> None:
        """Let the circuit feed a nozzle that nobody feeds; its tree must be led there by `lay`."""
        self.owner[nozzle] = circuit
        self.served[circuit][self.prepared.spot[nozzle]] = 1

    def lay(self, circuit: int, pieces: Iterable[int]) -> None:
        """Add pieces to the circuit's tree."""
        for e in pieces:
            self.flags[circuit][e] = 1

    def trench_cost(self) -> float:
        """Ground work of all pieces that hold a tube, each once."""
        cost = self.prepared.trench_cost
        return sum(cost[e] for e in self.prepared.dug if any(f[e] for f in self.flags))


def state_of(flat: Flat, forest: Forest) -> State:
    """The forest as the search changes it, without tubing that leads nowhere."""
    state = empty_state(flat)
    for k, c in enumerate(forest.owner):
        if c >= 0:
            give(flat, state, k, c)
    for c, flags in enumerate(forest.flags):
        for e in np.flatnonzero(np.frombuffer(flags, dtype=np.uint8)).tolist():
            lay(flat, state, c, e)
    trim_all(flat, state)
    return state


def forest_of_state(prepared: Prepared, state: State) -> Forest:
    """The search's forest for others to read."""
    forest = Forest(prepared)
    for k, c in enumerate(state.owner.tolist()):
        if c >= 0:
            forest.give(k, c)
    for c, flags in enumerate(state.flags):
        forest.flags[c][:] = flags.tobytes()
    return forest
