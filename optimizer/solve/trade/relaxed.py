"""The joint relaxation: which candidates, which pieces of the ways, which pumps, with no hydraulics at all.

    symbol   index                         meaning
    x_j      candidate                     a nozzle stands there
    u_c      merged cell                   it counts as covered
    r_a      directed piece                tubing runs along it, away from the pumps; piece e is a = e and, backwards,
                                           a = e + pieces
    z_st     pump site, pump type          a unit of that type stands there

Any design gives a point of it that costs no more: of all its tubes take one way from the pumps to every point that they
reach, one tube in the cheapest size. So the optimum of the relaxation bounds every design. Rows (2) are cuts of a
group Steiner tree: whoever covers a cell is reached by tubing from outside all that could.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
import scipy.sparse as sp

from optimizer.placement.problem import FloatArray, PlacementProblem
from optimizer.solve.trade.network import Network
from optimizer.solve.trade.prices import LeastPrices
from optimizer.solver.linear import INFINITY, Program, Row


@dataclass(frozen=True, eq=False)
class Relaxed:
    """What the rows are made of. problem: the placement with its limits; capacity: nozzles that a unit of each type
    feeds at most; units: least and most; into [points]: directed pieces into each point."""

    problem: PlacementProblem
    net: Network
    prices: LeastPrices
    capacity: tuple[int, ...]
    units: tuple[int, int]
    into: tuple[tuple[int, ...], ...]
    program: Program

    def x(self, candidate: int) -> int:
        """Column of a candidate."""
        return self.program.first["x"] + candidate

    def u(self, cell: int) -> int:
        """Column of a cell."""
        return self.program.first["u"] + cell

    def r(self, piece: int) -> int:
        """Column of a directed piece."""
        return self.program.first["r"] + piece

    def z(self, site: int, kind: int) -> int:
        """Column of a pump type at a place of `net.sites`."""
        return self.program.first["z"] + site * len(self.capacity) + kind

    def ends(self, piece: int) -> tuple[int, int]:
        """Start and end of a directed piece."""
        e, back = piece % self.net.pieces, piece >= self.net.pieces
        a, b = int(self.net.tail[e]), int(self.net.head[e])
        return (b, a) if back else (a, b)

    def supplied(self, point: int) -> dict[int, float]:
        """What lets tubing be at a point: pieces that lead into it, and pumps that stand there."""
        here = {self.r(a): 1.0 for a in self.into[point]}
        for site, root in enumerate(self.net.roots):
            if root == point:
                here |= {self.z(site, kind): 1.0 for kind in range(len(self.capacity))}
        return here

    def value(self) -> FloatArray:
        """Objective `coverage`: weighted m² of the cells, and bonuses."""
        cost = np.zeros(len(self.program.low))
        cost[self.x(0) : self.x(self.problem.candidates)] = self.problem.bonus
        cost[self.u(0) : self.u(len(self.problem.value))] = self.problem.value
        return cost

    def cost(self) -> FloatArray:
        """Objective `cost`: the least prices of nozzles, tubing, ground and units."""
        cost, net, prices = np.zeros(len(self.program.low)), self.net, self.prices
        cost[self.x(0) : self.x(self.problem.candidates)] = prices.nozzle
        piece = prices.tube_m * net.length_m + prices.dug * net.ground
        cost[self.r(0) : self.r(2 * net.pieces)] = np.concatenate([piece, piece])
        for number, site in enumerate(net.sites):
            for kind, price in enumerate(prices.unit):
                cost[self.z(number, kind)] = price + prices.site[site]
        return cost


def relaxed(
    problem: PlacementProblem, net: Network, prices: LeastPrices, capacity: tuple[int, ...], units: tuple[int, int]
) -> Relaxed:
    """The relaxation of a placement on a network, all rows but the connectivity cuts in its program."""
    program = Program()
    upper = np.ones(problem.candidates)
    upper[list(problem.barred)] = 0.0
    lower = np.zeros(problem.candidates)
    lower[list(problem.locked)] = 1.0
    program.columns("x", lower, upper)
    program.columns("u", np.zeros(len(problem.value)), np.ones(len(problem.value)))
    program.columns("r", np.zeros(2 * net.pieces), np.ones(2 * net.pieces))
    program.columns("z", np.zeros(len(net.sites) * len(capacity)), np.ones(len(net.sites) * len(capacity)))
    into: list[list[int]] = [[] for _ in range(net.points)]
    for a, end in enumerate(np.concatenate([net.head, net.tail]).tolist()):
        into[end].append(a)
    made = Relaxed(problem, net, prices, capacity, units, tuple(map(tuple, into)), program)
    for rows in (covered, led, spaced, needed, within, fed, onward, entered, standing, enough, fewest, priced, valued):
        program.add(rows(made))
    program.add(calmed(made))
    return made


def covered(m: Relaxed) -> Iterator[Row]:
    """(1)  need_c u_c - sum_{j covers c} x_j <= 0"""
    incidence = sp.csr_array(m.problem.incidence)
    for c, need in enumerate(m.problem.need.tolist()):
        own = incidence.indices[incidence.indptr[c] : incidence.indptr[c + 1]].tolist()
        yield f"covered[{c}]", {m.u(c): float(need), **{m.x(j): -1.0 for j in own}}, -INFINITY, 0.0


def led(m: Relaxed) -> Iterator[Row]:
    """(2)  u_c - sum_{a into K_c} r_a <= 0   K_c the points of all candidates that cover c, and plain ones between

    Left out where a pump stands in K_c.
    """
    incidence, net = sp.csr_array(m.problem.incidence), m.net
    roots, bearing = set(net.roots), set(net.at.tolist()) | set(net.roots)
    around: list[set[int]] = [set() for _ in range(net.points)]
    for a, b in zip(net.tail.tolist(), net.head.tolist(), strict=True):
        around[a].add(b)
        around[b].add(a)
    plain = [p for p in range(net.points) if p not in bearing]
    beside = {q: [p for p in plain if q in around[p]] for q in {q for p in plain for q in around[p]}}
    for c in range(len(m.problem.value)):
        group = set(net.at[incidence.indices[incidence.indptr[c] : incidence.indptr[c + 1]]].tolist())
        if group & roots:
            continue
        group |= {p for q in sorted(group) for p in beside.get(q, ()) if len(around[p] & group) > 1}
        row = {m.u(c): 1.0, **{m.r(a): -1.0 for p in sorted(group) for a in m.into[p] if m.ends(a)[0] not in group}}
        yield f"led[{c}]", row, -INFINITY, 0.0


def spaced(m: Relaxed) -> Iterator[Row]:
    """(3)  sum_{j in w} x_j <= 1   every window shorter than the least spacing"""
    for w, window in enumerate(m.problem.spacing):
        yield f"spaced[{w}]", {m.x(j): 1.0 for j in window}, -INFINITY, 1.0


def needed(m: Relaxed) -> Iterator[Row]:
    """(4)  sum_{j in w} x_j >= 1   every window of a continuous line"""
    for w, window in enumerate(m.problem.cover):
        yield f"needed[{w}]", {m.x(j): 1.0 for j in window}, 1.0, INFINITY


def within(m: Relaxed) -> Iterator[Row]:
    """(5)  sum_{j in l} x_j <= most_l   every limit of the placement"""
    for number, limit in enumerate(m.problem.limits):
        yield f"within[{number}]", {m.x(j): 1.0 for j in limit.members}, -INFINITY, float(limit.most)


def fed(m: Relaxed) -> Iterator[Row]:
    """(6)  x_j - sum_{a into j} r_a - sum_{pumps at j} z_st <= 0"""
    for j, point in enumerate(m.net.at.tolist()):
        yield f"fed[{j}]", {m.x(j): 1.0, **_negative(m.supplied(point))}, -INFINITY, 0.0


def onward(m: Relaxed) -> Iterator[Row]:
    """(7)  r_a - sum_{b into the start of a, b not a backwards} r_b - sum_{pumps there} z_st <= 0"""
    for a in range(2 * m.net.pieces):
        back = (a + m.net.pieces) % (2 * m.net.pieces)
        before = _negative(m.supplied(m.ends(a)[0]))
        before.pop(m.r(back), None)
        yield f"onward[{a}]", {m.r(a): 1.0, **before}, -INFINITY, 0.0


def entered(m: Relaxed) -> Iterator[Row]:
    """(8)  sum_{a into p} r_a + sum_{pumps at p} z_st <= 1"""
    for p in range(m.net.points):
        if row := m.supplied(p):
            yield f"entered[{p}]", row, -INFINITY, 1.0


def standing(m: Relaxed) -> Iterator[Row]:
    """(9)  least units <= sum_st z_st <= most units"""
    row = {m.z(s, t): 1.0 for s in range(len(m.net.sites)) for t in range(len(m.capacity))}
    yield "standing", row, float(m.units[0]), float(m.units[1])


def enough(m: Relaxed) -> Iterator[Row]:
    """(10)  sum_j x_j - sum_st capacity_t z_st <= 0"""
    row = {m.x(j): 1.0 for j in range(m.problem.candidates)}
    for s in range(len(m.net.sites)):
        row |= {m.z(s, t): -float(n) for t, n in enumerate(m.capacity)}
    yield "enough", row, -INFINITY, 0.0


def fewest(m: Relaxed) -> Iterator[Row]:
    """(11)  sum_c area_fc u_c >= least_f   every floor of a zone"""
    for number, floor in enumerate(m.problem.floors):
        cells = np.flatnonzero(floor.area_m2).tolist()
        yield f"fewest[{number}]", {m.u(c): float(floor.area_m2[c]) for c in cells}, floor.least_m2, INFINITY


def priced(m: Relaxed) -> Iterator[Row]:
    """(12)  cost <= budget   at first without a budget"""
    yield "priced", _sparse(m.cost()), -INFINITY, INFINITY


def valued(m: Relaxed) -> Iterator[Row]:
    """(13)  sum_c v_c u_c >= coverage   at first none asked for; bonuses are no coverage"""
    value = m.value()
    value[m.x(0) : m.x(m.problem.candidates)] = 0.0
    yield "valued", _sparse(value), -INFINITY, INFINITY


def calmed(m: Relaxed) -> Iterator[Row]:
    """(14)  sum_j excess_dj x_j <= 0   every limit of drift"""
    for number, drift in enumerate(m.problem.drifts):
        excess = {m.x(j): float(drift.excess[j]) for j in np.flatnonzero(drift.excess).tolist()}
        yield f"calmed[{number}]", excess, -INFINITY, 0.0


def _negative(row: Mapping[int, float]) -> dict[int, float]:
    return {column: -value for column, value in row.items()}


def _sparse(row: FloatArray) -> dict[int, float]:
    return {int(i): float(row[i]) for i in np.flatnonzero(row)}
