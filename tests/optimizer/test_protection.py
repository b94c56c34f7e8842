"""Rules of protection: each where it binds and where it does not. Numbers by hand on the invented yard.

Its wire runs along y = 5 from x = 2 to 18, 2.5 m above the ground; nozzles stand every 0.5 m, face north and reach 3 m.
The added pond is 9 <= x <= 11, 0.2 <= y <= 1.2. N1 gives 48 mL/min at 14 bar and closes at 5: 48 sqrt((p - 5) / 9).
"""

from __future__ import annotations

import io
import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.console import Console
from shapely import union_all
from shapely.geometry import shape

from geometry.site import KINDS
from optimizer.errors import NoDesign
from optimizer.instance import candidates, inspection
from optimizer.progress import never, silent
from optimizer.protection import RATES, RULES, Stated, strictest
from optimizer.protection_table import protection_notes
from optimizer.publish import publish, study_text
from optimizer.scenario import Scenario, read_scenario
from optimizer.study import Alternative, Study, StudySettings, study
from optimizer.terminal import show_inspection
from optimizer.verify import discrepancies, verify
from tests.optimizer.garden_site import box, feature
from tests.optimizer.scenario_files import EQUIPPED, SCENARIO, SERVICE, SITE, faults, site_with, swapped, yard

_PARTS = SCENARIO.split("[[option]]")
HEAD, ONE = _PARTS[0], f"[[option]]{_PARTS[1]}"
LABEL = "product label, section 4 (invented)"
CODE = "local code, article 2 (invented)"
EVERY = np.arange(2.0, 18.01, 0.5)


def rules(*lines: str, source: str = LABEL) -> str:
    return "\n".join(["[[protection]]", f'source = "{source}"', *lines, ""])


def pond(kind: str = "water", site: dict[str, Any] = SITE) -> dict[str, Any]:
    """The yard with a pond, or whatever kind of feature."""
    drawn = feature("keep_out", "Polygon", [box(9, 0.2, 11, 1.2)], name="Pond")
    drawn["properties"]["kind"] = kind
    return {**site, "features": [*site["features"], drawn]}


def written(folder: Path, protection: str, service: str = SERVICE, site: dict[str, Any] | None = None) -> Path:
    text = HEAD + protection + service + ONE
    return yard(folder, scenario=text, catalogue=EQUIPPED, site=site or pond())


def read(folder: Path, protection: str, **more: Any) -> Scenario:
    return read_scenario(written(folder, protection, **more))


def places(scenario: Scenario) -> list[float]:
    """Where on the wire a nozzle may stand."""
    found = candidates(scenario, scenario.nozzle_of(scenario.options[0]))
    return sorted(set(found.x_m.tolist()))


def left_out(scenario: Scenario) -> dict[str, int]:
    return dict(candidates(scenario, scenario.nozzle_of(scenario.options[0])).left_out)


# Distances, set-backs, heights


def test_a_distance_from_water_bars_the_places_within_it(tmp_path: Path) -> None:
    """5 m from a pond 3.8 m south of the wire: within 1 + sqrt(25 - 14.44) = 4.25 m of x = 10."""
    free_places = places(read(tmp_path, ""))
    near = read(tmp_path, rules('distance = { water = "5 m" }'))
    assert places(near) == [x for x in free_places if abs(x - 10.0) > 4.25]
    reason = f'within 5 m of water "Pond" ({LABEL})'
    assert left_out(near)[reason] == sum(abs(x - 10.0) < 4.25 for x in EVERY)
    assert places(read(tmp_path, rules('distance = { water = "3.8 m" }'))) == free_places


@pytest.mark.parametrize("kind", KINDS)
def test_distances_are_of_the_kind_that_they_name(kind: str, tmp_path: Path) -> None:
    text = rules(f'distance = {{ {kind} = "5 m" }}')
    free_places = places(read(tmp_path, "", site=pond(kind)))
    assert places(read(tmp_path, text, site=pond(kind))) == [x for x in free_places if abs(x - 10.0) > 4.25]
    other = KINDS[KINDS.index(kind) - 1]
    assert places(read(tmp_path, text, site=pond(other))) == free_places


