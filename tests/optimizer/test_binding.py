"""What rules have left in a design: reckoned anew from the design's own file and the scenario's figures."""

from __future__ import annotations

import re
from dataclasses import fields, replace
from pathlib import Path

import pytest
from shapely import union_all

from optimizer.appraisal.binding import Slack, slacks
from optimizer.protection import Stated
from optimizer.solve.assemble import Layout
from optimizer.solve.priced import priced
from optimizer.solve.trial import Trial
from optimizer.verify import verify
from tests.optimizer.garden_trial import SET_PA, garden_trial

README = Path(__file__).resolve().parents[2] / "README.md"
RESERVE = 0.15


pytestmark = pytest.mark.xdist_group("binding")  # its trial is made once


@pytest.fixture(scope="module")
def trial(tmp_path_factory: pytest.TempPathFactory) -> Trial:
    return garden_trial(tmp_path_factory.mktemp("garden"))


def of(found: tuple[Slack, ...], rule: str) -> list[Slack]:
    return [slack for slack in found if slack.rule == rule]


def with_layout(trial: Trial, **changes: object) -> Trial:
    return replace(trial, layout=replace(trial.layout, **changes))  # type: ignore[arg-type]


def with_rules(made: Layout, **changes: object) -> Layout:
    scenario = made.instance.scenario
    rules = replace(scenario.rules, **changes)  # type: ignore[arg-type]
    return replace(made, instance=replace(made.instance, scenario=replace(scenario, rules=rules)))


@pytest.mark.parametrize(("room", "binds"), [(0.3, True), (0.99, True), (1.01, False), (2.5, False)])
def test_capacity_binds_where_not_one_more_nozzle_fits(trial: Trial, room: float, binds: bool) -> None:
    """The pump's delivery is made just so much: (1 - reserve) delivery = flow + room x mean flow of a nozzle."""
    flow = sum(nozzle.flow_m3_s for nozzle in trial.design.nozzles)
    mean = flow / len(trial.design.nozzles)
    pump = replace(trial.layout.pumps[0], delivery_m3_s=(flow + room * mean) / (1.0 - RESERVE))
    (slack,) = of(slacks(with_layout(trial, pumps=(pump,)), 5.0), "reserve")
    assert slack.slack == pytest.approx(room) and slack.binds == binds
    assert (slack.at, slack.unit) == ("C1", "nozzles") and f"room for {room:.1f} nozzles" in slack.words


def test_the_band_binds_at_the_nozzles_of_least_and_most_pressure(trial: Trial) -> None:
    """Edges of the scenario's band: 12 and 15 bar; a step of the set pressure is 0.25 bar."""
    state = verify(trial.design)
    found = slacks(trial, 5.0)
    (low,), (high,) = of(found, "band.low"), of(found, "band.high")
    assert low.slack == pytest.approx(state.min_pressure_pa - 12e5)
    assert high.slack == pytest.approx(15e5 - state.max_pressure_pa)
    assert low.binds == (low.slack < 0.25e5) and high.binds == (high.slack < 0.25e5)
    pressure = {nozzle.id: nozzle.pressure_pa for nozzle in trial.design.nozzles}
    assert pressure[low.at] == min(pressure.values()) and pressure[high.at] == max(pressure.values())
    assert low.words.startswith(low.at) and "above its low edge" in low.words


def test_set_pressures_at_the_ends_of_their_range_bind(trial: Trial) -> None:
    """The range: rules 12.5 to 15.5 bar, pump 10 to 16 bar, band's top 15 bar for nozzles 2.5 m above the pump's
    ground: no nozzle lies below the pump, so 15 bar is the highest."""
    for set_pa, up, down in ((12.5e5, 2.5e5, 0.0), (SET_PA, 1e5, 1.5e5), (15e5, 0.0, 2.5e5), (14.75e5, 0.25e5, 2.25e5)):
        pumps = tuple(replace(pump, set_pressure_pa=set_pa) for pump in trial.layout.problem.pumps)
        found = slacks(with_layout(trial, problem=replace(trial.layout.problem, pumps=pumps)), 5.0)
        (high,), (low,) = of(found, "set_pressure.high"), of(found, "set_pressure.low")
        assert (high.slack, low.slack) == pytest.approx((up, down), abs=1.0)
        assert (high.binds, low.binds) == (up == 0.0, down == 0.0)
        assert ("the highest set pressure that may be" in high.words) == (up == 0.0)


