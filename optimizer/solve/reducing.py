"""Where pressure-reducing fittings go on a tree, and what they are set to, at flows that are known.

At known flows each link takes a known pressure d, so that a subtree asks for an inlet between what its neediest and
what its most delicate nozzle bear. Where siblings' intervals do not meet, a reducer at the start of a link brings its
subtree down: with the outlet s it asks its parent for at least s + its loss, and for no most.

    ways(v)  labels (price, need, allow): inlet pressures of v at which that price keeps all below it in the band
    link     need + d, allow + d                          of each way of its lower end
    reducer  price + its own, least s in [need + d, allow + d] + its loss, no most
    node     one way of each link onward: sum of prices, greatest need, least allow

Labels that another betters in all three are dropped, so the price is least at these flows.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from math import inf
from typing import NamedTuple

from optimizer.equipment import Reducer

MOST_LABELS = 200  # a node; beyond it the dearest are forgotten


@dataclass(frozen=True)
class Reach:
    """A link in the direction of flow, the pressure it takes from start to end, and the flow through it.

    fixed: nothing can be built in there (inside the pump unit, on a main).
    """

    name: str
    start: str
    end: str
    drop_pa: float
    flow_m3_s: float
    fixed: bool = False


@dataclass(frozen=True)
class Tree:
    """A circuit: the pressure at its start, its links with parents before children, allowed pressures of nodes."""

    start: str
    inlet_pa: float
    reaches: tuple[Reach, ...]
    band_pa: Mapping[str, tuple[float, float]]


class Setting(NamedTuple):
    """A reducer at the start of a link, by the link's name, and its outlet pressure."""

    link: str
    reducer: Reducer
    outlet_pa: float


class _Pick(NamedTuple):
    """A reducer at the start of a link, and the outlets that its subtree bears."""

    link: str
    reducer: Reducer
    least_pa: float
    most_pa: float


class _Label(NamedTuple):
    """One way to keep a subtree in the band: for inlets from need to allow."""

    price: float
    need_pa: float
    allow_pa: float
    picks: tuple[_Pick, ...]

    def betters(self, other: _Label) -> bool:
        """No dearer, with no more fittings, for all the other's inlets."""
        return (
            (self.price, len(self.picks)) <= (other.price, len(other.picks))
            and self.need_pa <= other.need_pa
            and self.allow_pa >= other.allow_pa
        )


def settings(tree: Tree, reducers: Sequence[Reducer]) -> tuple[Setting, ...] | None:
    """The cheapest reducers that keep every node's pressure allowed at these flows, () if none is needed, None if none
    do; each set in the middle of what its subtree bears."""
    most = _most_pa(tree)
    onward: dict[str, list[Reach]] = defaultdict(list)
    for reach in tree.reaches:
        onward[reach.start].append(reach)
    ways: dict[str, list[_Label]] = {}
    for node in reversed([tree.start, *(reach.end for reach in tree.reaches)]):
        labels = [_Label(0.0, *tree.band_pa.get(node, (-inf, inf)), ())]
        for reach in onward[node]:
            labels = _joined(labels, _led(reach, ways[reach.end], reducers), most[node])
        ways[node] = labels
    fitting = [label for label in ways[tree.start] if label.need_pa <= tree.inlet_pa <= label.allow_pa]
    if not fitting:
        return None
    return _set(tree, min(fitting, key=lambda label: (label.price, len(label.picks))))


def _most_pa(tree: Tree) -> dict[str, float]:
    """Pressure of each node at these flows without any reducer: no reducer raises it."""
    pressure = {tree.start: tree.inlet_pa}
    for reach in tree.reaches:
        pressure[reach.end] = pressure[reach.start] - reach.drop_pa
    return pressure


def _led(reach: Reach, labels: Iterable[_Label], reducers: Sequence[Reducer]) -> list[_Label]:
    """The ways of a link's end, seen from its start, without and with a reducer there."""
    found = []
    for price, need, allow, picks in labels:
        least, most = need + reach.drop_pa, allow + reach.drop_pa
        found.append(_Label(price, least, most, picks))
        for reducer in () if reach.fixed else reducers:
            outlet = next((s for s in reducer.outlets_pa if least <= s <= most), None)
            if outlet is not None:
                lost = reducer.loss_at_pa(reach.flow_m3_s)
                pick = _Pick(reach.name, reducer, least, most)
                found.append(_Label(price + reducer.price, outlet + lost, inf, (*picks, pick)))
    return found


def _joined(some: list[_Label], others: list[_Label], most_pa: float) -> list[_Label]:
    """Every pair of ways that meet, at inlets of at most most_pa; only those that no other betters."""
    found = []
    for one in some:
        for other in others:
            need, allow = max(one.need_pa, other.need_pa), min(one.allow_pa, other.allow_pa)
            if need <= min(allow, most_pa):
                allow = inf if allow >= most_pa else allow  # no inlet is above most_pa
                found.append(_Label(one.price + other.price, need, allow, (*one.picks, *other.picks)))
    kept: list[_Label] = []
    for label in sorted(found, key=lambda label: (label.price, len(label.picks), label.need_pa, -label.allow_pa)):
        if not any(better.betters(label) for better in kept):
            kept.append(label)
    return kept[:MOST_LABELS]


def _set(tree: Tree, label: _Label) -> tuple[Setting, ...]:
    """The outlets of a way's reducers, from the start on: nearest to the middle of what can be and is borne."""
    picks = {pick.link: pick for pick in label.picks}
    pressure, found = {tree.start: tree.inlet_pa}, []
    for reach in tree.reaches:
        start, pick = pressure[reach.start], picks.get(reach.name)
        if pick is not None:
            most = min(pick.most_pa, start - pick.reducer.loss_at_pa(reach.flow_m3_s))
            middle = (pick.least_pa + most) / 2
            able = [s for s in pick.reducer.outlets_pa if pick.least_pa <= s <= most]
            start = min(able, key=lambda outlet: (abs(outlet - middle), outlet))
            found.append(Setting(reach.name, pick.reducer, start))
        pressure[reach.end] = start - reach.drop_pa
    return tuple(found)