def test_a_distance_of_the_mist_reckons_from_the_footprint(tmp_path: Path) -> None:
    """4 m: a half disc of 3 m comes within it where its near corner is less than 1 + sqrt(16 - 14.44) = 2.25 m from
    x = 10."""
    free_places = places(read(tmp_path, ""))
    found = read(tmp_path, rules('mist_distance = { water = "4 m" }'))
    assert places(found) == [x for x in free_places if abs(x - 10.0) > 5.26]
    assert f'mist would come within 4 m of water "Pond" ({LABEL})' in left_out(found)
    assert places(read(tmp_path, rules('mist_distance = { water = "3.7 m" }'))) == free_places


def test_a_distance_of_the_mist_reckons_beyond_the_boundary(tmp_path: Path) -> None:
    """Half discs of 3 m pass the east edge, x = 20; a neighbour's ground begins at x = 20.5, in line with the wire."""
    seats = feature("keep_out", "Polygon", [box(20.5, 4.0, 22.0, 7.0)], name="Seats")
    seats["properties"]["kind"] = "neighbour"
    site = {**SITE, "features": [*SITE["features"], seats]}
    free_places = places(read(tmp_path, "", site=site))
    found = read(tmp_path, rules('mist_distance = { neighbour = "0.4 m" }'), site=site)
    assert places(found) == [x for x in free_places if x + 3.0 <= 20.1] != free_places
    assert f'mist would come within 0.4 m of neighbour\'s ground "Seats" ({LABEL})' in left_out(found)
    seats["properties"] |= {"forbids": ["mist"], "setback_m": 0.4}
    assert places(read(tmp_path, "", site=site)) == places(found)


def test_a_set_back_from_the_boundary(tmp_path: Path) -> None:
    """The wire's ends are 2 m from the west and east edge."""
    free_places = places(read(tmp_path, ""))
    found = read(tmp_path, rules('distance = { boundary = "3 m" }'))
    assert places(found) == [x for x in free_places if 3.0 <= x <= 17.0] != free_places
    assert f"within 3 m of the boundary ({LABEL})" in left_out(found)
    assert places(read(tmp_path, rules('distance = { boundary = "2 m" }'))) == free_places


def test_a_distance_of_the_mist_from_the_boundary(tmp_path: Path) -> None:
    """Half discs of 3 m end 3 m east and west of the nozzle, and 2 m south of the northern edge."""
    free_places = places(read(tmp_path, ""))
    found = read(tmp_path, rules('mist_distance = { boundary = "0.9 m" }'))
    assert places(found) == [x for x in free_places if 4.0 <= x <= 16.0] != free_places
    assert places(read(tmp_path, rules('mist_distance = { boundary = "2.1 m" }'))) == []


@pytest.mark.parametrize(("limit", "said"), [
    ('least = "2.6 m"', f"2.5 m above the ground, the least height is 2.6 m ({LABEL}): 33"),
    ('greatest = "2.4 m"', f"2.5 m above the ground, the greatest height is 2.4 m ({LABEL}): 33"),
])  # fmt: skip
def test_heights_bar_a_line_that_is_too_low_or_too_high(limit: str, said: str, tmp_path: Path) -> None:
    just = rules('height = { least = "2.5 m", greatest = "2.5 m" }')
    assert places(read(tmp_path, just)) == places(read(tmp_path, ""))
    refused = answer(tmp_path, rules(f"height = {{ {limit} }}"))
    assert refused.status == "no_design" and said in str(refused.reason)


def test_a_locked_nozzle_against_a_rule_is_refused_with_the_source(tmp_path: Path) -> None:
    site = pond(site=site_with(2, locked_m=[8.0]))
    with pytest.raises(NoDesign, match=r'8\.00 m cannot hold a nozzle: within 5 m of water "Pond" \(product label'):
        places(read(tmp_path, rules('distance = { water = "5 m" }'), site=site))


# Flow of a nozzle against the band


def test_a_band_that_gives_too_much_everywhere_is_a_fault_that_names_both(tmp_path: Path) -> None:
    """At 12 bar N1 gives 48 sqrt(7 / 9) = 42.3 mL/min."""
    assert faults(written(tmp_path, rules('nozzle_flow = "42 mL/min"'))) == [
        f"scenario.toml: option[0].nozzle: gives 42.3 mL/min at the band's low edge of 12.00 bar, {LABEL} allows "
        '42.0 mL/min (found "N1"); choose another nozzle, or a lower rules.band'
    ]


