"""Where reducers go at known flows, against enumeration: every reducer at every outlet on every link of small trees.

The law of a reducer (its outlet, or its inlet less its loss where that is less) is written down here once more.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping

import numpy as np
import pytest

from optimizer.equipment import Reducer
from optimizer.solve.reducing import Reach, Setting, Tree, settings

CHEAP = Reducer("coarse", 4e4, 1e-5, 20.0, 8e5, 12e5, 2e5)
FINE = Reducer("fine", 2e4, 1e-5, 45.0, 7.5e5, 12.5e5, 1e5)


def pressures(tree: Tree, chosen: Mapping[str, tuple[Reducer, float]]) -> dict[str, float]:
    found = {tree.start: tree.inlet_pa}
    for reach in tree.reaches:
        start = found[reach.start]
        if reach.name in chosen:
            reducer, outlet = chosen[reach.name]
            start = min(outlet, start - reducer.loss_pa * (reach.flow_m3_s / reducer.loss_flow_m3_s) ** 2)
        found[reach.end] = start - reach.drop_pa
    return found


def kept(tree: Tree, chosen: Mapping[str, tuple[Reducer, float]]) -> bool:
    found = pressures(tree, chosen)
    return all(low <= found[node] <= high for node, (low, high) in tree.band_pa.items())


def cheapest(tree: Tree, reducers: tuple[Reducer, ...]) -> float | None:
    """Least price over every choice, by enumeration."""
    able = [reach.name for reach in tree.reaches if not reach.fixed]
    on_sale = [None, *((one, outlet) for one in reducers for outlet in one.outlets_pa)]
    prices = []
    for choice in itertools.product(on_sale, repeat=len(able)):
        chosen = {name: what for name, what in zip(able, choice, strict=True) if what is not None}
        if kept(tree, chosen):
            prices.append(sum(reducer.price for reducer, _ in chosen.values()))
    return min(prices, default=None)


def random_tree(seed: int, links: int) -> Tree:
    """Rising and falling links, some nozzles; the first link stands for the inside of the pump."""
    rng = np.random.default_rng(seed)
    reaches = [Reach("L1", "n0", "n1", 2e4, 1e-5, fixed=True)]
    for i in range(2, links + 1):
        start = int(rng.integers(1, i))
        drop, flow = float(rng.uniform(-3.5e5, 2.5e5)), float(rng.uniform(0, 1.5e-5))
        reaches.append(Reach(f"L{i}", f"n{start}", f"n{i}", drop, flow))
    band = {f"n{i}": (8e5, 11.5e5) for i in range(1, links + 1) if rng.random() < 0.7}
    return Tree("n0", float(rng.uniform(9e5, 14e5)), tuple(reaches), band)


@pytest.mark.parametrize("reducers", [(CHEAP,), (FINE,), (CHEAP, FINE)], ids=["coarse", "fine", "both"])
def test_as_cheap_as_by_enumeration(reducers: tuple[Reducer, ...]) -> None:
    """Trees of five links, four of them free: what is chosen keeps the band, at the least price that any choice has."""
    answers = []
    for seed in range(150 if len(reducers) == 1 else 25):
        tree = random_tree(seed, 5)
        found, least = settings(tree, reducers), cheapest(tree, reducers)
        assert (found is None) == (least is None), seed
        if found is not None:
            assert kept(tree, {setting.link: (setting.reducer, setting.outlet_pa) for setting in found}), seed
            assert sum(setting.reducer.price for setting in found) == pytest.approx(least), seed
            answers.append(len(found))
    assert set(answers) >= {0, 1, 2}


def test_one_branch_in_a_valley_by_hand() -> None:
    """From 12 bar one branch falls to 14 bar, the other rises to 10: a reducer at the start of the first, since one
    before both would starve the second. 8 to 11.5 bar below a fall of 2: outlets 6 to 9.5, the middle 8 (7.75)."""
    band = {"down": (8e5, 11.5e5), "up": (8e5, 11.5e5)}
    reaches = (Reach("trunk", "pump", "tee", 0.0, 2e-5), Reach("fall", "tee", "down", -2e5, 1e-5),
               Reach("rise", "tee", "up", 2e5, 1e-5))
    tree = Tree("pump", 12e5, reaches, band)
    wide = Reducer("wide", 2e4, 1e-5, 30.0, 5e5, 12e5, 1e5)
    assert settings(tree, (wide,)) == (Setting("fall", wide, 8e5),)
    assert settings(tree, ()) is None


def test_one_before_the_branching_where_that_serves_all() -> None:
    reaches = (Reach("trunk", "pump", "tee", 0.0, 2e-5), *(Reach(n, "tee", n, 1e4, 1e-5) for n in ("a", "b", "c")))
    tree = Tree("pump", 13e5, reaches, dict.fromkeys(("a", "b", "c"), (8e5, 11.5e5)))
    found = settings(tree, (FINE,))
    assert found is not None
    assert [(setting.link, setting.reducer.name) for setting in found] == [("trunk", "fine")]


def test_a_valley_in_the_middle_of_a_run_is_beyond_reducers() -> None:
    """What lies beyond the valley needs the pressure that the valley's own nozzle must not have."""
    reaches = (Reach("fall", "pump", "valley", -4e5, 1e-5), Reach("rise", "valley", "hill", 4e5, 1e-5))
    tree = Tree("pump", 9e5, reaches, {"valley": (8e5, 11.5e5), "hill": (8e5, 11.5e5)})
    assert settings(tree, (CHEAP, FINE)) is None


def test_a_long_row_is_quick() -> None:
    """400 nozzles down a hill in eight rows that each end 1.2 bar above the band, which is 1.5 bar wide: one each."""
    reaches, band = [], {}
    for row in range(8):
        for i in range(50):
            node = f"{row}-{i}"
            reaches.append(Reach(node, f"{row}-{i - 1}" if i else "pump", node, -3e3 - 20 * i, 1e-6))
            band[node] = (8e5, 9.5e5 + 1e3 * row)
    found = settings(Tree("pump", 9e5, tuple(reaches), band), (CHEAP, FINE))
    assert found is not None
    assert len(found) == 8
