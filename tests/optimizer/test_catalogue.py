"""The catalogue file: SI values, curves from readings or one flow, fixed losses, and its faults."""

from __future__ import annotations

from pathlib import Path

import pytest

from optimizer.catalogue import Catalogue, read_catalogue
from optimizer.equipment import InLine
from optimizer.errors import InputFaults
from optimizer.pump_type import PumpType
from tests.optimizer.scenario_files import CATALOGUE, swapped

CURVE = 'curve = { flow = "48 mL/min", at = "14 bar", exponent = 0.5 }'
PRICE = "write a price as a plain number, 0 or more, like 12.5"

FAULTS = {
    "filter that is not sold": (
        '[[filter]]\nname = "F1"',
        '[[filter]]\nname = "F10"',
        'pump[0].filter: is no filter of this catalogue (found "F1"); did you mean "F10"?',
    ),
    "valve that is not sold": (
        'valve = "V1"',
        'valve = "X"',
        'pump[0].valve: is no valve of this catalogue (found "X"); known here: V1',
    ),
    "regulator above the pump's limit": (
        'limit = "17 bar"',
        'limit = "15.75 bar"',
        'pump[0].set_pressure.high: is above the pump\'s limit (found "16 bar"); lower it to 15.75 bar or less',
    ),
    "regulator upside down": (
        'low = "10 bar", high = "16 bar"',
        'low = "16 bar", high = "10 bar"',
        'pump[0].set_pressure: is upside down: low is above high (found {"low": "16 bar", "high": "10 bar"}); '
        "swap low and high",
    ),
    "two curves": (
        CURVE,
        CURVE + '\nreading = [{ pressure = "8 bar", flow = "30 mL/min" }]',
        'nozzle[0]: has both readings and a curve (found {"name": "N1", "closing_pressure": "5 bar", "curve": {"fl...);'
        " give either [[nozzle.reading]] or curve",
    ),
    "no curve": (
        CURVE,
        "",
        'nozzle[0]: has neither readings nor a curve (found {"name": "N1", "closing_pressure": "5 bar", '
        '"reach": "3 m...); give either [[nozzle.reading]] or curve',
    ),
    "flow told where the nozzle is closed": (
        'at = "14 bar"',
        'at = "4 bar"',
        'nozzle[0].curve: are figures of no nozzle (found {"flow": "48 mL/min", "at": "4 bar", "exponent": 0.5}); '
        "give the flow at a pressure above 5.00 bar, where it closes",
    ),
    "infinite price": ("price = 10.0", "price = inf", f"nozzle[0].price: is not a finite number (found inf); {PRICE}"),
    "price with a currency": (
        "price = 10.0",
        'price = "10 USD"',
        f'nozzle[0].price: is not a number (found "10 USD"); {PRICE}',
    ),
    "fitting without its loss": (
        "run_k = 0.6, ",
        "",
        "fittings.tee.run_k: is missing; add a loss coefficient, 0 to 1000, like 0.6",
    ),
    "no fittings at all": (
        "[fittings]",
        "[fitings]",
        'fitings: is no known key (found {"tee": {"price": 4.0, "run_k": 0.6, "branch_k": 1.8}, "e...); '
        'did you mean "fittings"?\nfittings: is missing; add a table [fittings]',
    ),
    "reach of unknown source": (
        'reach_source = "assumed"',
        'reach_source = "guessed"',
        'nozzle[0].reach_source: is not a known word (found "guessed"); write one of measured, scaled, assumed',
    ),
    "bore without unit": (
        'bore = "4 mm"',
        'bore = "4"',
        'tubing[0].bore: is not a length with its unit (found "4"); '
        'write a bore above 0 mm and up to 100 mm in mm, cm or in, like "4 mm"',
    ),
    "same name twice": (
        'name = "T6"',
        'name = "T4"',
        'tubing[1].name: is also the name of tubing[0] (found "T4"); rename one of them',
    ),
    "one pump in single brackets": (
        "[[pump]]",
        "[pump]",
        'pump: is not a list of tables (found {"name": "P1", "delivery": "2 L/min", "limit": "17 bar", ...); '
        "write [[pump]] in double brackets",
    ),
}


