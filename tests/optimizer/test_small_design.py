"""Finished designs of an invented garden, checked by hand: fittings, room, spacing, bill, heights, random points.

Nothing here is read back from the code under test but the designs themselves: losses, prices and flows are those of
tests/optimizer/scenario_files.py as a reader would work them out, areas come from random points and cross products.
"""

from __future__ import annotations

import itertools
import math
from collections import Counter, defaultdict
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from shapely import union_all

from optimizer.design import Design
from optimizer.instance import candidates, instance, nozzles_at_most, nozzles_within, usable_m3_s
from optimizer.progress import never, silent
from optimizer.scenario import Scenario, read_scenario
from optimizer.solve.posed import placement_problem
from optimizer.study import Alternative, StudySettings, study
from optimizer.verify import verify
from tests.optimizer.garden_site import feature, garden
from tests.optimizer.scenario_files import CATALOGUE, SCENARIO, swapped, yard

TEXT = swapped(SCENARIO, 'step = "0.5 m"', 'step = "1 m"')
TEXT += """
[[option]]
name = "pair"
title = "Two pumps"
pumps = 2
nozzle = "N1"
tubing_sizes = 2
"""
SHOP = swapped(CATALOGUE, 'delivery = "2 L/min"', 'delivery = "0.3 L/min"')
USABLE_ML_MIN = 0.85 * 300
TEE_RUN, TEE_BRANCH, ELBOW, ENTRANCE = 0.6, 1.8, 0.9, 0.5
ALLOWANCE, SPACING_M, REACH_M = 1.05, 2.0, 3.0
G = 9.80665
Array = np.ndarray


def read(folder: Path, shed_m: float = 0.0, barn: bool = True) -> Scenario:
    """The garden, the shed this high above the ground of the nozzles; shed and barn, if any, each lack something."""
    site = garden()
    shed = site["features"][-1]
    assert shed["properties"]["name"] == "Shed"
    if barn:
        site["features"].append(feature("pump_site", "Point", [22, 18], name="Barn", power={"cost": 700}))
    shed["geometry"]["coordinates"].append(shed_m)
    shed["properties"]["water"] = {"cost": 300}
    return read_scenario(yard(folder, scenario=TEXT, catalogue=SHOP, site=site))


@pytest.fixture(scope="module")
def scenario(tmp_path_factory: pytest.TempPathFactory) -> Scenario:
    return read(tmp_path_factory.mktemp("garden"))


@pytest.fixture(scope="module")
def answered(scenario: Scenario) -> tuple[Alternative, ...]:
    return study(scenario, StudySettings(workers=1), silent, never).alternatives


@pytest.fixture(scope="module")
def designs(answered: tuple[Alternative, ...]) -> tuple[Design, ...]:
    return tuple(a.design for a in answered if a.design is not None and a.verified)


def places(design: Design) -> dict[str, Array]:
    return {node.id: np.array([node.x_m, node.y_m, node.z_m]) for node in design.nodes}


def turn_deg(before: Array, after: Array) -> float:
    cosine = before @ after / (np.linalg.norm(before) * np.linalg.norm(after))
    return math.degrees(math.acos(max(-1.0, min(1.0, float(cosine)))))


def onward(design: Design) -> Counter[str]:
    return Counter(link.from_ for link in design.links)


def turns(design: Design) -> dict[str, float]:
    """By link id, the angle to the link that feeds it; none for what starts at the pump unit."""
    at, found = places(design), {}
    into = {link.to: link for link in design.links if link.tubing != "manifold"}
    for link in design.links:
        if link.from_ in into:
            before = into[link.from_]
            found[link.id] = turn_deg(at[before.to] - at[before.from_], at[link.to] - at[link.from_])
    return found


def test_all_options_are_verified(designs: tuple[Design, ...]) -> None:
    assert [d.option for d in designs] == ["one", "any", "pair"]
    assert [[len(pump.circuits) for pump in d.pumps] for d in designs] == [[1], [2], [1, 1]]


def test_every_fitting_is_in_the_file(designs: tuple[Design, ...]) -> None:
    """One way on: an elbow where it turns over 30 degrees. More, a nozzle counted: tee run under 45, else branch.

    An elbow under a last nozzle; the entrance at the pump unit. A tee's loss dropped or misread shows in one link.
    """
    for design in designs:
        ways, angle = onward(design), turns(design)
        fed = {nozzle.node for nozzle in design.nozzles}
        for link in design.links:
            if link.tubing == "manifold":
                continue
            expected = ENTRANCE
            if link.id in angle:
                expected = ELBOW if angle[link.id] > 30.0 else 0.0
                if ways[link.from_] + (link.from_ in fed) > 1:
                    expected = TEE_RUN if angle[link.id] < 45.0 else TEE_BRANCH
            expected += ELBOW if ways[link.to] == 0 else 0.0
            assert link.minor_k == pytest.approx(expected), link.id


