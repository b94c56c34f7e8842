"""A pump that delivers less at higher pressure: capacity, faults and duty of designs, all from the file alone."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from hydraulics.pump import DeliveryCurve, Motor
from optimizer.appraisal.duty import pump_duties
from optimizer.design import Design, design_text, read_design
from optimizer.errors import UnsoundDesign
from optimizer.instance import nozzles_at_most
from optimizer.progress import never, silent
from optimizer.scenario import read_scenario
from optimizer.study import StudySettings, study
from optimizer.verify import circuit_states, discrepancies, settled
from tests.optimizer.scenario_files import CATALOGUE, SCENARIO, swapped, yard
from tests.optimizer.small_designs import BAND_PA, two_circuits

CURVE = DeliveryCurve((10e5, 15e5, 20e5), (6.5e-6, 6e-6, 4e-6))  # 6e-6 m3/s at the 15 bar of the design
POINTS = ((10, 340), (13, 300), (16, 210))  # bar and mL/min of the invented pump of the yard


def with_pump(**changes: object) -> Design:
    design = two_circuits()
    return replace(design, pumps=(replace(design.pumps[0], **changes),))  # type: ignore[arg-type]


def test_a_curve_that_passes_the_rated_delivery_changes_nothing() -> None:
    curved = with_pump(delivery=CURVE)
    assert discrepancies(curved) == ()
    assert settled(curved, BAND_PA).verification == two_circuits().verification


def test_a_capacity_that_the_curve_does_not_tell_is_named() -> None:
    with pytest.raises(UnsoundDesign, match=r"where the curve tells 5\.2e-06"):
        discrepancies(with_pump(delivery=CURVE, set_pressure_pa=17e5))


def test_a_starving_pump_stands_higher_with_a_falling_curve() -> None:
    """Where the nozzles take more than the delivery at 15 bar, falling pressure brings delivery back: net flow =
    delivery at the pressure where it settles, above what a constant delivery settles at."""
    small = DeliveryCurve((6e5, 15e5), (5e-6, 2e-6))
    starved = with_pump(capacity_m3_s=2e-6, delivery=small)
    constant = with_pump(capacity_m3_s=2e-6)
    for one, other in zip(circuit_states(starved), circuit_states(constant), strict=True):
        assert one.net_flow_m3_s == pytest.approx(small.delivery_m3_s(one.supply_pressure_pa), rel=1e-8)
        assert other.net_flow_m3_s == pytest.approx(2e-6, rel=1e-8)
        assert other.supply_pressure_pa < one.supply_pressure_pa < 15e5
    faults = settled(starved, BAND_PA).verification.pump_faults
    assert "P1: cannot hold its set pressure on circuit C1" in faults


def test_sustained_use_above_the_limit_is_a_fault_in_words() -> None:
    high = settled(with_pump(bypass_pa=18.5e5, relief_pa=18.2e5), BAND_PA).verification
    assert not high.verified
    first, second = high.pump_faults
    assert first.startswith("P1: works at 18.50 bar") and "will fail early" in first
    assert second.startswith("P1: works at 18.50 bar") and "relief valve opens" in second


def test_the_file_holds_all_that_is_needed_to_check_the_pump(tmp_path: Path) -> None:
    works = 17e5
    power = works * CURVE.delivery_m3_s(works) / 0.5
    full = with_pump(delivery=CURVE, bypass_pa=works, relief_pa=21e5, efficiency=0.5, power_w=power,
                     motor=Motor(230.0, 1, 0.8))  # fmt: skip
    path = tmp_path / "design.json"
    path.write_text(design_text(full), encoding="utf-8")
    assert read_design(path).pumps == full.pumps
    assert discrepancies(read_design(path)) == ()
    (said,) = discrepancies(with_pump(delivery=CURVE, bypass_pa=works, efficiency=0.5, power_w=1.1 * power))
    assert said.startswith("pump P1: power_w stored")


def test_the_duty_of_a_pump_by_hand() -> None:
    """At 17 bar, where the bypass opens, 5.2e-6 m3/s are delivered: p Q / 0.5 = 17.68 W, and 17.68 / (230 x 0.8) A."""
    power = 17e5 * 5.2e-6 / 0.5
    design = with_pump(delivery=CURVE, bypass_pa=17e5, efficiency=0.5, power_w=power, motor=Motor(230.0, 1, 0.8))
    one, _ = pump_duties(design)
    flow = design.verification.flow_m3_s["C1"]
    assert (one.pump, one.circuit, one.works_pa) == ("P1", "C1", 17e5)
    assert one.delivery_m3_s == pytest.approx(5.2e-6, rel=1e-12)
    assert one.bypass_m3_s == pytest.approx(5.2e-6 - flow, rel=1e-12)
    assert one.current_a == pytest.approx(17.68 / 184, rel=1e-12)
    assert "works at 17.00 bar" in one.words and "draws 18 W, 0.1 A at 230 V on one phase" in one.words
    assert pump_duties(two_circuits())[0].power_w is None


def test_a_design_keeps_within_what_its_pump_delivers_at_its_set_pressure(tmp_path: Path) -> None:
    """The yard's pump gives 340 mL/min at 10 bar and 210 at 16: capacity is that of the pressure chosen, by the line
    between the points; the bound reckons with the lowest set pressure of all, 12.5 bar with 306.7 mL/min."""
    drawn = ", ".join(f'{{ pressure = "{p} bar", delivery = "{q} mL/min" }}' for p, q in POINTS)
    catalogue = swapped(CATALOGUE, 'delivery = "2 L/min"', f"curve = [{drawn}]\nefficiency = 0.5")
    scenario = read_scenario(yard(tmp_path, scenario=SCENARIO, catalogue=catalogue))
    found = study(scenario, StudySettings(workers=1), silent, never)
    for one in found.alternatives:
        assert one.design is not None and one.verified
        (pump,) = one.design.pumps
        bar = pump.set_pressure_pa / 1e5
        told = 300 - 30 * (bar - 13) if bar >= 13 else 340 - 40 / 3 * (bar - 10)
        assert pump.capacity_m3_s == pytest.approx(told * 1e-6 / 60, rel=1e-9)
        assert max(one.design.verification.flow_m3_s.values()) <= 0.85 * pump.capacity_m3_s * (1 + 1e-9)
        assert pump.power_w == pytest.approx(pump.set_pressure_pa * pump.capacity_m3_s / 0.5)
        assert one.running is not None and one.running.duties[0].power_w == pump.power_w
    least_ml_min = 48.0 * (7 / 9) ** 0.5
    assert nozzles_at_most(scenario, scenario.options[0]) == int(0.85 * (300 + 40 / 3 * 0.5) / least_ml_min)
