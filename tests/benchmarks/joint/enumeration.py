"""Joint enumeration of a tiny site: places x shares of circuits x trees x tubing sizes x sites x set pressures.

Every design is checked by `physics`. The best covers most (cells of the model, weighted), and of those costs least in
tubing and ground work. A size may change where a stretch between junctions ends, or at its end that is fed from the
other side: the class that optimizer/runs names.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from functools import cache, cached_property
from itertools import combinations, product
from math import floor

import numpy as np
from numpy.typing import NDArray

from tests.benchmarks.joint.net import Edge, Net, fittings_k, trees
from tests.benchmarks.joint.physics import Nozzles, Tree, Unit, bounds, states

TIE = 1e-9
CHUNK = 64  # sizings whose states are found at once
Costs = dict[tuple[frozenset[int], frozenset[int]], float]  # by (dug edges, sizes): least cost of tubing


@dataclass(frozen=True)
class Tiny:
    """A tiny site as numbers. bores in m; prices a metre; covers: [places, cells]; per-circuit usable flow in m3/s.

    at: (x, y) of each place; band, levels: Pa, levels the set pressures that may be; pumps, circuits: of each pump.
    """

    net: Net
    at: tuple[tuple[float, float], ...]
    covers: np.ndarray
    cell_value: np.ndarray
    bores: tuple[float, ...]
    prices: tuple[float, ...]
    roughness: float
    sizes: int
    nozzle: Nozzles
    unit: Unit
    k: dict[str, float]
    band: tuple[float, float]
    levels: tuple[float, ...]
    usable: float
    pumps: int
    circuits: int
    _cache: dict[tuple[int, float, frozenset[int]], Costs] = field(default_factory=dict, compare=False)

    @property
    def places(self) -> int:
        """Places for nozzles."""
        return len(self.net.spot)

    @cached_property
    def nozzles_at_most(self) -> int:
        """Nozzles that a circuit can feed: none draws less than at the band's low edge."""
        return floor(self.usable / float(self.nozzle.flow(np.asarray(self.band[0]))) + TIE)

    def place_at(self, x_m: float, y_m: float) -> int:
        """The place nearest to a point."""
        return min(range(self.places), key=lambda i: math.hypot(self.at[i][0] - x_m, self.at[i][1] - y_m))

    def value(self, chosen: Sequence[int]) -> float:
        """Weighted m2 of the cells that these places cover."""
        return float(self.cell_value[self.covers[list(chosen)].any(axis=0)].sum())

    def values(self) -> dict[tuple[int, ...], float]:
        """Value of every set of places."""
        sets = [s for n in range(self.places + 1) for s in combinations(range(self.places), n)]
        return {chosen: self.value(chosen) for chosen in sets}


@dataclass(frozen=True)
class Best:
    """The best designs: value, least cost of tubing and ground work among those of that value, and such places."""

    value: float
    cost: float
    places: tuple[int, ...]


def best(tiny: Tiny) -> Best | None:
    """The best design of all; None where no set of places, not even one, can be kept in the band."""
    values = tiny.values()
    for value in sorted({v for v in values.values() if v > TIE}, reverse=True):
        tied = [chosen for chosen, v in values.items() if abs(v - value) <= TIE * value]
        costs = [(least_cost(tiny, chosen), chosen) for chosen in tied]
        cost, places = min(costs)
        if math.isfinite(cost):
            return Best(value, cost, places)
    return None


def least_cost(
    tiny: Tiny,
    chosen: Sequence[int],
    sites: Sequence[tuple[int, ...]] | None = None,
    levels: Sequence[tuple[float, ...]] | None = None,
) -> float:
    """Least cost of tubing and ground work that feeds these places; inf where nothing does.

    sites, levels: sets of pump sites, and of set pressures by pump, to choose from; None: all that may be.
    """
    if len(chosen) > tiny.nozzles_at_most * tiny.pumps * tiny.circuits:
        return math.inf
    options = sites or list(combinations(range(len(tiny.net.sites)), tiny.pumps))
    pressures = levels or list(product(tiny.levels, repeat=tiny.pumps))
    return min(_least(tiny, tuple(chosen), at, set_pa) for at in options for set_pa in pressures)


def _least(tiny: Tiny, chosen: tuple[int, ...], at: tuple[int, ...], set_pa: tuple[float, ...]) -> float:
    units = [(site, level) for site, level in zip(at, set_pa, strict=True) for _ in range(tiny.circuits)]
    found = math.inf
    for shares in _shares(chosen, units):
        if any(len(share) > tiny.nozzles_at_most for share in shares):
            continue
        tables = [fed(tiny, site, level, share) for (site, level), share in zip(units, shares, strict=True)]
        for parts in product(*(table.items() for table in tables)):
            sizes = frozenset().union(*(size for (_, size), _ in parts))
            if len(sizes) <= tiny.sizes:
                dug = frozenset().union(*(edges for (edges, _), _ in parts))
                found = min(found, sum(cost for _, cost in parts) + sum(tiny.net.edges[i].dug for i in dug))
    return found