def test_the_unit_loses_what_filter_valve_and_manifold_lose(designs: tuple[Design, ...]) -> None:
    """0.2 bar at 4, 0.1 and 0.05 bar at 2 L/min, all growing with the square of the flow; here at 0.2 L/min."""
    loss_pa = 0.2e5 * (0.2 / 4) ** 2 + 0.15e5 * (0.2 / 2) ** 2
    for design in designs:
        for link in design.links:
            if link.tubing == "manifold":
                velocity = 0.2e-3 / 60 / (math.pi / 4 * link.bore_m**2)
                assert link.minor_k * 998.2 * velocity**2 / 2 == pytest.approx(loss_pa, rel=1e-3)


def test_lengths_are_those_of_the_ground_with_the_allowance(designs: tuple[Design, ...]) -> None:
    for design in designs:
        at = places(design)
        for link in design.links:
            if link.tubing != "manifold":
                way = at[link.to] - at[link.from_]
                upright = np.hypot(*way[:2]) < 1e-6
                assert link.length_m == pytest.approx(np.linalg.norm(way) * (1.0 if upright else ALLOWANCE), abs=1e-6)


def test_the_bill_by_hand(answered: tuple[Alternative, ...]) -> None:
    """Ground that two tubes share is paid once, tubing each time, one unit a pump and one valve a circuit."""
    for alternative in answered:
        design = alternative.design
        assert design is not None
        at, ways, angle = places(design), onward(design), turns(design)
        fed = {nozzle.node for nozzle in design.nozzles}
        tubes = [link for link in design.links if link.tubing != "manifold"]
        starts = {link.to for link in design.links if link.tubing == "manifold"}
        dug = {
            frozenset(tuple(np.round(at[end][:2], 6)) for end in (link.from_, link.to))
            for link in tubes
            if at[link.from_][2] == at[link.to][2] == 0.0
        }
        points = starts | {link.to for link in tubes}
        bends = [link for link in tubes if link.id in angle and ways[link.from_] == 1 and link.from_ not in fed]
        expected: dict[str, float] = {
            "N1": 10.0 * len(design.nozzles),
            "trench in lawn": 8.0 * sum(math.dist(*pair) for pair in dug),
            "tee": 4.0 * (len(fed) + sum(max(0, ways[point] - 1) for point in points)),
            "elbow": 3.0 * sum(angle[link.id] > 30.0 for link in bends),
            "plug": 1.25 * sum(ways[point] == 0 for point in points),
            "P1": 2000.0 * len(design.pumps),
            "F1": 90.0 * len(design.pumps),
            "V1": 60.0 * sum(len(pump.circuits) for pump in design.pumps),
            "water at Shed": 300.0 * ("Shed" in {pump.site for pump in design.pumps}),
            "power at Barn": 700.0 * ("Barn" in {pump.site for pump in design.pumps}),
        }
        for name, price in (("T4", (1.5, 2.0)), ("T6", (2.5, 2.25))):
            metres = sum(link.length_m for link in tubes if link.tubing == name)
            expected |= {f"tubing {name}": price[0] * metres, f"fixing of tubing {name}": price[1] * metres}
        billed = {line.item: line.amount for line in alternative.quantities if line.item != "coupling"}
        assert billed == pytest.approx({item: amount for item, amount in expected.items() if amount > 0}, rel=1e-6)


def test_no_circuit_draws_more_than_the_reserve_leaves(designs: tuple[Design, ...]) -> None:
    """Bench reading of the catalogue: 48 mL/min at 14 bar, square root above 5 bar; 85 % of 300 mL/min."""
    for design in designs:
        drawn: dict[str, float] = defaultdict(float)
        for nozzle in design.nozzles:
            drawn[nozzle.circuit] += 48.0 * math.sqrt((nozzle.pressure_pa / 1e5 - 5.0) / 9.0)
        assert max(drawn.values()) <= USABLE_ML_MIN + 1e-6


def test_most_nozzles_of_an_option_by_hand(scenario: Scenario) -> None:
    """Each draws 48 sqrt(7 / 9) = 42.3 mL/min at least, so 255 mL/min feed six, two circuits or pumps twelve."""
    assert [nozzles_at_most(scenario, option) for option in scenario.options] == [6, 12, 12]


def test_room_of_a_circuit_by_hand(scenario: Scenario) -> None:
    """At 42.3 mL/min six nozzles, 253.99 of 255; at 42.6 mL/min five."""
    option = scenario.options[0]
    made = instance(scenario, option, candidates(scenario, scenario.nozzle_of(option)))
    flows_ml_min = (48.0 * math.sqrt(7 / 9), 42.6)
    usable = usable_m3_s(scenario.rules, made.pumps[0], 15e5)
    room = [nozzles_within(usable, ml_min * 1e-6 / 60) for ml_min in flows_ml_min]
    assert room == [6, 5]