# Cycles, dilution, rates


@pytest.mark.parametrize(("lines", "fault"), [
    (["cycles_per_day = 3"], f"service.cycles_per_day: is more than allowed, at most 3 ({LABEL}) (found 4); lower it"),
    (["cycles_per_day = 4"], None),
    (["dilution = 250.0"],
     f"service.dilution: is stronger than allowed, at least 250 ({LABEL}) (found 200.0); raise it, for a weaker mix"),
    (["dilution = 200.0"], None),
    (['height = { least = "3 m", greatest = "2 m" }'],
     f"protection: leaves no height for a nozzle: at least 3.0 m (9.8 ft) ({LABEL}), at most 2.0 m (6.6 ft) ({LABEL})"),
    (['note = "nothing"'], "protection[0]: states no rule"),
    (['distance = { pond = "3 m" }'], "protection[0].distance.pond: is no known key"),
    (['wind_most = "3"'], "protection[0].wind_most: is not a speed with its unit"),
    (['mist_per_day = "2 mL"'], "protection[0].mist_per_day: is not a rate with its unit"),
])  # fmt: skip
def test_faults_of_the_rules(lines: list[str], fault: str | None, tmp_path: Path) -> None:
    found = faults(written(tmp_path, rules(*lines)))
    assert len(found) == (fault is not None)
    if fault is not None:
        assert found[0].startswith(f"scenario.toml: {fault}")


def test_a_schedule_may_not_have_more_cycles_than_a_source_allows(tmp_path: Path) -> None:
    head = swapped(HEAD, 'name = "late"', 'name = "late"\ncycles_per_day = 6')
    text = head + rules("cycles_per_day = 5") + SERVICE + ONE
    (found,) = faults(yard(tmp_path, scenario=text, catalogue=EQUIPPED))
    assert found.startswith(f"scenario.toml: schedule[0].cycles_per_day: is more than allowed, at most 5 ({LABEL})")


def test_a_rate_needs_a_service_that_says_how_long_a_cycle_is(tmp_path: Path) -> None:
    (found,) = faults(written(tmp_path, rules('mist_per_cycle = "2 mL/m2"'), service=""))
    assert found.startswith("scenario.toml: protection[0].mist_per_cycle: needs a table [service] in scenario.toml")


def test_an_inspection_tells_the_rule_that_binds(tmp_path: Path) -> None:
    found = read(tmp_path, rules("cycles_per_day = 6") + rules("cycles_per_day = 5", "notice_days = 2", source=CODE))
    told = (("cycles_per_day", f"at most 5 ({CODE})"), ("notice_days", f"at least 2 ({CODE})"))
    assert inspection(found).protection == told
    out = io.StringIO()
    show_inspection(inspection(found), "metric", Console(file=out, width=200))
    assert f"at most 5 ({CODE})" in out.getvalue() and f"at most 6 ({LABEL})" not in out.getvalue()


@given(st.lists(st.tuples(st.sampled_from(sorted(RULES)), st.floats(0.1, 9.0), st.text("ab", min_size=1)), max_size=12))
def test_the_strictest_statement_of_each_rule_binds(stated: list[tuple[str, float, str]]) -> None:
    every = [Stated(rule, "", value, source) for rule, value, source in stated]
    found = strictest(every)
    assert {one.rule for one in found} == {one.rule for one in every} and len(found) == len({one.rule for one in found})
    for one in found:
        values = [other.value for other in every if other.rule == one.rule]
        assert one.value == (min(values) if RULES[one.rule].most else max(values))


# What a study says of them


def answer(folder: Path, protection: str, **more: Any) -> Alternative:
    (found,) = study(read(folder, protection, **more), StudySettings(workers=1), silent, never).alternatives
    return found


@pytest.fixture(scope="module")
def loose(tmp_path_factory: pytest.TempPathFactory) -> Alternative:
    """Everything is stated, and nothing of it in the way."""
    text = rules(
        'nozzle_flow = "60 mL/min"', "cycles_per_day = 8", 'mist_per_cycle = "1 L/m2"', 'mist_per_day = "9 L/m2"',
        'concentrate_per_cycle = "10 mL/m2"', 'concentrate_per_day = "90 mL/m2"', "dilution = 100.0",
        'height = { least = "2 m", greatest = "3 m" }', 'distance = { water = "3 m", hive = "50 m" }',
        'mist_distance = { water = "1 m" }', "notice_days = 2", 'wind_most = "3 m/s"',
    )  # fmt: skip
    code = rules("cycles_per_day = 6", 'wind_most = "9 mph"', source=CODE)
    return answer(tmp_path_factory.mktemp("loose"), text + code)


