"""How a design holds on site: shares counted again with the general solver, sums over circuits, words and picture."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from hydraulics.steady_tree import solve_tree
from hydraulics.tolerance import Spread, Tolerances
from optimizer.appraisal.yield_words import NOT_ASKED, field_rows, yield_cell, yield_words
from optimizer.brief import FieldTolerances
from optimizer.cautions import BRIEF
from optimizer.design import Design
from optimizer.progress import never, silent
from optimizer.publish import study_text
from optimizer.report.tolerance import HIGH_END, LOW_END, tolerance_svg
from optimizer.scenario import read_scenario
from optimizer.study import StudySettings, study
from optimizer.verify import settled
from optimizer.yields import WORDS, field_of, field_yield
from tests.optimizer.drawn_study import example_yield
from tests.optimizer.scenario_files import SCENARIO, faults, yard
from tests.optimizer.small_designs import two_circuits
from tests.optimizer.test_plan import words_of

DIFFERS = Tolerances(
    nozzle_flow=Spread(-0.05, 0.05),
    bore_batch=Spread(-0.04, 0.04),
    bore_tube=Spread(-0.02, 0.02),
    water_temperature_c=Spread(10.0, 30.0, "uniform"),
    set_drift_pa=Spread(-3e4, 3e4, "uniform"),
    clogged_share=0.05,
    leak_chance=0.2,
    leak_m3_s=1e-6,
    leak_at_pa=13e5,
)


def asked(samples: int = 400, least: float | None = None) -> FieldTolerances:
    return FieldTolerances(DIFFERS, samples, least)


def tight(above_pa: float = 5e3) -> Design:
    """The design by hand with a band whose low edge lies so far below its worst nozzle."""
    design = two_circuits()
    low = design.verification.min_pressure_pa - above_pa
    return settled(design, (low, 16e5))


def test_yield_is_the_share_that_the_general_solver_counts() -> None:
    """Every sample of both circuits solved one by one by `solve_tree`."""
    design, count = tight(), 150
    found, field = field_yield(design, asked(count), 3), field_of(design, 3)
    lowest = np.full(count, np.inf)
    for sampler in field.samplers.values():
        states = sampler.drawn(DIFFERS, 3, 0, count)
        for s in range(count):
            state = solve_tree(*sampler.by_itself(states, s))
            lowest[s] = min(lowest[s], state.pressure_pa[sampler.nozzles].min())
    assert 0.1 < found.share < 0.9
    assert found.share == np.mean(lowest >= design.verification.band_pa[0] * (1 - 1e-9))
    told = stats.binomtest(round(found.share * count), count).proportion_ci(0.95, method="wilson")
    assert found.interval == pytest.approx((told.low, told.high), abs=1e-7)
    assert found.lowest_pa == pytest.approx(tuple(np.quantile(lowest, (0.05, 0.5, 0.95))), rel=1e-8)
    enough = np.sort(lowest)[int(0.1 * count)]
    assert found.short_pa == pytest.approx(design.verification.band_pa[0] - enough, abs=1.0)
    assert found.residual <= 1e-10


def test_a_yield_is_met_exactly_where_the_worst_nozzle_has_what_it_lacked() -> None:
    found = field_yield(tight(), asked(), 0)
    eased = settled(tight(), (found.low_pa - found.short_pa - 1.0, 16e5))
    assert field_yield(eased, asked(), 0).share >= 0.9
    strict = settled(tight(), (found.low_pa - found.short_pa + 50.0, 16e5))
    assert field_yield(strict, asked(), 0).share < 0.9 + 1e-9


def test_same_seed_same_yield_and_another_seed_within_its_interval() -> None:
    one, again, other = (field_yield(tight(), asked(), seed) for seed in (1, 1, 2))
    assert one == again
    assert one.share != other.share
    assert abs(one.share - other.share) < 0.1  # four standard deviations of the difference


def test_high_edge_limit_and_a_pump_that_starves_are_told_apart() -> None:
    """Half of a uniform drift either side of the set pressure lies above a limit at it; the others by their cause."""
    design = two_circuits()
    pump = design.pumps[0]
    at_limit = replace(design, pumps=(replace(pump, limit_pa=pump.set_pressure_pa),))
    found = field_yield(at_limit, asked(), 0)
    assert found.above_limit == pytest.approx(0.5, abs=0.1) and found.above_band == found.not_held == 0.0
    works = pump.set_pressure_pa + 1e5  # behind a bypass that opens there
    at_limit = replace(design, pumps=(replace(pump, bypass_pa=works, limit_pa=works),))
    assert field_yield(at_limit, asked(), 0).above_limit == found.above_limit
    narrow = settled(design, (12e5, design.verification.max_pressure_pa))
    assert field_yield(narrow, asked(), 0).above_band > 0.2
    takes = max(design.verification.flow_m3_s.values())
    starved = replace(design, pumps=(replace(pump, capacity_m3_s=takes),))
    found = field_yield(settled(starved, (12e5, 16e5)), asked(), 0)
    assert 0.2 < found.not_held < 0.9 and found.above_limit == 0.0


def test_tornado_is_ranked_and_says_which_end_is_high() -> None:
    found = field_yield(tight(), asked(), 0)
    swings = [bar.swing_pa for bar in found.tornado]
    assert swings == sorted(swings, reverse=True)
    by_source = {bar.source: bar for bar in found.tornado}
    assert by_source[WORDS["nozzle_flow"]].higher_at == "low end"
    for source in ("bore_batch", "bore_tube", "water_temperature_c", "set_drift_pa", "clogged"):
        assert by_source[WORDS[source]].higher_at == "high end"
    assert by_source[WORDS["leak"]].higher_at == "low end"
    assert WORDS["roughness"] not in by_source
    drift = by_source[WORDS["set_drift_pa"]]
    assert (drift.low, drift.high) == ("-0.30 bar (-4.4 psi)", "+0.30 bar (+4.4 psi)")
    assert drift.yield_without > found.share


def test_the_weakest_are_those_at_the_far_end() -> None:
    found = field_yield(tight(), asked(), 0)
    assert found.weakest[0].nozzle == "N004"
    assert found.weakest[0].below_share <= 1.0 - found.share
    assert sum(weak.lowest_share for weak in found.weakest) <= 1.0 + 1e-12


def test_a_main_is_the_same_tube_in_every_circuit_that_it_feeds() -> None:
    design = two_circuits()
    first = next(link for link in design.links if link.id == "C1-L0")
    main = replace(first, id="main", to="box", shared=("C2",))
    others = [replace(link, from_="box") if link.id in ("C1-L0", "C2-L0") else link for link in design.links]
    nodes = (*design.nodes, replace(design.nodes[0], id="box", x_m=1.0))
    shared = settled(replace(design, nodes=nodes, links=(main, *others)), (12e5, 16e5))
    bores = []
    for sampler in field_of(shared, 0).samplers.values():
        at = [sampler.circuit.network.node_ids[i] for i in sampler.order].index("box")
        bores.append(sampler.drawn(DIFFERS, 0, 0, 50).bore_m[:, at])
    np.testing.assert_array_equal(*bores)
    assert bores[0].std() > 0


def test_what_holds_on_paper_only_is_flagged_in_plain_words() -> None:
    found = field_yield(tight(), asked(), 0)
    assert not found.holds and tight().verification.verified
    words = yield_words(found, True)
    assert words.startswith("holds on paper, ") and "on site" in words and "N004" in words
    assert "more at the worst nozzle would bring 90 %" in words and "least_yield = 0.9" in words
    assert yield_cell(found).endswith("!") and yield_cell(None) == NOT_ASKED
    good = field_yield(two_circuits(), asked(), 0)
    assert good.holds and yield_words(good, True).startswith("holds 100 % on site")
    assert all(cell(found) for _, cell in field_rows("metric"))


def test_picture_has_every_source_both_ends_and_the_cautions() -> None:
    found = example_yield()
    drawn = tolerance_svg(found, "An invented garden")
    assert drawn == tolerance_svg(found, "An invented garden")
    words = " ".join(words_of(drawn))
    for text in ("flow of the nozzles", "drift of the set pressure", "source at its low end", "source at its high end",
                 "-0.2 bar", "+5.0 %", "low edge of the band, 12.00 bar", "as drawn, 12.20 bar", BRIEF):
        assert text in words
    assert drawn.count(f"fill: {LOW_END}") == drawn.count(f"fill: {HIGH_END}") == len(found.tornado) + 2  # and legend


def test_study_tells_yields_and_a_scenario_without_tolerances_none(tmp_path: Path) -> None:
    """Through files: the yard, once with [tolerances] and once without."""
    chosen = StudySettings(options=("one",), workers=1)
    plain = study(read_scenario(yard(tmp_path)), chosen, silent, never)
    given = SCENARIO.replace("[ground.lawn]", "[tolerances]\nsamples = 300\n\n[ground.lawn]")
    told = study(read_scenario(yard(tmp_path, scenario=given)), chosen, silent, never)
    before, after = (json.loads(study_text(one))["alternatives"][0] for one in (plain, told))
    assert before["yield"] is None and after["yield"]["samples"] == 300
    assert after["yield"]["chart"] == "one/tolerance.svg"
    assert [bar["swing_pa"] for bar in after["yield"]["tornado"]]
    assert before["installed_cost"] == after["installed_cost"]  # nothing is designed otherwise without least_yield
    assert before["covered_area_m2"] == after["covered_area_m2"]


@pytest.mark.parametrize(
    ("given", "text"),
    [
        ("nozzle_flow = { low = 0.1, high = -0.1 }", "tolerances.nozzle_flow: is upside down"),
        ("nozle_flow = { low = -0.1, high = 0.1 }", 'did you mean "nozzle_flow"?'),
        ("bore_batch = { low = -1.0, high = 0.1 }", "tolerances.bore_batch.low: is too small"),
        ('set_pressure = { low = "-1 C", high = "1 bar" }', "tolerances.set_pressure.low: is not a pressure"),
        ('water_temperature = { low = "5 C", high = "90 C" }', "tolerances.water_temperature.high: is too large"),
        ('roughness = { low = 0.0, high = 1.0, shape = "flat" }', "tolerances.roughness.shape: is not a known word"),
        ("clogged = { share = 1.5 }", "tolerances.clogged.share: is too large"),
        ('leak = { chance = 0.1, flow = "1 L/min" }', "tolerances.leak.at: is missing"),
        ("samples = 5", "tolerances.samples: is too small"),
        ("least_yield = 0.0", "tolerances.least_yield: is too small"),
    ],
)
def test_faults_of_tolerances(given: str, text: str, tmp_path: Path) -> None:
    found = faults(yard(tmp_path, scenario=SCENARIO.replace("[ground.lawn]", f"[tolerances]\n{given}\n[ground.lawn]")))
    assert len(found) == 1 and text in found[0]
