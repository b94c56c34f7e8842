"""The joint bound against enumeration: every choice of positions, of pump sites and of pieces of tubing on tiny sites.

The enumeration reckons with no hydraulics, in the cheapest size: every real design of the site costs at least as much
as some answer of it, so a bound that holds for all answers holds for all designs.
"""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
import scipy.sparse as sp
from hypothesis import given, settings
from hypothesis import strategies as st

from optimizer.placement.problem import Limit, PlacementProblem
from optimizer.solve.trade.bound import JointBound
from optimizer.solve.trade.network import Network
from optimizer.solve.trade.prices import LeastPrices
from optimizer.solve.trade.relaxed import Relaxed, relaxed

CLOSE = 1e-5


def tiny(seed: int) -> Relaxed:
    """Six or seven points joined by up to nine pieces, up to five candidates, cells that one to three of them cover."""
    rng = np.random.default_rng(seed)
    points = int(rng.integers(5, 8))
    tree = [(int(rng.integers(0, p)), p) for p in range(1, points)]
    extra = [tuple(sorted(rng.choice(points, 2, replace=False).tolist())) for _ in range(int(rng.integers(0, 4)))]
    pieces = sorted(set(tree) | {(int(a), int(b)) for a, b in extra})
    candidates, cells = int(rng.integers(2, 6)), int(rng.integers(2, 7))
    sites = tuple(int(p) for p in rng.choice(points, int(rng.integers(1, 3)), replace=False))
    incidence = np.zeros((cells, candidates), dtype=bool)
    for c in range(cells):
        incidence[c, rng.choice(candidates, int(rng.integers(1, min(4, candidates + 1))), replace=False)] = True
    close = tuple(sorted(rng.choice(candidates, 2, replace=False).tolist()))
    problem = PlacementProblem(
        value=rng.integers(1, 20, cells).astype(float),
        incidence=sp.csr_array(incidence),
        need=np.where((incidence.sum(axis=1) > 1) & (rng.random(cells) < 0.3), 2, 1),
        bonus=np.where(rng.random(candidates) < 0.2, 2.0, 0.0),
        lines=(tuple(range(candidates)),),
        spacing=(close,) if rng.random() < 0.5 else (),
        limits=(Limit(tuple(range(candidates)), int(rng.integers(1, candidates + 1))),),
    )
    net = Network(
        points,
        np.array([a for a, _ in pieces]),
        np.array([b for _, b in pieces]),
        rng.integers(1, 15, len(pieces)).astype(float),
        np.where(rng.random(len(pieces)) < 0.4, rng.integers(1, 40, len(pieces)), 0).astype(float),
        rng.integers(0, points, candidates),
        tuple(range(len(sites))),
        sites,
    )
    missing = tuple(map(float, rng.integers(0, 9, len(sites))))
    prices = LeastPrices(float(rng.integers(0, 12)), 1.5, (20.0, 26.0), missing)
    most = int(rng.integers(1, len(sites) + 1))
    return relaxed(problem, net, prices, (2, 4), (1, most))