def test_tubing_sizes_bind_where_no_further_one_may_be_used(trial: Trial) -> None:
    """Two are on offer: where both are used there is nothing to bind; with one allowed and used it binds."""
    made = trial.layout
    one = tuple(replace(c, pieces=tuple(replace(use, tubing=0) for use in c.pieces)) for c in made.plan.circuits)
    plain = with_layout(trial, plan=replace(made.plan, circuits=one), problem=replace(made.problem, sizes_at_most=1))
    (slack,) = of(slacks(plain, 5.0), "tubing_sizes")
    assert slack.slack == 0.0 and slack.binds
    (slack,) = of(slacks(with_layout(plain, problem=replace(made.problem, sizes_at_most=2)), 5.0), "tubing_sizes")
    assert slack.slack == 1.0 and not slack.binds


def test_run_rules_bind_by_the_longest_run_and_the_fullest(trial: Trial) -> None:
    """Metres from the pump along the links of the design, nozzles counted by the names of their runs."""
    far = {"P1": 0.0}
    links = list(trial.design.links)
    while links:
        link = next(one for one in links if one.from_ in far)
        far[link.to] = far[link.from_] + (0.0 if link.tubing == "manifold" else link.length_m)
        links.remove(link)
    longest = max(far.values())
    counts = [nozzle.run for nozzle in trial.design.nozzles]
    fullest = max(map(counts.count, counts))
    made = with_rules(trial.layout, run_longest_m=longest / 0.992, run_nozzles_most=fullest + 1)
    found = slacks(replace(trial, layout=made), 5.0)
    (length,) = of(found, "run_longest")
    assert length.slack == pytest.approx(longest / 0.992 - longest) and length.binds  # 0.8 % of it
    nozzles = {slack.at: slack for slack in of(found, "run_nozzles_most")}
    assert set(nozzles) == set(counts)
    assert min(slack.slack for slack in nozzles.values()) == 1.0 and not any(s.binds for s in nozzles.values())
    made = with_rules(trial.layout, run_longest_m=longest / 0.98, run_nozzles_most=fullest)
    found = slacks(replace(trial, layout=made), 5.0)
    assert not of(found, "run_longest")[0].binds and any(slack.binds for slack in of(found, "run_nozzles_most"))


def test_circuits_of_a_pump_out_of_balance_by_less_than_a_nozzle_bind(tmp_path: Path) -> None:
    """Least flow f, greatest F: f - (1 - share) F in nozzles; the share is set for 0.9 and for 1.1 to be left."""
    trial = garden_trial(tmp_path, circuits=2)
    flows = trial.design.verification.flow_m3_s
    assert len(flows) == 2 and min(flows.values()) > 0
    mean = sum(flows[n.circuit] / sum(m.circuit == n.circuit for m in trial.design.nozzles)
               for n in (next(n for n in trial.design.nozzles if n.circuit == c) for c in flows)) / 2  # fmt: skip
    for left, binds in ((0.9, True), (1.1, False)):
        share = 1.0 - (min(flows.values()) - left * mean) / max(flows.values())
        found = slacks(replace(trial, layout=with_rules(trial.layout, circuit_balance=share)), 5.0)
        (slack,) = of(found, "circuit_balance")
        assert slack.slack == pytest.approx(left) and slack.binds == binds
        assert [s.at for s in of(found, "reserve")] == ["C1", "C2"]


@pytest.mark.parametrize(("gain", "binds"), [(0.0, True), (1.9, True), (2.1, False)])
def test_least_gain_binds_where_the_next_nozzle_is_not_worth_it(trial: Trial, gain: float, binds: bool) -> None:
    (slack,) = of(slacks(trial, gain), "least_gain")  # 2 m² in the scenario
    assert slack.binds == binds and slack.slack == pytest.approx(gain - 2.0)


def test_a_schedule_without_room_beside_another_with_room_binds(trial: Trial) -> None:
    """Two groups, and all circuits given to the first: those of the second feed none, those of the first have room."""
    made = trial.layout
    found = replace(made.instance.candidates, groups=("late", "early"))
    found_slacks = of(slacks(with_layout(trial, instance=replace(made.instance, candidates=found)), 5.0), "schedule")
    assert {slack.at: slack.binds for slack in found_slacks} == {"late": False, "early": True}
    assert not of(slacks(trial, 5.0), "schedule")