def _read(folder: Path, text: str = CATALOGUE) -> Catalogue:
    path = folder / "shop.toml"
    path.write_text(text, encoding="utf-8")
    return read_catalogue(path)


@pytest.mark.parametrize("case", FAULTS)
def test_fault_of_the_catalogue(case: str, tmp_path: Path) -> None:
    old, new, texts = FAULTS[case]
    with pytest.raises(InputFaults) as caught:
        _read(tmp_path, swapped(CATALOGUE, old, new))
    assert [str(fault) for fault in caught.value.faults] == [f"shop.toml: {text}" for text in texts.split("\n")]


def test_values_are_si(tmp_path: Path) -> None:
    """1 in = 25.4 mm, 1 L/min = 1e-3/60 m3/s (NIST SP 811, appendix B.8)."""
    catalogue = _read(tmp_path)
    tube = catalogue.tube("T6")
    assert tube.bore_m == pytest.approx(0.00635, rel=1e-12)
    assert (tube.roughness_m, tube.rating_pa) == (pytest.approx(1.5e-6), 35e5)
    pump = catalogue.pump("P1")
    assert pump.delivery_m3_s == pytest.approx(2e-3 / 60)
    assert (pump.limit_pa, pump.set_low_pa, pump.set_high_pa, pump.outlets) == (17e5, 10e5, 16e5, 2)
    assert catalogue.fittings.tee_branch_k == 1.8


def test_names_that_nobody_sells(tmp_path: Path) -> None:
    with pytest.raises(KeyError, match="T5"):
        _read(tmp_path).tube("T5")


def test_curve_through_one_flow(tmp_path: Path) -> None:
    """q = k (p - p0)^0.5 through 48 mL/min at 14 bar, closed at 5 bar: at 9 bar above 5, sqrt(4/9) of it, 32 mL/min."""
    curve = _read(tmp_path).nozzle("N1").curve
    assert curve.flow_m3_s(14e5) == pytest.approx(48e-6 / 60, rel=1e-12)
    assert curve.flow_m3_s(9e5) == pytest.approx(32e-6 / 60, rel=1e-12)
    assert curve.flow_m3_s(5e5) == 0.0


def test_readings_of_a_curve_give_that_curve(tmp_path: Path) -> None:
    """Readings computed by hand from q = 16 mL/min sqrt((p - 5 bar) / 1 bar): 32 at 9, 48 at 14, 64 at 21 bar."""
    pairs = ((9, 32), (14, 48), (21, 64))
    readings = ", ".join(f'{{ pressure = "{p} bar", flow = "{q} mL/min" }}' for p, q in pairs)
    curve = _read(tmp_path, swapped(CATALOGUE, CURVE, f"reading = [{readings}]")).nozzle("N1").curve
    assert (curve.p0_pa, curve.n) == (5e5, pytest.approx(0.5, rel=1e-9))
    assert curve.flow_m3_s(12e5) == pytest.approx(16e-6 / 60 * 7**0.5, rel=1e-9)


def test_readings_of_no_nozzle(tmp_path: Path) -> None:
    """Flow that falls while pressure rises: the fault is the readings'."""
    readings = 'reading = [{ pressure = "9 bar", flow = "40 mL/min" }, { pressure = "14 bar", flow = "30 mL/min" }]'
    with pytest.raises(InputFaults) as caught:
        _read(tmp_path, swapped(CATALOGUE, CURVE, readings))
    (fault,) = caught.value.faults
    assert (fault.path, fault.problem) == ("nozzle[0].reading", "are figures of no nozzle")


def test_loss_grows_with_the_square_of_the_flow() -> None:
    """Turbulent loss at a fixed K: K rho v^2 / 2, so three times the flow loses nine times the pressure."""
    filter_ = InLine("F", loss_pa=2000.0, loss_flow_m3_s=1e-4, price=0.0)
    assert filter_.loss_at_pa(1e-4) == 2000.0
    assert filter_.loss_at_pa(3e-4) == pytest.approx(18_000.0)


def test_fixed_loss_is_the_sum_of_filter_valve_and_manifold(tmp_path: Path) -> None:
    """At 2 L/min by hand: filter 0.2 bar (2/4)^2 = 0.05, valve 0.1, manifold 0.05; 0.2 bar in all."""
    pump: PumpType = _read(tmp_path).pump("P1")
    assert pump.fixed_loss_pa(2e-3 / 60) == pytest.approx(0.2e5, rel=1e-12)