def answers(m: Relaxed) -> list[tuple[float, float, float]]:
    """(value with bonuses, value of the cells, cost) of every answer that no other of the same choice undercuts."""
    problem, net = m.problem, m.net
    costs = m.prices.tube_m * net.length_m + net.ground
    found, sites = [], range(len(net.roots))
    fleets = [
        fleet
        for n in range(m.units[0], m.units[1] + 1)
        for fleet in itertools.product(itertools.combinations(sites, n), itertools.product((0, 1), repeat=n))
    ]
    some_pieces = (itertools.combinations(range(net.pieces), n) for n in range(net.pieces + 1))
    laid = [(set(some), sum(costs[list(some)])) for some in itertools.chain.from_iterable(some_pieces)]
    reached_by = {
        standing: [(reached(net, pieces, [net.roots[s] for s in standing]), cost) for pieces, cost in laid]
        for standing in {standing for standing, _ in fleets}
    }
    for chosen in itertools.chain.from_iterable(
        itertools.combinations(range(problem.candidates), n) for n in range(problem.candidates + 1)
    ):
        if any(len(set(w) & set(chosen)) > 1 for w in problem.spacing) or len(chosen) > problem.limits[0].most:
            continue
        hits = np.asarray(problem.incidence[:, list(chosen)].sum(axis=1)).ravel()
        cells = float(problem.value[hits >= problem.need].sum())
        spots = {int(net.at[j]) for j in chosen}
        least = math.inf
        for standing, kinds in fleets:
            if len(chosen) > sum((2, 4)[k] for k in kinds):
                continue
            units = sum(m.prices.unit[k] + m.prices.site[net.sites[s]] for s, k in zip(standing, kinds, strict=True))
            tubing = min((cost for at, cost in reached_by[standing] if spots <= at), default=math.inf)
            least = min(least, units + tubing + m.prices.nozzle * len(chosen))
        if math.isfinite(least):
            found.append((cells + float(problem.bonus[list(chosen)].sum()), cells, least))
    return found


def reached(net: Network, pieces: set[int], roots: list[int]) -> frozenset[int]:
    at = set(roots)
    for _ in range(net.points):
        for e in pieces:
            ends = {int(net.tail[e]), int(net.head[e])}
            if ends & at:
                at |= ends
    return frozenset(at)


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 10_000))
def test_no_enumerated_answer_passes_either_bound(seed: int) -> None:
    made = tiny(seed)
    every = answers(made)
    joint = JointBound(made)
    for _, cells, _ in every[:: max(1, len(every) // 6)]:
        least = min(cost for _, value, cost in every if value >= cells)
        assert joint.cost_of(cells).bound <= least + CLOSE
    costs = sorted({cost for *_, cost in every})
    for budget in costs[:: max(1, len(costs) // 6)]:
        most = max(value for value, _, cost in every if cost <= budget)
        assert joint.coverage_within(budget).bound >= most - CLOSE


def test_bounds_on_a_single_line_are_exact_at_the_corners_and_on_the_chord_between() -> None:
    """Pump, then candidates after 3 m and 7 m more, worth 4 and 9; 2 a metre, 5 a nozzle, 50 the pump: by hand 50 for
    nothing and 50 + 2 x 10 + 2 x 5 = 80 for both; a relaxation may take 4/13 of both for 50 + 30 x 4/13."""
    problem = PlacementProblem(
        value=np.array([4.0, 9.0]),
        incidence=sp.csr_array(np.eye(2, dtype=bool)),
        need=np.array([1, 1]),
        bonus=np.zeros(2),
        lines=((0, 1),),
        limits=(Limit((0, 1), 2),),
    )
    tail, head, length = np.array([0, 1]), np.array([1, 2]), np.array([3.0, 7.0])
    net = Network(3, tail, head, length, np.zeros(2), np.array([1, 2]), (0,), (0,))
    joint = JointBound(relaxed(problem, net, LeastPrices(5.0, 2.0, (50.0,), (0.0,)), (2,), (1, 1)))
    least = [joint.cost_of(value).bound for value in (0.0, 4.0, 13.0)]
    assert least == pytest.approx([50, 50 + 120 / 13, 80], rel=1e-5)
    within = [joint.coverage_within(cost).bound for cost in (50.0, 65.0, 80.0)]
    assert within == pytest.approx([0, 6.5, 13], rel=1e-5, abs=1e-5)


def test_what_cannot_be_is_told_by_an_infinite_bound() -> None:
    made = tiny(1)
    joint = JointBound(made)
    assert joint.coverage_within(1.0).bound == -math.inf
    assert joint.cost_of(1.0 + float(made.problem.value.sum())).bound == math.inf


def test_a_stop_leaves_a_bound_that_says_nothing_rather_than_a_wrong_one() -> None:
    joint = JointBound(tiny(3))
    assert joint.coverage_within(1000.0, stop=lambda: True).bound == math.inf
    assert joint.cost_of(5.0, stop=lambda: True).bound == -math.inf