def test_least_coverage_of_a_zone_binds_near_what_is_covered(trial: Trial) -> None:
    """Covered area of the zone in the cell model, reckoned here cell by cell."""
    made = trial.layout
    found, site = made.instance.candidates, made.instance.scenario.site
    hit = found.cells.incidence[:, list(made.chosen)].toarray().sum(axis=1) >= found.cells.need
    covered = float(found.cells.zone_area_m2[0][hit].sum())
    whole = float(site.zones[0].polygon.area)
    for share, binds in ((covered / whole - 0.005, True), (covered / whole - 0.02, False)):
        zones = (replace(site.zones[0], least_coverage=share), *site.zones[1:])
        scenario = replace(made.instance.scenario, site=replace(site, zones=zones))
        given = with_layout(trial, instance=replace(made.instance, scenario=scenario))
        (slack,) = of(slacks(given, 5.0), "least_coverage")
        assert slack.binds == binds and slack.at == site.zones[0].name
        assert slack.slack == pytest.approx(covered - share * whole)


def with_option(trial: Trial, **changes: object) -> Trial:
    instance = trial.layout.instance
    return with_layout(trial, instance=replace(instance, option=replace(instance.option, **changes)))  # type: ignore[arg-type]


def test_a_budget_binds_where_less_than_a_hundredth_of_it_is_left(trial: Trial) -> None:
    """The bill's total from its lines; 0.9 % and 1.1 % of the budget left."""
    cost = sum(line.amount for line in priced(trial.layout, trial.design).lines)
    for left, binds in ((0.009, True), (0.011, False), (-0.1, True)):
        budget = cost / (1.0 - left)
        (slack,) = of(slacks(with_option(trial, budget=budget), 5.0), "budget")
        assert slack.slack == pytest.approx(budget - cost) and slack.binds == binds and slack.unit == "USD"


def test_an_options_least_coverage_binds_near_what_is_covered(trial: Trial) -> None:
    """The garden's zones by hand: terrace 12 x 5 = 60 m² of weight 3, lawn 28 x 18 less the house, 6 x 5, and less the
    terrace = 414 m² of weight 1."""
    whole = 60.0 * 3.0 + 414.0
    reached = union_all(trial.layout.instance.candidates.polygons[list(trial.layout.chosen)])  # exact, no cells
    terrace, lawn = sorted(trial.layout.instance.scenario.site.zones, key=lambda zone: -zone.weight)
    rest = lawn.polygon.difference(terrace.polygon)
    covered = 3.0 * reached.intersection(terrace.polygon).area + reached.intersection(rest).area
    for left, binds in ((0.005, True), (0.02, False)):
        asked = with_option(trial, objective="cost", least_coverage=covered / whole - left)
        (slack,) = of(slacks(asked, 5.0), "least_coverage")
        assert slack.at == "" and slack.slack == pytest.approx(left * whole) and slack.binds == binds


def test_every_member_and_rule_is_told_in_the_readme(trial: Trial) -> None:
    told = set(re.findall(r"`([\w.]+)`", README.read_text(encoding="utf-8")))
    made = with_rules(trial.layout, run_longest_m=99.0, run_nozzles_most=9, circuit_balance=0.2)
    rules = {slack.rule for slack in slacks(replace(trial, layout=made), 5.0)} | {"budget"}
    assert {field.name for field in fields(Slack)} | rules | {"binds", "circuit_balance"} <= told


@pytest.mark.parametrize(("share", "binds"), [(1.005, True), (1.02, False)])
def test_a_rule_of_protection_binds_within_a_hundredth(trial: Trial, share: float, binds: bool) -> None:
    """The label allows just so much more than the nozzle that gives most; notice is not of the design."""
    most = max(nozzle.flow_m3_s for nozzle in trial.design.nozzles)
    stated = (Stated("nozzle_flow", "", share * most, "a label"), Stated("notice_days", "", 2.0, "a code"))
    scenario = replace(trial.layout.instance.scenario, protection=stated)
    made = replace(trial.layout, instance=replace(trial.layout.instance, scenario=scenario))
    (slack,) = of(slacks(replace(trial, layout=made), 5.0), "protection")
    assert (slack.at, slack.unit, slack.binds) == ("nozzle_flow", "m3/s", binds)
    assert slack.slack == pytest.approx((share - 1.0) * most, rel=1e-6) and "a label" in slack.words