FALLING = (
    "curve = [{ pressure = \"15 bar\", delivery = \"1.9 L/min\" }, { pressure = \"10 bar\", delivery = \"2 L/min\" },"
    " { pressure = \"18 bar\", delivery = \"1.6 L/min\" }]"
)
DELIVERY = 'delivery = "2 L/min"'
PUMP_FAULTS = {
    "no delivery": (DELIVERY, "", "pump[0]: has neither delivery nor a curve"),
    "two deliveries": (DELIVERY, f"{DELIVERY}\n{FALLING}", "pump[0]: has both delivery and a curve"),
    "rising curve": (DELIVERY, FALLING.replace("1.6 L", "2.6 L"), "pump[0].curve: are figures of no pump"),
    "short curve": (DELIVERY, FALLING.replace("18 bar", "15.5 bar"), "pump[0].curve: ends at 15.50 bar, below the 16"),
    "nothing at the top": (
        DELIVERY,
        FALLING.replace("18 bar", "16 bar").replace("1.6 L/min", "0 L/min"),
        "pump[0].curve[2].delivery: ",
    ),
    "bypass too low": (DELIVERY, f'{DELIVERY}\nbypass = "15 bar"', "pump[0].bypass: is below the highest set pressure"),
    "bypass too high": (DELIVERY, f'{DELIVERY}\nbypass = "17.5 bar"', "pump[0].bypass: is above the pump's limit for"),
    "relief in use": (DELIVERY, f'{DELIVERY}\nrelief = "16 bar"', "pump[0].relief: opens where the pump may work, at"),
    "two powers": (DELIVERY, f'{DELIVERY}\npower = "99 W"\nefficiency = 0.5', "pump[0].efficiency: stands beside"),
    "motor of no power": (
        DELIVERY,
        f'{DELIVERY}\nmotor = {{ voltage = "230 V", phases = 1, power_factor = 0.9 }}',
        "pump[0].motor: draws a power that is not known",
    ),
    "two phases": (
        DELIVERY,
        f'{DELIVERY}\nefficiency = 0.5\nmotor = {{ voltage = "230 V", phases = 2, power_factor = 0.9 }}',
        "pump[0].motor.phases: ",
    ),
    "misspelt point": (DELIVERY, FALLING.replace("pressure =", "presure =", 1), 'did you mean "pressure"?'),
}


@pytest.mark.parametrize("case", PUMP_FAULTS)
def test_faults_of_a_pump(case: str, tmp_path: Path) -> None:
    old, new, text = PUMP_FAULTS[case]
    with pytest.raises(InputFaults) as caught:
        _read(tmp_path, swapped(CATALOGUE, old, new))
    assert any(text in str(fault) for fault in caught.value.faults), [str(fault) for fault in caught.value.faults]


def test_a_pump_by_its_curve(tmp_path: Path) -> None:
    """By hand: 1.9 - 0.1 L/min a bar above 15 bar; power p Q / efficiency where the bypass opens; P / (U cos phi)."""
    more = 'bypass = "16.5 bar"\nrelief = "19 bar"\nefficiency = 0.5\n'
    more += 'motor = { voltage = "230 V", phases = 1, power_factor = 0.8 }'
    pump = _read(tmp_path, swapped(CATALOGUE, DELIVERY, f"{FALLING}\n{more}")).pump("P1")
    litre_min = 1e-3 / 60
    assert pump.delivery_m3_s == pytest.approx(2.0 * litre_min)
    assert pump.delivery_at_m3_s(16e5) == pytest.approx(1.8 * litre_min)
    assert pump.times(1.1).delivery_at_m3_s(16e5) == pytest.approx(1.98 * litre_min)
    drawn = 16.5e5 * 1.75 * litre_min / 0.5
    assert pump.power_at_w(12e5) == pytest.approx(drawn)
    assert pump.motor is not None and pump.motor.current_a(drawn) == pytest.approx(drawn / 184)
    assert (pump.bypass_pa, pump.relief_pa, pump.limit_pa) == (16.5e5, 19e5, 17e5)