def by_rule(one: Alternative) -> dict[str, Any]:
    return {row.limit.name: row for row in one.protection}


def test_every_rule_is_told_with_its_source_and_what_the_design_has_of_it(loose: Alternative) -> None:
    """Rates by shapely and by hand: flow x 45 s, four times a day, over the covered part of the lawn; a part in 200."""
    assert loose.status == "verified" and loose.design is not None
    rows, design = by_rule(loose), loose.design
    assert set(rows) == {*RULES, "distance.water", "mist_distance.water"} - {"distance", "mist_distance"}
    covered = union_all([shape(n.footprint) for n in design.nozzles]).intersection(shape(design.zones[0].polygon)).area
    cycle_m = sum(n.flow_m3_s for n in design.nozzles) * 45.0 / covered
    expected = {"mist_per_cycle": cycle_m, "mist_per_day": 4 * cycle_m, "concentrate_per_cycle": cycle_m / 200.0,
                "concentrate_per_day": cycle_m / 50.0, "dilution": 200.0, "cycles_per_day": 4.0,
                "height.least": 2.5, "height.greatest": 2.5}  # fmt: skip
    assert {rule: rows[rule].reached for rule in expected} == pytest.approx(expected, rel=1e-5)
    node = {one.id: one for one in design.nodes}
    near = min(float(np.hypot(max(abs(node[n.node].x_m - 10.0) - 1.0, 0.0), 3.8)) for n in design.nozzles)
    assert rows["distance.water"].reached == pytest.approx(near, rel=1e-6)
    assert rows["nozzle_flow"].reached == max(n.flow_m3_s for n in design.nozzles)
    assert all(row.kept for row in rows.values() if row.reached is not None)


def test_what_the_design_does_not_decide_is_left_to_those_who_run_it(loose: Alternative) -> None:
    rows = by_rule(loose)
    assert {name for name, row in rows.items() if row.kept is None} == {"wind_most", "notice_days"}
    wind = f"wind speed at which misting stops: at most 3.0 m/s (6.7 mph) ({LABEL}), kept by those who run it"
    assert f"{wind}; less strict: at most 4.0 m/s (9.0 mph) ({CODE})" in loose.notes
    assert f"days of notice to neighbours: at least 2 ({LABEL}), kept by those who run it" in loose.notes


def test_the_strictest_source_binds_and_the_other_is_told(loose: Alternative) -> None:
    row = by_rule(loose)["cycles_per_day"]
    assert (row.limit.value, row.limit.source) == (6.0, CODE) and [one.source for one in row.others] == [LABEL]


def test_a_kind_that_the_plan_does_not_have_is_told(loose: Alternative) -> None:
    assert f"a distance from hive is stated ({LABEL}), but the plan has no keep-out of kind hive" in loose.notes


def test_the_rules_stand_in_study_json_and_design_json(loose: Alternative) -> None:
    assert loose.design is not None
    (record,) = json.loads(study_text(Study("yard", "Yard", "USD", 0, (loose,))))["alternatives"]
    assert [row["words"] for row in record["protection"]] == [row.words for row in loose.protection]
    (cycles,) = [row for row in record["protection"] if row["rule"] == "cycles_per_day"]
    assert cycles == {
        "rule": "cycles_per_day", "value": 6.0, "unit": "", "source": CODE, "reached": 4.0, "kept": True,
        "others": [{"value": 8.0, "source": LABEL}],
        "words": f"cycles a day: at most 6 ({CODE}), here 4; less strict: at most 8 ({LABEL})",
    }  # fmt: skip
    assert {one.rule for one in loose.design.protection} == set(RULES)
    assert verify(loose.design).verified and discrepancies(loose.design) == ()


