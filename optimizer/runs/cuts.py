"""Cuts of the contracted model's linear relaxation: tubing must lead from the pumps to whatever is fed.

A relaxation pays for a hundredth of a tube that could carry a hundredth of the flow. Let K be a set of junctions with n
nozzles on junctions in K and on segments with both ends in K. If they are more than the pumps in K take, tubes must
enter K: one at least (Steiner cuts: Koch and Martin 1998, Networks 32, 207-232, memory); as many as it takes circuits
from outside to feed the rest (rounded capacity cuts of vehicle routing: Laporte and Nobert 1983, memory); and as can
carry the rest where they lie. Without a pump in K, as many tubes enter K as any junction in it. The most violated K is
a minimum cut in the graph of passes weighted by the relaxation's values, the nozzles weighted by a price.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array
from scipy.sparse.csgraph import breadth_first_order, connected_components, maximum_flow

from optimizer.runs.contracted import Contracted
from optimizer.runs.places import layers_of_group

UNIT = 1_000_000  # capacities of the cut graph are whole numbers of this share of a tube
CREEP = UNIT // 2000  # every tube counts a trace, so that of equal cuts the one of fewest ways is found
NESTED = 4
SOME = (2, 3, 5, 8, 12, 18, 27, 40, 60, 90, 135)  # nozzles in sets that are looked for
VIOLATED = 0.02  # a cut is worth a row if it lacks this much of a tube
SURELY = 1 << 29
PRICES = (0.5, 0.8, 1.0, 1.2, 1.5, 2.0)  # of a circuit's worth of nozzles in K, in tubes


class Cut(NamedTuple):
    """Tubes of the layers that enter `inside` are at least `tubes`, or at least the tubes of layer l into junction v if
    `reached` is (l, v), or carry at least `nozzles`, counted by `rounded` if there is a `unit`.
    """

    layers: tuple[int, ...]
    inside: frozenset[int]
    tubes: int = 1
    reached: tuple[int, int] | None = None
    nozzles: int = 0
    unit: int = 0

    def weight(self, most: int) -> float:
        """What a tube counts that carries so many nozzles at most."""
        carried = min(most, self.nozzles)
        return rounded(carried, self.nozzles, self.unit) if self.unit else float(carried)

    @property
    def needed(self) -> float:
        """What all tubes must count together where they carry `nozzles`."""
        return rounded(self.nozzles, self.nozzles, self.unit) if self.unit else float(self.nozzles)


def rounded(carried: int, nozzles: int, unit: int) -> float:
    """F(carried) = floor(carried / unit) + min(1, f / f_0), f and f_0 the fractions of carried and of nozzles / unit:
    whole tubes that carry the nozzles carry F(nozzles) by F too (mixed-integer rounding: Nemhauser and Wolsey 1990,
    Mathematical Programming 46, 379-390, memory)."""
    whole, rest = divmod(carried, unit)
    share = nozzles % unit
    if share == 0:
        return carried / unit
    return whole + min(1.0, rest / share)


class Tubes(NamedTuple):
    """Values of a relaxation by pass: opened (Y), laid (sum of X), carried by size (X)."""

    opened: Mapping[int, float]
    laid: Mapping[int, float]
    by_size: Mapping[int, tuple[float, ...]]


def violated_cuts(data: Contracted, values: Tubes) -> list[Cut]:
    """Cuts that a relaxation violates."""
    found: list[Cut] = []
    for group in sorted({layer.group for layer in data.layers}):
        demand = _Demand.of(data, group)
        graph = _Graph(data, demand.layers, values.opened)
        sets = [inside for ends in demand.ends() for inside in graph.nested(ends, 1.0)]
        if len(demand.rooms) > 1:
            heavy = _Graph(data, demand.layers, values.laid)
            worth = UNIT / max(room for _, room in demand.rooms)
            sets += [one for price in PRICES for one in heavy.heavy(demand, price * worth)]
        for nozzles in SOME:
            full = _Graph(data, demand.layers, _carried(data, values, nozzles), 0)
            sets += full.heavy(demand, UNIT / nozzles)
        for inside in sorted({one for one in sets if one}, key=sorted):
            found += demand.cuts(inside, values)
    for number in range(len(data.layers)):
        graph = _Graph(data, (number,), values.laid)
        for v, value in sorted(graph.arriving().items()):
            found += [Cut((number,), one, reached=(number, v)) for one in graph.nested(frozenset({v}), value)]
    return list(dict.fromkeys(found))


@dataclass(frozen=True)
class _Demand:
    """Nozzles of a schedule group by segment and by junction; rooms: (pump's junction, room) of each circuit."""

    data: Contracted
    layers: tuple[int, ...]
    segments: dict[tuple[int, int, int], int]
    junctions: dict[int, int]
    rooms: tuple[tuple[int, int], ...]

    @classmethod
    def of(cls, data: Contracted, group: int) -> _Demand:
        prepared, layers = data.prepared, tuple(layers_of_group(data, group))
        circuits, segments = prepared.problem.circuits, {}
        for (s, g), count in sorted(data.parts.items()):
            if g == group:
                way = prepared.segments.ways[2 * s]
                segments[s, way.start, way.end] = count
        there = [prepared.spot[k] for k in data.at_junctions if prepared.problem.group[k] == group]
        of = [data.layers[number] for number in layers]
        room = {c: n for one in of for c, n in zip(one.circuits, one.rooms, strict=True)}
        rooms = [(prepared.root[circuits[c].pump], n) for c, n in sorted(room.items())]
        return cls(data, layers, segments, {p: 1 for p in there}, tuple(rooms))

    def ends(self) -> list[frozenset[int]]:
        """What a way must lead to: the ends of each segment with nozzles, each junction with one."""
        return [*(frozenset({u, v}) for _, u, v in self.segments), *(frozenset({p}) for p in self.junctions)]

    def cuts(self, inside: frozenset[int], values: Tubes) -> list[Cut]:
        """Violated cuts of a set of junctions."""
        fed = sum(n for (_, u, v), n in self.segments.items() if u in inside and v in inside)
        fed += sum(n for p, n in self.junctions.items() if p in inside)
        lack = fed - sum(room for root, room in self.rooms if root in inside)
        if lack <= 0:
            return []
        tubes, left = 0, lack
        for room in sorted((room for root, room in self.rooms if root not in inside), reverse=True):
            if left > 0:
                tubes, left = tubes + 1, left - room
        passes = self.data.passes
        entering = [
            a for a, p in enumerate(passes) if p.layer in self.layers and p.end in inside and p.start not in inside
        ]
        found = []
        if sum(values.opened[a] for a in entering) < 1.0 - VIOLATED:
            found.append(Cut(self.layers, inside))
        if tubes > 1 and sum(values.laid[a] for a in entering) < tubes - VIOLATED:
            found.append(Cut(self.layers, inside, tubes=tubes))
        able = [
            (most, x)
            for a in entering
            for x, most in zip(values.by_size[a], passes[a].beyond, strict=True)
            if most > 0
        ]
        units = sorted({most for most, _ in able if most < lack})
        ways = [Cut(self.layers, inside, nozzles=lack, unit=unit) for unit in (0, *units)]
        lacks = [1.0 - sum(x * cut.weight(most) for most, x in able if x > 0.0) / cut.needed for cut in ways]
        worst = int(np.argmax(lacks))
        return [*found, ways[worst]] if lacks[worst] > VIOLATED else found


class _Graph:
    """The passes of some layers with their values as capacities, and one source before all their pumps."""

    def __init__(
        self, data: Contracted, layers: tuple[int, ...], values: Mapping[int, float], creep: int = CREEP
    ) -> None:
        self.count = len(data.prepared.segments.point)
        self.roots = {root.junction for number in layers for root in data.layers[number].roots}
        self.capacity: dict[tuple[int, int], int] = {}
        for a, one in enumerate(data.passes):
            if one.layer in layers:
                key = (one.start, one.end)
                self.capacity[key] = self.capacity.get(key, creep) + round(UNIT * max(0.0, values[a]))

    def arriving(self) -> dict[int, float]:
        """Tubes into each junction, where it is more than a trace."""
        found: dict[int, float] = {}
        for (_, v), value in self.capacity.items():
            found[v] = found.get(v, 0.0) + value / UNIT
        return {v: value for v, value in found.items() if value > VIOLATED}

    def nested(self, targets: frozenset[int], needed: float) -> list[frozenset[int]]:
        """Sets before the targets that fewer tubes enter than needed, fewest first; of each minimum cut the set nearest
        to the targets and that nearest to the pumps, whose entrances then count as open in the search for the next."""
        if targets & self.roots:
            return []
        source, sink = self.count, self.count + 1
        capacity = dict(self.capacity)
        capacity.update({(source, root): SURELY for root in self.roots})
        capacity.update({(v, sink): SURELY for v in targets})
        found: list[frozenset[int]] = []
        for _ in range(NESTED):
            value, large, small = _minimum_cut(capacity, self.count + 2, source, sink)
            if value >= (needed - VIOLATED) * UNIT:
                break
            for inside in (small, large):
                found.append(inside & frozenset(range(self.count)))
                entering = [(u, v) for u, v in self.capacity if u not in inside and v in inside]
                capacity.update({key: UNIT for key in entering})
        return list(dict.fromkeys(found))

    def heavy(self, demand: _Demand, worth: float) -> list[frozenset[int]]:
        """The set of most worth, part by part: nozzles at a price, less what enters it and the room of its pumps."""
        source, sink = self.count, self.count + 1
        capacity = dict(self.capacity)
        for root, room in demand.rooms:
            capacity[source, root] = min(SURELY, capacity.get((source, root), 0) + round(worth * room))
        for p, n in demand.junctions.items():
            capacity[p, sink] = round(worth * n)
        for i, ((_, u, v), n) in enumerate(sorted(demand.segments.items())):
            node = self.count + 2 + i
            capacity.update({(u, node): SURELY, (v, node): SURELY, (node, sink): round(worth * n)})
        nodes = self.count + 2 + len(demand.segments)
        _, inside, _ = _minimum_cut(capacity, nodes, source, sink)
        return self._parts(inside & frozenset(range(self.count)))

    def _parts(self, inside: frozenset[int]) -> list[frozenset[int]]:
        """The set divided where no segment joins it."""
        kept = sorted(inside)
        pairs = [(u, v) for u, v in self.capacity if u in inside and v in inside]
        if not pairs:
            return [frozenset({v}) for v in kept]
        rows, columns = zip(*pairs, strict=True)
        joined = csr_array((np.ones(len(pairs)), (rows, columns)), shape=(self.count, self.count))
        _, label = connected_components(joined, directed=False)
        return [frozenset(v for v in kept if label[v] == part) for part in sorted({int(label[v]) for v in kept})]


def _carried(data: Contracted, values: Tubes, nozzles: int) -> dict[int, float]:
    """Of each pass, what share of so many nozzles it can carry beyond its end in a relaxation."""
    return {
        a: sum(x * min(nozzles, max(0, most)) for x, most in zip(values.by_size[a], one.beyond, strict=True)) / nozzles
        for a, one in enumerate(data.passes)
    }


def _minimum_cut(
    capacity: dict[tuple[int, int], int], nodes: int, source: int, sink: int
) -> tuple[int, frozenset[int], frozenset[int]]:
    """Value of the minimum cut, and the largest and the smallest set on the sink's side."""
    ends = np.array(list(capacity), dtype=np.int32)
    values = np.fromiter(capacity.values(), dtype=np.int32, count=len(capacity))
    graph = csr_array((values, (ends[:, 0], ends[:, 1])), shape=(nodes, nodes))
    result = maximum_flow(graph, source, sink)
    residual: Any = graph - result.flow
    residual.eliminate_zeros()
    ahead: NDArray[np.int32] = breadth_first_order(residual, source, return_predecessors=False)
    behind: NDArray[np.int32] = breadth_first_order(residual.T.tocsr(), sink, return_predecessors=False)
    return int(result.flow_value), frozenset(range(nodes)) - frozenset(map(int, ahead)), frozenset(map(int, behind))
