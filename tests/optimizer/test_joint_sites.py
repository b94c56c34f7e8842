"""Tiny sites whose best design is known by joint enumeration: places x trees x sizes x sites x set pressures.

Reference: `tests/benchmarks/joint`, whose states come from a calculation of its own (fixed point, scipy.optimize.root)
and not from `hydraulics`. A few seeds run here; all 100 by `python -m tests.benchmarks.joint`.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations
from pathlib import Path

import numpy as np
import pytest

from hydraulics.network import Link, Node, NozzleAt, tree_network
from hydraulics.nozzle import NozzleCurve
from hydraulics.pump import Pump
from hydraulics.steady_tree import solve_tree
from hydraulics.water import water_at
from optimizer.instance import candidates, instance
from optimizer.runs.prepared import prepare
from optimizer.runs.spanning import every_tree
from optimizer.solve.supply import Supply, run_layout, run_problem
from tests.benchmarks.joint.answers import answer
from tests.benchmarks.joint.enumeration import best, least_cost, tree_of
from tests.benchmarks.joint.net import Edge, Net, trees
from tests.benchmarks.joint.physics import by_root, friction_factor, states
from tests.benchmarks.joint.planting import Planted, planted
from tests.benchmarks.planted.files import BAR, read

SEEDS = (5, 7, 10, 17, 18, 24)  # quick ones, one and two pumps and circuits; rounds alone find none for 17 and 18


@pytest.mark.parametrize("seed", SEEDS)
def test_no_bound_is_broken_and_the_answer_is_near_the_best(seed: int) -> None:
    found = answer(planted(seed))
    assert not found.violations
    assert found.good


def test_a_best_that_cannot_be_is_told() -> None:
    """The check can fail: an enumeration told of smaller pumps finds the answer too good."""
    case = planted(7)
    weak = replace(case.tiny, usable=case.tiny.usable * 0.6, _cache={})
    assert best(weak) is not None and answer(Planted(7, case.case, case.kind, weak, ())).violations


def test_trees_of_a_square() -> None:
    """By hand: points 0 to 3 round a square, water at 0. To 2 lead two ways; to 1 and 2 the square without one side, or
    only two of its sides."""
    sides = [Edge(i, (i + 1) % 4, 1.0, 0.0, 0.0, 0, 0.0, i, i) for i in range(4)]
    square = Net((0.0,) * 4, tuple(sides), (1, 2, 3), (0,))

    def found(*served: int) -> set[frozenset[int]]:
        return {frozenset(e.number for e in order) for order in trees(square, 0, frozenset(served))}

    assert found(2) == {frozenset({0, 1}), frozenset({2, 3})}
    assert found(1, 2) == {frozenset({0, 1}), frozenset({1, 2, 3}), frozenset({0, 2, 3})}
    for order in trees(square, 0, frozenset({1, 2})):
        assert all(e.a in {0, *(o.b for o in order[:i])} for i, e in enumerate(order))


@pytest.mark.parametrize("seed", (0, 4, 9))
def test_both_calculations_of_a_state_agree_with_the_solver(seed: int) -> None:
    """Three ways to one state: damped fixed point, scipy.optimize.root, and `hydraulics.solve_tree`."""
    tiny = planted(seed).tiny
    root, served = tiny.net.sites[0], frozenset(tiny.net.spot)
    draw = np.random.default_rng(seed)
    for order in trees(tiny.net, root, served)[:3]:
        tree = tree_of(tiny, order, root, served)
        bores = np.array(tiny.bores)[draw.integers(len(tiny.bores), size=len(order))]
        level = 30 * BAR
        found, flow = states(tree, bores[None, :], tiny.roughness, np.array([level]), tiny.unit, tiny.nozzle)
        again = by_root(tree, bores, tiny.roughness, level, tiny.unit, tiny.nozzle)
        np.testing.assert_allclose(found[0], again, rtol=1e-9)
        nodes = [Node("gauge", tiny.net.z_m[root]), Node(str(root), tiny.net.z_m[root])]
        nodes += [Node(str(e.b), tiny.net.z_m[e.b]) for e in order]
        unit = tiny.unit
        area = np.pi / 4.0 * unit.bore**2
        k = unit.minor * 2.0 * area**2 / water_at(20.0).density_kg_m3
        links = [Link("unit", "gauge", str(root), unit.length, unit.bore, unit.roughness, float(k))]
        links += [
            Link(str(i), str(e.a), str(e.b), e.length_m, float(bores[i]), tiny.roughness, float(tree.minor_k[i]))
            for i, e in enumerate(order)
        ]
        curve = NozzleCurve("N", tiny.nozzle.k, tiny.nozzle.p0, tiny.nozzle.n)
        network = tree_network(nodes, links, [NozzleAt(str(p), curve) for p in sorted(served)], "gauge")
        state = solve_tree(network, Pump(level, 1.0, 2 * level), water_at(20.0))
        at = dict(zip(network.node_ids, state.pressure_pa, strict=True))
        np.testing.assert_allclose(found[0], [at[str(p)] for p in sorted(served)], rtol=2e-6)
        assert float(state.nozzle_flow_m3_s.sum()) == pytest.approx(float(flow[0]), rel=2e-6)


def test_friction_of_the_three_regimes() -> None:
    """64 / Re; Swamee-Jain at (1e5, 1e-3): 0.25 / log10(1e-3 / 3.7 + 5.74 / 1e4.5)^2; continuous in value and slope."""
    assert friction_factor(np.array(1000.0), np.array(0.0)) == pytest.approx(0.064)
    assert friction_factor(np.array(1e5), np.array(1e-3)) == pytest.approx(
        0.25 / np.log10(1e-3 / 3.7 + 5.74 / 10**4.5) ** 2
    )
    for end in (2000.0, 4000.0):
        below, at, above = (friction_factor(np.array(end + d), np.array(1e-3)) for d in (-0.01, 0.0, 0.01))
        assert above - at == pytest.approx(at - below, rel=1e-3)


def test_narrower_bands_and_fewer_sizes_never_cost_less() -> None:
    tiny = planted(8).tiny
    known = best(tiny)
    assert known is not None
    one = replace(tiny, sizes=1, _cache={})
    assert least_cost(one, known.places) >= known.cost
    narrow = replace(tiny, band=(tiny.band[0] + 1e3, tiny.band[1]), _cache={})
    assert least_cost(narrow, known.places) >= known.cost


@pytest.mark.parametrize("seed", (5, 18, 24))
def test_the_optimiser_knows_every_tree_that_enumeration_knows(seed: int, tmp_path: Path) -> None:
    """As many trees for every two places: one list of pieces between junctions, one of edges between places."""
    case = planted(seed)
    asked = read(case.case, tmp_path)
    made = instance(asked, asked.options[0], candidates(asked, asked.catalogue.nozzles[0]))
    pumps, low = (made.pumps[0],), asked.rules.band_low_pa
    for chosen in combinations(range(made.candidates.count), 2):
        ground = run_layout(made, chosen)
        problem = run_problem(made, Supply(pumps, (0,), ((0,),), (low,)), chosen, ground, ((2,),), 1.0)
        prepared = prepare(problem)
        ours = every_tree(prepared, prepared.root[0], frozenset(prepared.spot), 10_000)
        places = [case.tiny.place_at(*(float(made.candidates.x_m[j]), float(made.candidates.y_m[j]))) for j in chosen]
        theirs = trees(case.tiny.net, case.tiny.net.sites[0], frozenset(case.tiny.net.spot[i] for i in places))
        assert ours is not None and len(ours) == len(theirs) > 0