def test_half_a_nozzle_over_the_reserve_is_a_fault(designs: tuple[Design, ...]) -> None:
    for design in designs:
        fullest = max(verify(design).flow_m3_s.values())
        one = max(nozzle.flow_m3_s for nozzle in design.nozzles)
        for over, faulty in ((one / 2, True), (-one / 2, False)):
            pumps = tuple(replace(pump, capacity_m3_s=(fullest - over) / 0.85) for pump in design.pumps)
            assert bool(verify(replace(design, pumps=pumps)).pump_faults) is faulty


def test_spacing_holds_for_exactly_the_pairs_that_are_too_close(scenario: Scenario) -> None:
    """Least 2 m on a step of 1 m: one step apart is too close, two steps are not; round the house too, and between
    lines, in plan, where footprints share ground of a zone."""
    option = scenario.options[0]
    found = candidates(scenario, scenario.nozzle_of(option))
    problem = placement_problem(instance(scenario, option, found))
    barred = {pair for window in problem.spacing for pair in itertools.combinations(sorted(window), 2)}
    around = {i: line.line.length if line.closed else math.inf for i, line in enumerate(scenario.site.lines)}
    zones = union_all([zone.polygon for zone in scenario.site.zones])
    crossing = 0
    for a, b in itertools.combinations(range(found.count), 2):
        apart = abs(found.chainage_m[a] - found.chainage_m[b])
        apart = min(apart, around[int(found.line[a])] - apart)
        along = bool(found.line[a] == found.line[b] and apart < SPACING_M - 1e-6)
        straight = math.dist((found.x_m[a], found.y_m[a]), (found.x_m[b], found.y_m[b]))
        common = found.polygons[a].intersection(found.polygons[b]).intersection(zones).area
        if along or straight >= SPACING_M - 1e-6 or common == 0.0:
            assert ((a, b) in barred) is along
        elif common > 0.1:
            assert (a, b) in barred
            crossing += 1
    assert crossing > 0


@pytest.mark.parametrize("shed_m", [-20.0, 15.0])
def test_a_pump_far_below_or_above_is_set_by_the_height(shed_m: float, tmp_path: Path) -> None:
    """Still water: set pressure less rho g rise is what a nozzle gets at most; the band is 12 to 15 bar."""
    (found,) = study(
        read(tmp_path, shed_m, barn=False), StudySettings(options=("one",), workers=1), silent, never
    ).alternatives
    assert found.verified and found.design is not None and len(found.design.nozzles) >= 4
    assert found.design.pumps[0].site == "Shed"
    still = found.design.pumps[0].set_pressure_pa - 998.2 * G * (2.5 - shed_m)
    assert 12e5 <= still <= 15.05e5
    for nozzle in found.design.nozzles:
        assert 12e5 <= nozzle.pressure_pa <= still


def test_covered_area_is_that_of_random_points(answered: tuple[Alternative, ...]) -> None:
    """Monte Carlo, 600,000 points, by distance, bearing and sight past house and hedge: 5 standard deviations.

    Lawn with the house as its hole, the terrace within it counted once, footprints that overlap and meet the fence.
    """
    points = np.random.default_rng(11).uniform((0, 0), (30, 20), (600_000, 2))
    in_lawn = within(points, 1, 1, 29, 19) & ~within(points, 12, 8, 18, 13)
    ground = points[in_lawn | within(points, 8, 3, 20, 8)]
    for alternative in answered:
        design = alternative.design
        assert design is not None and alternative.covered_area_m2 is not None
        at, wet = places(design), np.zeros(len(ground), dtype=bool)
        for nozzle in design.nozzles:
            away = ground - at[nozzle.node][:2]
            bearing = math.radians(nozzle.azimuth_deg)
            ahead = away @ np.array([math.sin(bearing), math.cos(bearing)])
            near = np.flatnonzero((np.hypot(*away.T) < REACH_M) & (ahead > 0))
            wet[near] |= seen(at[nozzle.node][:2], ground[near])
        share = wet.sum() / len(points)
        deviation = 600 * math.sqrt(share * (1 - share) / len(points))
        assert alternative.covered_area_m2 == pytest.approx(600 * share, abs=5 * deviation)


def within(points: Array, x0: float, y0: float, x1: float, y1: float) -> Array:
    return (points > (x0, y0)).all(axis=1) & (points < (x1, y1)).all(axis=1)


def seen(eye: Array, targets: Array) -> Array:
    """Whether the straight way to each target crosses no wall of the house (5 m) or the hedge (3 m)."""
    free = np.ones(len(targets), dtype=bool)
    for x0, y0, x1, y1 in ((12, 8, 18, 13), (6, 16.5, 9, 17)):
        corners = np.array([(x0, y0), (x1, y0), (x1, y1), (x0, y1), (x0, y0)], dtype=float)
        for p, q in itertools.pairwise(corners):
            side = area(targets - eye, p - eye) * area(targets - eye, q - eye) < 0
            free &= ~(side & (area(q - p, eye - p) * area(q - p, targets - p) < 0))
    return free


def area(a: Array, b: Array) -> Array:
    return a[..., 0] * b[..., 1] - a[..., 1] * b[..., 0]