def _shares(chosen: tuple[int, ...], units: list[tuple[int, float]]) -> Iterator[tuple[frozenset[int], ...]]:
    """Every way to share places among circuits; circuits of one pump are alike."""
    seen = set()
    for owners in product(range(len(units)), repeat=len(chosen)):
        shares = tuple(
            frozenset(place for place, owner in zip(chosen, owners, strict=True) if owner == c)
            for c in range(len(units))
        )
        key = tuple(sorted((unit, tuple(sorted(share))) for unit, share in zip(units, shares, strict=True)))
        if key not in seen:
            seen.add(key)
            yield shares


def fed(tiny: Tiny, site: int, level: float, share: frozenset[int]) -> Costs:
    """Least cost of one circuit's tubing by ground opened and sizes used; nothing where none keeps band and flow."""
    if not share:
        return {(frozenset(), frozenset()): 0.0}
    key = site, level, share
    if key not in tiny._cache:
        tiny._cache[key] = _fed(tiny, site, level, share)
    return tiny._cache[key]


def _fed(tiny: Tiny, site: int, level: float, share: frozenset[int]) -> Costs:
    root = tiny.net.sites[site]
    served = frozenset(tiny.net.spot[i] for i in share)
    costs: Costs = {}
    for order in trees(tiny.net, root, served):
        parts = _parts(order)
        tree = tree_of(tiny, order, root, served)
        dug = frozenset(e.number for e in order if e.dug > 0)
        sizing = choices(max(parts) + 1, len(tiny.bores), tiny.sizes)[:, parts]
        price = np.array(tiny.prices)[sizing] @ tree.length
        sizing = sizing[np.argsort(price, kind="stable")]
        for used, cost in _cheapest(tiny, tree, sizing, level):
            costs[dug, used] = min(costs.get((dug, used), math.inf), cost)
    return costs


def _cheapest(
    tiny: Tiny, tree: Tree, sizing: NDArray[np.int64], level: float
) -> Iterator[tuple[frozenset[int], float]]:
    """The cheapest sizing of a tree, sorted by price, for each set of sizes used, that keeps band and flow."""
    bores, rest = np.array(tiny.bores), (tiny.roughness, tiny.unit, tiny.nozzle)
    least, greatest = bounds(tree, bores[sizing], rest[0], level, *rest[1:], tiny.band)
    may = (greatest >= tiny.band[0]).all(axis=1) & (least <= tiny.band[1]).all(axis=1)
    used = np.array([sum(1 << d for d in set(row)) for row in sizing.tolist()])
    for bits in sorted(set(used.tolist())):
        left = sizing[may & (used == bits)]
        for start in range(0, len(left), CHUNK):
            some = left[start : start + CHUNK]
            pressures, flows = states(tree, bores[some], rest[0], np.full(len(some), level), *rest[1:])
            good = (pressures >= tiny.band[0]).all(axis=1) & (pressures <= tiny.band[1]).all(axis=1)
            if (good & (flows <= tiny.usable)).any():
                first = some[np.flatnonzero(good & (flows <= tiny.usable))[0]]
                yield frozenset(first.tolist()), float(np.array(tiny.prices)[first] @ tree.length)
                break


def tree_of(tiny: Tiny, order: Sequence[Edge], root: int, served: frozenset[int]) -> Tree:
    """A tree as arrays; nozzles in the order of their points."""
    z, points = tiny.net.z_m, sorted(served)
    feeds = np.zeros((len(order), len(points)), dtype=bool)
    into = {e.b: i for i, e in enumerate(order)}
    for m, point in enumerate(points):
        while point != root:
            feeds[into[point], m] = True
            point = order[into[point]].a
    return Tree(
        length=np.array([e.length_m for e in order]),
        rise=np.array([z[e.b] - z[e.a] for e in order]),
        minor_k=fittings_k(order, root, served, tiny.k),
        feeds=feeds,
    )


def _parts(order: Sequence[Edge]) -> list[int]:
    """Part with one size that each edge belongs to: it goes on where the tree goes on along one stretch."""
    parts: list[int] = []
    for i, e in enumerate(order):
        before = [j for j in range(i) if order[j].b == e.a and order[j].stretch == e.stretch]
        parts.append(parts[before[0]] if before else len(set(parts)))
    return parts


@cache
def choices(parts: int, bores: int, sizes: int) -> NDArray[np.int64]:
    """Every size for every part, at most so many different ones: a row each."""
    rows = {c for some in combinations(range(bores), sizes) for c in product(some, repeat=parts)}
    return np.array(sorted(rows))
