"""Bounds on what pressure a position can get, against planted designs: trees and states of a calculation beside."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from geometry.corridors import corridors
from optimizer.errors import NoDesign
from optimizer.instance import Instance, candidates, instance
from optimizer.placement.place import place
from optimizer.solve.posed import placement_problem, shared_out
from optimizer.solve.servable import highest_pressures_pa, servable, ways_m, without
from optimizer.solve.supply import Supply
from tests.benchmarks.planted import tubes
from tests.benchmarks.planted.files import BAR, read
from tests.benchmarks.planted.planting import Planted, planted

SEEDS = range(12)


def instance_of(found: Planted, folder: Path) -> Instance:
    scenario = read(found.case, folder)
    return instance(scenario, scenario.options[0], candidates(scenario, scenario.catalogue.nozzle("N")))


def everywhere(asked: Instance, set_bar: float) -> Supply:
    """A pump at every site, at one set pressure."""
    sites = tuple(range(len(asked.scenario.site.pump_sites)))
    groups = ((0,) * asked.option.circuits,) * len(sites)
    return Supply((asked.pumps[0],) * len(sites), sites, groups, (set_bar * BAR,) * len(sites))


def chosen(found: Planted, asked: Instance) -> list[int]:
    """The planted nozzles among the candidates."""
    lines, of = asked.scenario.site.lines, asked.candidates
    at = {(lines[i].name, round(float(s), 6)): j for j, (i, s) in enumerate(zip(of.line, of.chainage_m, strict=True))}
    return [at[name, round(s, 6)] for name, s in found.nozzles]


@pytest.mark.parametrize("seed", SEEDS)
def test_no_planted_nozzle_gets_more_than_the_bound(seed: int, tmp_path: Path) -> None:
    found = planted(seed)
    asked = instance_of(found, tmp_path)
    most = highest_pressures_pa(asked, everywhere(asked, found.set_bar)).max(axis=0)[chosen(found, asked)]
    assert (np.sort(most) >= np.sort(np.array(found.pressures_bar) * BAR) - 1e-3).all()


@pytest.mark.parametrize("seed", SEEDS)
def test_ways_are_as_long_as_by_dijkstra_of_its_own(seed: int, tmp_path: Path) -> None:
    asked = instance_of(planted(seed), tmp_path)
    of, site = asked.candidates, asked.scenario.site
    graph = corridors(site, asked.scenario.rules.routing_allowance)
    net = tubes.ways(graph, of.line.tolist(), of.chainage_m.tolist(), of.z_m.tolist())
    own = [j for j, point in enumerate(net.spot) if point >= 0]
    for number, found in enumerate(ways_m(of, range(len(net.sites)))):
        lengths, _ = tubes.shortest(net, net.sites[number])
        expected = [lengths.get(net.spot[j], np.inf) for j in own]
        assert found[own] == pytest.approx(expected, abs=1e-6)


def test_at_too_low_a_set_pressure_no_position_is_left(tmp_path: Path) -> None:
    asked = instance_of(planted(1), tmp_path)
    with pytest.raises(NoDesign, match="too high or too far") as refusal:
        servable(asked, placement_problem(asked), everywhere(asked, 6.0))
    assert refusal.value.rule == "band"


def test_what_is_left_out_is_chosen_no_more(tmp_path: Path) -> None:
    base = shared_out(placement_problem(asked := instance_of(planted(1), tmp_path)), asked, (5,))
    chosen = place(base).chosen
    less = without(without(base, chosen[:1]), chosen[1:2])
    assert less.barred == chosen[:2]
    assert not set(place(less).chosen).intersection(chosen[:2])
