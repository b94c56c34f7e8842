"""The compiled search against slow second calculations: values by counting cells, costs by walking nozzles' ways."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from optimizer.instance import Instance, candidates, instance
from optimizer.placement.selection import Cover, Selection
from optimizer.solve.posed import placement_problem, shared_out
from optimizer.solve.trade.hosts import rehost
from optimizer.solve.trade.kernel import Aim, change
from optimizer.solve.trade.look import Look, _host, _spread, _state, _with_drift_as_ground, look, seen
from optimizer.solve.trade.network import network
from optimizer.solve.trade.prices import LeastPrices
from tests.optimizer.placement_cases import random_problem
from tests.optimizer.trade_sites import option, scenario

PRICES = LeastPrices(14.0, 3.5, (2150.0,), (0.0,))


@pytest.fixture(scope="module")
def posed(tmp_path_factory: pytest.TempPathFactory) -> Instance:
    read = scenario(tmp_path_factory.mktemp("yard"), option("free"))
    return instance(read, read.options[0], candidates(read, read.catalogue.nozzle("N1")))


@pytest.fixture(scope="module")
def view(posed: Instance) -> Look:
    problem = shared_out(placement_problem(posed), posed, (9,))
    made = look(posed, problem, network(posed), (0,), (9,), PRICES)
    fed = np.arange(posed.candidates.count + 2)
    return made.priced(np.where(fed == 0, 0.0, np.where(fed < 4, 3.5, 4.75)), 2150.0)


def test_sums_are_those_of_cells_counted_and_ways_walked(posed: Instance, view: Look) -> None:
    draw = np.random.default_rng(5)
    host = _host(view, *_spread(view, ()))
    problem = shared_out(placement_problem(posed), posed, (9,))
    for _ in range(20):
        chosen = sorted(draw.choice(posed.candidates.count, 6, replace=False).tolist())
        state = _state(view, host, ())
        for j in chosen:
            change(view.fixed, host, state, j, 1)
        assert state.sums[0] == pytest.approx(Selection(Cover(problem), chosen).value)
        assert state.sums[2] == pytest.approx(walked(view, host.parent, host.length_m, host.ground, chosen))
        for j in chosen:
            change(view.fixed, host, state, j, -1)
        assert state.sums == pytest.approx(np.zeros(3), abs=1e-9)


def walked(view: Look, parent: np.ndarray, length: np.ndarray, ground: np.ndarray, chosen: list[int]) -> float:
    """14 a nozzle; each piece once its ground, its metres at 3.5 where it feeds fewer than 4, else 4.75."""
    fed: dict[int, int] = {}
    for j in chosen:
        p = int(view.net.at[j])
        while p >= 0:
            fed[p] = fed.get(p, 0) + 1
            p = int(parent[p])
    return 14.0 * len(chosen) + sum(
        float(ground[p]) + float(length[p]) * (3.5 if n < 4 else 4.75) for p, n in fed.items() if parent[p] >= 0
    )


def test_a_better_host_is_the_best_of_all_trees_on_a_ring() -> None:
    """A ring of 6 points from the root 0, pieces of 1..6 m, one nozzle at point 2 and one at 4, 1 a metre: of the six
    trees that leave out one piece the best leads there with the least metres, by trying them all."""
    lengths = np.array([1.0, 2.0, 9.0, 4.0, 1.0, 3.0])
    ring = [(i, (i + 1) % 6) for i in range(6)]
    tube = np.concatenate([[0.0], np.ones(20)])
    best = min(sum(lengths[e] for e in tree_of(ring, out, (2, 4))) for out in range(6))
    parent = np.array([-1, 0, 1, 2, 3, 4])
    length, ground = np.array([0.0, 1.0, 2.0, 9.0, 4.0, 1.0]), np.zeros(6)
    rehost(parent, length, ground, np.array([2, 4]), tube, np.array(ring), np.column_stack([lengths, np.zeros(6)]))
    laid = set()
    for p in (2, 4):
        while parent[p] >= 0:
            laid.add(p)
            p = int(parent[p])
    assert sum(length[p] for p in laid) == pytest.approx(best) == pytest.approx(7.0)


def tree_of(ring: list[tuple[int, int]], out: int, spots: tuple[int, ...]) -> set[int]:
    """Pieces that lead from 0 to the spots where one piece is left out."""
    laid: set[int] = set()
    for spot in spots:
        forward = list(range(spot))
        back = list(range(spot, len(ring)))
        laid |= set(back if out in forward else forward)
    return laid


def test_a_look_finds_the_enumerated_best_within_a_budget(posed: Instance, view: Look) -> None:
    """With two nozzles at most within reach of the budget, every pair tried by hand's sums is no better."""
    host = _host(view, *_spread(view, ()))
    budget = 2150.0 + 60.0

    def sums(chosen: tuple[int, ...]) -> np.ndarray:
        state = _state(view, host, chosen)
        return state.sums if state.on.sum() == len(chosen) else np.array([0.0, 0.0, np.inf])

    some = [()] + [(j,) for j in range(posed.candidates.count)]
    pairs = itertools.combinations(range(posed.candidates.count), 2)
    threes = [sums(c) for c in itertools.chain(some, pairs)]
    best = max(float(s[0]) for s in threes if s[2] + 2150.0 <= budget)
    found = seen(view, (), Aim(0.01, 1.0, budget, 5.0, 0.0, 0.0, 0.0), seed=1)
    assert found.cost <= budget
    assert found.value >= best


def test_a_limit_of_drift_is_a_floor_to_the_search() -> None:
    """Source: enumeration of every set of positions, straight from the rules."""
    for seed in range(12):
        problem = random_problem(seed, "drifts", "floors")
        as_ground = _with_drift_as_ground(problem)
        covers = Cover(problem), Cover(as_ground)
        assert not as_ground.drifts and len(as_ground.floors) == len(problem.floors) + len(problem.drifts)
        for size in range(problem.candidates + 1):
            for chosen in itertools.combinations(range(problem.candidates), size):
                met = Selection(covers[1], chosen).floors_met().all()
                drifts = all(drift.excess[list(chosen)].sum() <= 1e-9 for drift in problem.drifts)
                assert met == (drifts and Selection(covers[0], chosen).floors_met().all())
