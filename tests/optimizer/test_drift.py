"""Limits of drift from scenario to verified design: shares against a second sum, limits met, costs told."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from geometry.geojson import geometry_of
from geometry.ground_raster import ground_raster
from hydraulics.mist.dosage import Nozzles, matrices
from optimizer.appraisal.misted import misted
from optimizer.brief import Schedule
from optimizer.design import Misting, design_text, read_design
from optimizer.drift import OVER, accounts, basis_of, drift_of, drift_shares, mists_of, nozzles_of, wind_of
from optimizer.errors import UnsoundDesign
from optimizer.instance import candidates, instance
from optimizer.mist_basis import DriftLimit, MistBasis, Place, WindAt
from optimizer.progress import never, silent
from optimizer.publish import study_text
from optimizer.scenario import Scenario, read_scenario
from optimizer.solve.calmed import NO_LIMITS
from optimizer.solve.posed import at_any_flows, mist_weights, placement_problem
from optimizer.study import Alternative, Study, StudySettings, study
from optimizer.verify import discrepancies, verify
from tests.optimizer.scenario_files import CATALOGUE, EQUIPPED, SCENARIO, SERVICE, swapped, yard
from tests.optimizer.test_weather import site_with_pond

WIND = """
[[climate.wind]]
blows_from = "W"
speed = "1 m/s"
share = 0.7