def test_the_band_ends_where_a_nozzle_gives_what_is_allowed(loose: Alternative, tmp_path: Path) -> None:
    """45 mL/min at 5 + 9 (45 / 48)^2 = 12.91 bar; 48 sqrt(10 / 9) = 50.6 at the stated high edge would be more."""
    one = answer(tmp_path, rules('nozzle_flow = "45 mL/min"'))
    assert one.status == "verified" and one.design is not None and loose.design is not None
    assert one.design.verification.band_pa == pytest.approx((12e5, 12.9102e5), rel=1e-5)
    assert loose.design.verification.band_pa == (12e5, 15e5)
    assert max(n.flow_m3_s for n in one.design.nozzles) <= 45e-6 / 60 * (1 + 1e-8)
    words = "the band's high edge is lowered from 15.00 bar (217.6 psi) to 12.91 bar (187.2 psi), where N1 gives"
    assert f"{words} at most 45.0 mL/min ({LABEL})" in one.notes
    assert not any("high edge" in note for note in loose.notes)


@pytest.mark.parametrize("rule", RATES)
def test_a_rate_that_is_too_high_is_no_verified_design_and_a_shorter_cycle_mends_it(
    rule: str, loose: Alternative
) -> None:
    """Allowed is 0.91 of what cycles of 45 s give: 45 x 0.91 = 40.95, so 40 s do and 45 s do not."""
    limit = Stated(rule, "", 0.91 * by_rule(loose)[rule].reached, LABEL)
    assert loose.design is not None
    (fault,) = verify(replace(loose.design, protection=(limit,))).protection_faults
    assert LABEL in fault and fault.endswith(": cycles of 40 s would keep it")
    shorter = tuple(replace(one, cycle_s=40.0) for one in loose.design.misting)
    assert verify(replace(loose.design, protection=(limit,), misting=shorter)).verified


def test_a_study_with_a_rate_that_is_broken_says_so_and_bids_nothing(tmp_path: Path) -> None:
    scenario = read(tmp_path, rules('mist_per_cycle = "1 mL/ha"'))
    answered = study(scenario, StudySettings(workers=1), silent, never)
    (over,) = answered.alternatives
    assert over.status == "unverified" and over.design is not None
    (fault,) = over.design.verification.protection_faults
    assert fault in str(over.reason) and any("BROKEN" in note for note in over.notes)
    assert discrepancies(over.design) == ()
    publish(answered, scenario, tmp_path / "out")
    written_files = {path.name for path in (tmp_path / "out" / "one").iterdir()}
    assert "design.json" in written_files and not any(name.endswith(".csv") for name in written_files)


def test_a_file_whose_rules_were_made_stricter_is_found_out(loose: Alternative) -> None:
    assert loose.design is not None
    stricter = replace(loose.design, protection=(Stated("cycles_per_day", "", 3.0, CODE),))
    assert any("protection_faults stored none" in words for words in discrepancies(stricter))


# The wind of the misting hours

ROSE = """wind_source = "assumed"
[[climate.wind]]
blows_from = "SW"
speed = "2 m/s"
share = 0.6

[[climate.wind]]
blows_from = "N"
speed = "4 m/s"
share = 0.4
"""


def windy(folder: Path, protection: str) -> Path:
    text = swapped(HEAD, 'wind = "calm"\n', ROSE) + protection + ONE
    return yard(folder, scenario=text, site=pond())


def test_winds_above_the_lock_out_are_left_out_of_the_misting_hours(tmp_path: Path) -> None:
    calm, free = (read_scenario(windy(tmp_path, rules(f'wind_most = "{speed} m/s"'))) for speed in (3, 4))
    assert [(one.speed_m_s, one.share) for one in calm.climate.rose.states] == [(2.0, 1.0)]
    assert [one.share for one in free.climate.rose.states] == pytest.approx([0.6, 0.4])
    assert (calm.climate.locked_out, free.climate.locked_out) == (pytest.approx(0.4), 0.0)
    (note,) = [note for note in protection_notes(calm, calm.options[0], ()) if "lock-out" in note]
    assert note.startswith("for 40 % of the misting hours")
    assert not any("lock-out" in note for note in protection_notes(free, free.options[0], ()))


def test_a_lock_out_below_every_wind_is_a_fault(tmp_path: Path) -> None:
    (found,) = faults(windy(tmp_path, rules('wind_most = "1 m/s"')))
    assert found.startswith("scenario.toml: climate.wind: blows harder than misting is allowed at all hours")
