"""Least-cost tubing of one circuit on a fixed tree, exactly: Pareto labels of (pressure needed, cost).

A unit is the part of a segment that one tube of the circuit feeds from one end; it has one size, so sizes
change at junctions only. A label of a place says: with this pressure here, everything beyond can be fed
at this cost. Labels go from the dead ends to the pump; sizes are read back from the pump to the dead
ends.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from optimizer.runs.prepared import Prepared
from optimizer.runs.trees import Tree, Unit, tree_of

Labels = tuple[tuple[float, float], ...]  # (pressure needed in Pa, cost): needs rise, costs fall
NOTHING: Labels = ((-math.inf, 0.0),)
ROUNDING_PA = 1e-3  # what sums of floats may be off by when labels are read back
MEMO_SIZE = 300_000  # labels after which the memos are emptied, to bound memory


@dataclass(frozen=True)
class SizedUnit:
    """A unit with its tubing size and the loss factor of each of its pieces."""

    unit: Unit
    size: int
    minor_k: tuple[float, ...]


@dataclass(frozen=True)
class Drops:
    """A unit in each size: (size, pressure needed at its start by its own nozzles, loss and rise to its
    end, cost).

    minor_k: loss factor of each piece; flow: at its start, in flow units.
    """

    by_size: tuple[tuple[int, float, float, float], ...]
    minor_k: tuple[float, ...]
    flow: int


class Sizer:
    """Sizes trees with a given set of sizes. Holds the problem and memos of what was computed, nothing
    else."""

    def __init__(self, prepared: Prepared, sizes: Sequence[int], grid_pa: float = 0.0) -> None:
        """sizes: indices of the tubing allowed; grid_pa: needs are rounded up to it (0: exact)."""
        self.prepared = prepared
        self.sizes = tuple(sizes)
        self.grid_pa = grid_pa
        self.cap_pa = max(p.set_pressure_pa for p in prepared.problem.pumps)
        self._forget()

    def _forget(self) -> None:
        self._drops: dict[tuple[object, ...], tuple[int, Drops]] = {}
        self._extended: dict[tuple[int, int], int] = {}
        self._joined: dict[tuple[int, ...], int] = {}
        self._labels: list[Labels] = [NOTHING]

    def least(self, pump: int, flags: bytes | bytearray, served: bytes | bytearray) -> tuple[float, float]:
        """(pressure short in Pa, cost) of the cheapest sizing of one circuit's tree.

        flags: by piece, served: by point, whether the circuit's tree holds it. Short is 0 where the tree
        can be fed; else what the least need exceeds the supply by, and the cost is that of the least
        need.
        """
        if len(self._labels) > MEMO_SIZE:
            self._forget()
        tree = tree_of(self.prepared, pump, flags, served)
        *_, top, flow = self._label(tree, pump, served)
        return _cheapest(self._labels[top], self.prepared.available_pa(pump, flow))

    def sized(self, pump: int, flags: bytes | bytearray, served: bytes | bytearray) -> list[SizedUnit]:
        """The cheapest sizing, unit by unit, parents before children. The tree must be one that can be
        fed."""
        tree = tree_of(self.prepared, pump, flags, served)
        drops, below, _, flow = self._label(tree, pump, served)
        supply = self.prepared.available_pa(pump, flow)
        at_end: list[float] = []
        result = []
        for u, unit in enumerate(tree.units):
            pressure = supply if unit.parent < 0 else at_end[unit.parent]
            size, left = self._choose(drops[u], below[u], pressure)
            at_end.append(left)
            result.append(SizedUnit(unit, size, drops[u].minor_k))
        return result

    def _choose(self, drops: Drops, below: int, pressure: float) -> tuple[int, float]:
        """Size of a unit given the pressure at its start, and the pressure left at its end."""
        choices = []
        for size, inner, drop, cost in drops.by_size:
            short, beyond = _cheapest(self._labels[below], pressure - drop + ROUNDING_PA)
            short = max(short, inner - pressure - ROUNDING_PA, 0.0)
            choices.append((short, cost + beyond, size, pressure - drop))
        best = min(choices)
        return best[2], best[3]

    def _label(
        self, tree: Tree, pump: int, served: bytes | bytearray
    ) -> tuple[list[Drops], list[int], int, int]:
        """Drops of each unit, label number beyond the end of each, label number at the pump, flow there."""
        flow_at = self.prepared.flow[pump]
        count = len(tree.units)
        drops: list[Drops] = [Drops((), (), 0)] * count
        below, number = [0] * count, [0] * count
        for u in range(count - 1, -1, -1):
            junction, kids = tree.end[u], tree.kids[u]
            flow = 0
            if junction >= 0:
                flow = sum([drops[k].flow for k in kids])
                nozzle = bool(served[junction])
                flow += flow_at[junction] if nozzle else 0
                below[u] = self._join([number[k] for k in kids], nozzle)
            key, drops[u] = self._unit(tree, u, pump, flow, served)
            number[u] = self._extend(key, drops[u], below[u])
        top = self._join([number[u] for u in tree.top], False)
        return drops, below, top, sum([drops[u].flow for u in tree.top])

    def _unit(self, tree: Tree, u: int, pump: int, flow: int, served: bytes | bytearray) -> tuple[int, Drops]:
        unit = tree.units[u]
        way = self.prepared.segments.ways[unit.way]
        key = (unit.way, unit.pieces, flow, tree.first_k[u], not tree.kids[u], way.inside(served), pump)
        found = self._drops.get(key)
        if found is None:
            found = len(self._drops), unit_drops(self.prepared, self.sizes, tree, u, pump, flow, served)
            self._drops[key] = found
        return found

    def _extend(self, key: int, drops: Drops, below: int) -> int:
        """Number of the labels at the start of a unit, from those beyond its end."""
        found = self._extended.get((key, below))
        if found is None:
            labels = [
                (max(inner, need + drop), price + cost)
                for _, inner, drop, cost in drops.by_size
                for need, price in self._labels[below]
            ]
            found = self._extended[key, below] = self._new(labels)
        return found

    def _join(self, numbers: list[int], nozzle: bool) -> int:
        """Number of the labels of a junction with these branches, and a nozzle of its own or none."""
        if len(numbers) == 1 and not nozzle:
            return numbers[0]
        key = (*sorted(numbers), -int(nozzle))
        found = self._joined.get(key)
        if found is None:
            labels: Labels = ((self.prepared.problem.band_low_pa, 0.0),) if nozzle else NOTHING
            for number in numbers:
                labels = joined(labels, self._labels[number])
            found = self._joined[key] = self._new(labels)
        return found

    def _new(self, labels: Iterable[tuple[float, float]]) -> int:
        self._labels.append(pareto(labels, self.grid_pa, self.cap_pa))
        return len(self._labels) - 1


def unit_drops(
    prepared: Prepared,
    sizes: Sequence[int],
    tree: Tree,
    u: int,
    pump: int,
    flow: int,
    served: bytes | bytearray,
) -> Drops:
    """Losses of one unit in each size. flow: what leaves its end for other units and for a nozzle on a
    junction there.

    Pressure at a piece's end = pressure at its start - friction - minor losses - rho g rise.
    """
    unit = tree.units[u]
    way = prepared.segments.ways[unit.way]
    factors = tree.minor_k(prepared, u, served)
    flows = [0] * unit.pieces
    for i in range(unit.pieces - 1, -1, -1):
        point = way.points[i + 1]
        if served[point] and point != tree.end[u]:
            flow += prepared.flow[pump][point]
        flows[i] = flow
    length = sum(prepared.length_m[e] for e in way.pieces[: unit.pieces])
    sign = 1.0 if way.forward else -1.0
    rows = []
    for d in sizes:
        size = prepared.sizes[d]
        drop, inner = 0.0, -math.inf
        for i in range(unit.pieces):
            e = way.pieces[i]
            drop += prepared.length_m[e] * size.friction_pa_m(flows[i])
            drop += factors[i] * size.minor_pa * flows[i] ** 2 + sign * prepared.rise_pa[e]
            point = way.points[i + 1]
            if served[point] and point != tree.end[u]:
                inner = max(inner, prepared.problem.band_low_pa + drop)
        rows.append((d, inner, drop, length * size.cost_per_m))
    return Drops(tuple(rows), factors, flow)


def joined(one: Labels, two: Labels) -> Labels:
    """Labels of two branches together: the greater need, both costs."""
    i, j, result = 0, 0, []
    need = max(one[0][0], two[0][0])
    while True:
        while i + 1 < len(one) and one[i + 1][0] <= need:
            i += 1
        while j + 1 < len(two) and two[j + 1][0] <= need:
            j += 1
        result.append((need, one[i][1] + two[j][1]))
        following = [labels[n + 1][0] for labels, n in ((one, i), (two, j)) if n + 1 < len(labels)]
        if not following:
            return tuple(result)
        need = min(following)


def pareto(labels: Iterable[tuple[float, float]], grid_pa: float, cap_pa: float) -> Labels:
    """The labels that no other beats in need and cost, needs rounded up to a grid; beyond the cap only
    the least."""
    best: list[tuple[float, float]] = []
    for need, cost in sorted(labels):
        if best and (cost >= best[-1][1] or need > cap_pa):
            continue
        if grid_pa > 0.0 and need > -math.inf:
            need = math.ceil(need / grid_pa) * grid_pa
            if best and best[-1][0] >= need:
                best[-1] = (need, cost)
                continue
        best.append((need, cost))
    return tuple(best)


def _cheapest(labels: Labels, pressure: float) -> tuple[float, float]:
    """(pressure short, cost) of the cheapest label that a pressure allows, or of the one of least need."""
    chosen = labels[0]
    if chosen[0] > pressure:
        return chosen[0] - pressure, chosen[1]
    for label in labels:
        if label[0] > pressure:
            break
        chosen = label
    return 0.0, chosen[1]
