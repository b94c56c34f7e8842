"""The circuits' trees while a search changes them: which circuit feeds each nozzle, which pieces each
tree holds."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import compress

from optimizer.runs.prepared import Prepared


class Forest:
    """One tree a circuit, on the points and pieces of the segments. Every method leaves trees, never a
    cycle.

    owner: circuit of each nozzle, -1 none; flags: by circuit, by piece, 1 where its tree holds it;
    served: by circuit, by point, 1 where its nozzle stands; degree: by circuit, by point, pieces of the
    tree there; room: nozzles that each circuit may still take; changed: circuits changed since last
    asked.
    """

    __slots__ = ("changed", "degree", "flags", "owner", "prepared", "room", "served")

    def __init__(self, prepared: Prepared) -> None:
        circuits = prepared.problem.circuits
        points, pieces = len(prepared.segments.point), len(prepared.segments.piece)
        self.prepared = prepared
        self.owner = [-1] * prepared.problem.nozzles
        self.flags = [bytearray(pieces) for _ in circuits]
        self.served = [bytearray(points) for _ in circuits]
        self.degree = [[0] * points for _ in circuits]
        self.room = [c.nozzles_at_most for c in circuits]
        self.changed: set[int] = set(range(len(circuits)))

    def copy(self) -> Forest:
        """An independent copy."""
        twin: Forest = object.__new__(Forest)
        twin.prepared = self.prepared
        twin.owner = self.owner.copy()
        twin.flags = [bytearray(f) for f in self.flags]
        twin.served = [bytearray(s) for s in self.served]
        twin.degree = [d.copy() for d in self.degree]
        twin.room = self.room.copy()
        twin.changed = set(self.changed)
        return twin

    def root(self, circuit: int) -> int:
        """Point where the circuit starts."""
        return self.prepared.root[self.prepared.problem.circuits[circuit].pump]

    def holds(self, circuit: int, point: int) -> bool:
        """Whether the circuit's tree reaches the point."""
        return self.degree[circuit][point] > 0 or point == self.root(circuit)

    def points(self, circuit: int) -> list[int]:
        """Points of the circuit's tree, the pump's first."""
        root = self.root(circuit)
        return [root, *(p for p, n in enumerate(self.degree[circuit]) if n and p != root)]

    def depth(self, circuit: int, weight: list[float]) -> dict[int, float]:
        """Points of the circuit's tree with the weight of their way from the pump."""
        flags, around = self.flags[circuit], self.prepared.segments.around
        root = self.root(circuit)
        depth = {root: 0.0}
        stack = [root]
        while stack:
            here = stack.pop()
            for piece, beyond in around[here]:
                if flags[piece] and beyond not in depth:
                    depth[beyond] = depth[here] + weight[piece]
                    stack.append(beyond)
        return depth

    def give(self, nozzle: int, circuit: int) -> None:
        """Let the circuit feed a nozzle that nobody feeds; its tree must be led there by `lay`."""
        self.owner[nozzle] = circuit
        self.served[circuit][self.prepared.spot[nozzle]] = 1
        self.room[circuit] -= 1
        self.changed.add(circuit)

    def take(self, nozzle: int) -> int:
        """Let nobody feed the nozzle, and take up the tubing that led only there. Returns the circuit
        that did."""
        circuit, point = self.owner[nozzle], self.prepared.spot[nozzle]
        self.owner[nozzle] = -1
        self.served[circuit][point] = 0
        self.room[circuit] += 1
        self.changed.add(circuit)
        self.trim(circuit, point)
        return circuit

    def lay(self, circuit: int, pieces: Iterable[int]) -> None:
        """Add pieces to the circuit's tree."""
        flags, degree, ends = self.flags[circuit], self.degree[circuit], self.prepared.segments.ends
        for e in pieces:
            if not flags[e]:
                flags[e] = 1
                a, b = ends[e]
                degree[a] += 1
                degree[b] += 1
        self.changed.add(circuit)

    def lift(self, circuit: int, piece: int) -> None:
        """Remove one piece, and the tubing on either side that then leads nowhere."""
        a, b = self.prepared.segments.ends[piece]
        self.flags[circuit][piece] = 0
        self.degree[circuit][a] -= 1
        self.degree[circuit][b] -= 1
        self.changed.add(circuit)
        self.trim(circuit, a)
        self.trim(circuit, b)

    def trim(self, circuit: int, point: int) -> None:
        """Take up the dead end at the point, as far as it feeds nothing."""
        flags, degree, served = self.flags[circuit], self.degree[circuit], self.served[circuit]
        around, root = self.prepared.segments.around, self.root(circuit)
        while degree[point] == 1 and not served[point] and point != root:
            piece, beyond = next(step for step in around[point] if flags[step[0]])
            flags[piece] = 0
            degree[point] = 0
            degree[beyond] -= 1
            point = beyond

    def path(self, circuit: int, start: int, goal: int) -> list[int]:
        """Pieces of the circuit's tree between two of its points, from start to goal."""
        flags, around = self.flags[circuit], self.prepared.segments.around
        came: dict[int, tuple[int, int]] = {start: (-1, -1)}
        stack = [start]
        while stack:
            here = stack.pop()
            if here == goal:
                break
            for piece, beyond in around[here]:
                if flags[piece] and beyond not in came:
                    came[beyond] = (piece, here)
                    stack.append(beyond)
        pieces = []
        while goal != start:
            piece, goal = came[goal]
            pieces.append(piece)
        return pieces[::-1]

    def trench_cost(self) -> float:
        """Ground work of all pieces that hold a tube, each once."""
        cost = self.prepared.trench_cost
        return sum(cost[e] for e in self.prepared.dug if any(f[e] for f in self.flags))

    def least_cost(self, cost_per_m: float) -> float:
        """Cost of the trees if all tubing were of one price, with the ground work."""
        length = self.prepared.length_m
        return sum(sum(compress(length, flags)) for flags in self.flags) * cost_per_m + self.trench_cost()