[[climate.wind]]
blows_from = "N"
speed = "0.6 m/s"
share = 0.3
"""
WINDY = swapped(SCENARIO, 'wind = "calm"\n', WIND)
DROPS = 'spray_angle = "180 deg"\nspectrum = { dv50 = "90 um", span = 1.0, source = "assumed" }'
SOLD = swapped(CATALOGUE, 'spray_angle = "180 deg"', DROPS)

pytestmark = pytest.mark.xdist_group("drift")  # its study is made once


def scenario(folder: Path, rules: str = "") -> Scenario:
    folder.mkdir(exist_ok=True)
    text = swapped(WINDY, 'setback = "1 m"', f'setback = "1 m"\n{rules}')
    return read_scenario(yard(folder, scenario=text, catalogue=SOLD))


def answered(read: Scenario, points: int = 0) -> Study:
    settings = StudySettings(("one",), workers=1, drift_frontier=points)
    return study(read, settings, silent, never)


@pytest.fixture(scope="module")
def free(tmp_path_factory: pytest.TempPathFactory) -> Study:
    return answered(scenario(tmp_path_factory.mktemp("free")), points=4)


@pytest.fixture(scope="module")
def held(tmp_path_factory: pytest.TempPathFactory, free: Study) -> Study:
    """The same yard, allowed a little more than the least drift of its placements."""
    points = of(free).mist.calm.points  # type: ignore[union-attr]
    allowed = 0.5 * (points[0].drift + points[-1].drift)
    return answered(scenario(tmp_path_factory.mktemp("held"), f"drift_most = {allowed:.4f}"))


def of(found: Study) -> Alternative:
    return found.alternatives[0]


def basis(read: Scenario) -> MistBasis:
    found = basis_of(read, read.options[0])
    assert found is not None
    return replace(found, limits=(DriftLimit(OVER, None, None, 0.5, 0.0),))


def test_what_leaves_is_what_does_not_come_down_on_the_site(tmp_path: Path) -> None:
    """Second calculation: deposit of the plume summed over fine cells inside the boundary."""
    of_yard = basis(scenario(tmp_path))
    at = Nozzles(np.array([4.0, 10.0, 16.0]), np.array([5.0, 5.0, 8.0]), np.array([2.5, 2.5, 2.5]))
    raster = ground_raster(geometry_of(of_yard.boundary), [], 0.1)
    x_m, y_m = (axis[raster.inside.ravel()] for axis in raster.centres_m())
    down = matrices(at, wind_of(of_yard), mists_of(of_yard)[0], x_m, y_m).deposit_per_m2.toarray().sum(axis=1) * 0.01
    assert drift_shares(of_yard, at)[0] == pytest.approx(1.0 - down, abs=0.02)


def test_shares_of_all_places_close_and_the_lee_side_drifts_more(tmp_path: Path) -> None:
    of_yard = basis(scenario(tmp_path))
    at = Nozzles(np.array([2.0, 10.0, 18.0]), np.full(3, 8.0), np.full(3, 2.5))
    for end in accounts(of_yard, (), at):
        assert end.imbalance_share < 1e-6  # asked for by the issue
    west, middle, east = drift_shares(of_yard, at)[0]
    assert west < middle < east


def test_a_design_drifts_as_its_nozzles_by_their_flow(free: Study) -> None:
    design = of(free).design
    assert design is not None and design.mist is not None
    limited = replace(design, mist=replace(design.mist, limits=(DriftLimit(OVER, None, None, 0.5, 0.1),)))
    flow = np.linspace(1.0, 2.0, len(design.nozzles))
    place = {node.id: node for node in design.nodes}
    own = [
        drift_shares(limited.mist or design.mist, Nozzles(*(np.array([v]) for v in where)))[0, 0]
        for where in ((place[n.node].x_m, place[n.node].y_m, n.height_m) for n in design.nozzles)
    ]
    assert drift_of(limited, flow.tolist())[OVER] == pytest.approx(float(flow @ own / flow.sum()) + 0.1)


def test_a_limit_is_met_by_the_placement_and_its_cost_is_told(free: Study, held: Study) -> None:
    alternative, loose = of(held), of(free)
    assert alternative.verified and alternative.mist is not None and loose.mist is not None
    limit = alternative.mist.limits[0]
    assert limit.share <= limit.most + 1e-6 < loose.mist.rose.over_boundary_most
    assert limit.share == pytest.approx(alternative.mist.rose.over_boundary_most, abs=1e-6)
    cost = alternative.mist.calm.cost
    assert cost is not None and cost.value_m2 == alternative.objective_value
    assert alternative.objective_value is not None and loose.objective_value is not None
    assert cost.free_m2 >= cost.value_m2 and alternative.objective_value < loose.objective_value
    assert loose.mist.calm.cost is None and loose.mist.limits == ()


def test_the_bound_holds_with_a_limit(held: Study, free: Study) -> None:
    alternative, loose = of(held), of(free)
    assert alternative.objective_bound is not None and alternative.objective_value is not None
    assert loose.objective_bound is not None
    assert alternative.objective_value <= alternative.objective_bound <= loose.objective_bound * (1.0 + 1e-6)


def test_coverage_rises_with_the_drift_that_is_allowed(free: Study) -> None:
    mist = of(free).mist
    assert mist is not None
    points = mist.calm.points
    assert len(points) > 2 and all(point.value_m2 <= point.bound_m2 * (1.0 + 1e-9) for point in points)
    drift, value = [p.drift for p in points], [p.value_m2 for p in points]
    assert drift == sorted(drift) and value == sorted(value)


def test_design_json_alone_tells_whether_a_limit_is_kept(held: Study, tmp_path: Path) -> None:
    design = of(held).design
    assert design is not None
    (tmp_path / "design.json").write_text(design_text(design), encoding="utf-8")
    read = read_design(tmp_path / "design.json")
    assert verify(read).verified and discrepancies(read) == () and read == design
    data = json.loads(design_text(design))
    data["mist"]["limits"][0]["most"] -= 0.05
    (tmp_path / "design.json").write_text(json.dumps(data), encoding="utf-8")
    tighter = verify(read_design(tmp_path / "design.json"))
    assert not tighter.verified and tighter.drift_faults[0].startswith("over the boundary: up to ")
    data["mist"]["limits"][0]["keep_out"] = "Nowhere"
    (tmp_path / "design.json").write_text(json.dumps(data), encoding="utf-8")
    with pytest.raises(UnsoundDesign, match="mist: "):
        verify(read_design(tmp_path / "design.json"))


def test_the_account_closes_and_stands_in_study_json(held: Study) -> None:
    told = json.loads(study_text(held))["alternatives"][0]["mist"]
    for wind in (*told["winds"], told["rose"]):
        for end in ("no_evaporation", "free_drops"):
            fate = wind[end]
            assert sum(fate["down"]) + fate["over_boundary"] + fate["evaporated"] == pytest.approx(1.0, abs=1e-6)
        assert wind["no_evaporation"]["evaporated"] == 0.0 < wind["free_drops"]["evaporated"]
        assert wind["free_drops"]["carried_over"] > wind["no_evaporation"]["carried_over"]
    assert sum(wind["share"] for wind in told["winds"]) == pytest.approx(1.0)
    mist = of(held).mist
    assert mist is not None and told["volume_m3"] == pytest.approx((of(held).flow_m3_s or 0.0) * told["cycles_s"][0])
    zone = mist.by_place[0]
    assert (zone.name, zone.kind) == ("Lawn", "people zone") and zone.dosage_s > 0.0 < zone.deposit_m
    assert mist.grid.dosage_s.shape == mist.grid.deposit_m.shape and float(mist.grid.deposit_m.min()) >= 0.0


def test_shares_of_a_nozzle_do_not_depend_on_the_others(tmp_path: Path) -> None:
    """To the last bit: what is known of a position stays the same whatever else was asked before."""
    of_yard = basis(scenario(tmp_path))
    x, y, height = np.array([2.0, 10.25, 18.0]), np.array([-0.4, 5.0, 10.4]), np.array([2.5, 2.5, 3.1])
    together = accounts(of_yard, (), Nozzles(x, y, height))[0].gone_share
    for k in range(3):
        alone = accounts(of_yard, (), Nozzles(x[k : k + 1], y[k : k + 1], height[k : k + 1]))[0].gone_share
        assert np.array_equal(alone[0], together[k])


def test_bounds_know_of_every_flow_inside_the_band(tmp_path: Path) -> None:
    """Source: random flows inside the band; whatever meets the limit by them meets the row that bounds reckon with."""
    read = scenario(tmp_path, "drift_most = 0.6")
    option = read.options[0]
    posed = instance(read, option, candidates(read, read.nozzle_of(option)))
    problem = placement_problem(posed)
    own, loose = (one.drifts[0].excess for one in (problem, at_any_flows(posed, problem)))
    low, high = (float(posed.nozzle.curve.flow_m3_s(p)) for p in (read.rules.band_low_pa, read.rules.band_high_pa))
    draw, met = np.random.default_rng(7), 0
    for _ in range(2000):
        chosen = draw.random(own.size) < draw.random()
        ends = np.where(draw.random(own.size) < 0.5, low, high)
        flow = ends if draw.random() < 0.5 else draw.uniform(low, high, own.size)
        if chosen.any() and float((flow * own)[chosen].sum()) <= 0.0:
            met += 1
            assert float(loose[chosen].sum()) <= 1e-12
    assert met > 50 and (loose <= own).all()


def test_limits_of_the_worst_wind_and_of_a_keep_out_are_kept(tmp_path: Path) -> None:
    site = site_with_pond(drift_most=0.004)
    text = swapped(WINDY, 'setback = "1 m"', 'setback = "0 m"\ndrift_most_any_wind = 0.8')
    read = read_scenario(yard(tmp_path, scenario=text, catalogue=SOLD, site=site))
    alternative = of(answered(read))
    assert alternative.verified and alternative.mist is not None and alternative.design is not None
    share = {limit.name: limit.share for limit in alternative.mist.limits}
    assert len(share) == 3 and share["into Pond"] <= 0.004 + 1e-6
    worst = alternative.mist.worst
    assert worst.over_boundary_most <= 0.8 + 1e-6
    assert max(v for k, v in share.items() if k != "into Pond") == pytest.approx(worst.over_boundary_most, abs=1e-6)
    assert share["into Pond"] == pytest.approx(alternative.mist.rose.no_evaporation.down[0], abs=1e-6)


def test_no_placement_keeps_a_limit_that_every_position_passes(tmp_path: Path) -> None:
    alternative = of(answered(scenario(tmp_path, "drift_most = 0.13")))
    assert alternative.status == "no_design" and alternative.reason is not None
    assert "at every position more mist may drift over the boundary than the 13 % allowed" in alternative.reason


def test_ground_that_two_keep_outs_share_counts_in_both(tmp_path: Path) -> None:
    """The same square twice, and again as part of a wider one that stands first."""
    plain = basis(scenario(tmp_path))
    small, wide = (Place(name, {"type": "Polygon", "coordinates": [[(x, 4.0), (18.0, 4.0), (18.0, 8.0), (x, 8.0)]]})
                   for name, x in (("pond", 14.0), ("bank", 10.0)))
    limits = tuple(DriftLimit(f"into {name}", name, None, 0.5, 0.0) for name in ("bank", "pond", "again"))
    both = replace(plain, keep_outs=(wide, small, replace(small, name="again")), limits=limits)
    alone = replace(plain, keep_outs=(small,), limits=limits[1:2])
    at = Nozzles(np.array([4.0, 10.0, 16.0]), np.array([5.0, 5.0, 8.0]), np.array([2.5, 2.5, 2.5]))
    bank, pond, again = drift_shares(both, at)
    assert np.array_equal(pond, drift_shares(alone, at)[0]) and np.array_equal(pond, again)
    assert (bank >= pond).all() and bank[0] > pond[0] > 0.0


def test_winds_of_nearly_one_bearing_have_limits_of_their_own(tmp_path: Path) -> None:
    text = swapped(WINDY, 'blows_from = "N"\nspeed = "0.6 m/s"', 'blows_from = 270.3\nspeed = "1 m/s"')
    text = swapped(text, 'setback = "1 m"', 'setback = "1 m"\ndrift_most_any_wind = 0.9')
    read = read_scenario(yard(tmp_path, scenario=text, catalogue=SOLD))
    found = basis_of(read, read.options[0])
    assert found is not None and len({limit.name for limit in found.limits}) == len(found.winds) == 2


def test_nozzles_weigh_by_how_long_they_mist(free: Study, tmp_path: Path) -> None:
    """By hand: half of the nozzles on a circuit of 3 cycles of 60 s, the others of 2 of 15 s, 6 to 1."""
    design = of(free).design
    assert design is not None and design.mist is not None
    limits = (DriftLimit(OVER, None, None, 0.5, 0.0),)
    circuits = ["A" if k % 2 else "B" for k in range(len(design.nozzles))]
    split = replace(
        design,
        mist=replace(design.mist, limits=limits),
        nozzles=tuple(replace(n, circuit=c) for n, c in zip(design.nozzles, circuits, strict=True)),
        misting=(Misting("A", "late", 3, 60.0), Misting("B", "early", 2, 15.0)),
    )
    own = drift_shares(split.mist or design.mist, nozzles_of(split))[0]
    weight = np.array([6.0 if circuit == "A" else 1.0 for circuit in circuits])
    assert drift_of(split, [1e-6] * len(circuits))[OVER] == pytest.approx(float(weight @ own / weight.sum()))
    read = scenario(tmp_path, "drift_most = 0.6")
    served = replace(read_service(tmp_path), schedules=(Schedule("A", (), 3, 60.0), Schedule("B", (), 2, 15.0)))
    posed = instance(read, read.options[0], candidates(read, read.nozzle_of(read.options[0])))
    group = np.arange(posed.candidates.count) % 2
    grouped = replace(posed.candidates, groups=("A", "B"), group=group)
    longer = replace(posed, scenario=replace(read, service=served.service, schedules=served.schedules))
    mixed = replace(longer, candidates=grouped)
    assert mist_weights(mixed) == pytest.approx(np.where(group == 0, 1.0, 1.0 / 6.0))
    even, uneven = (placement_problem(one).drifts[0].excess for one in (posed, mixed))
    assert uneven == pytest.approx(even * mist_weights(mixed))


def test_winds_beyond_what_the_bias_was_tested_for_are_told(free: Study, tmp_path: Path) -> None:
    design, read = of(free).design, scenario(tmp_path)
    assert design is not None
    posed = instance(read, read.options[0], candidates(read, read.nozzle_of(read.options[0])))
    strong = replace(basis(read), winds=(WindAt(270.0, 4.0, 1.0),), limits=())
    light = replace(strong, winds=basis(read).winds)
    told = [misted(posed, replace(design, mist=one), NO_LIMITS) for one in (light, strong)]
    assert [any("above 3 m/s" in words for words in one.assumed) for one in told if one] == [False, True]


def read_service(folder: Path) -> Scenario:
    return read_scenario(yard(folder, scenario=SCENARIO + SERVICE, catalogue=EQUIPPED))
