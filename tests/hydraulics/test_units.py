"""Quantities as text. Factors are checked against NIST in tests/published/test_nist_sp811.py."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hydraulics.errors import UnitError
from hydraulics.units import ACCEPTED, quantity, show


@pytest.mark.parametrize(("text", "kind", "si"), [
    ("12 bar", "pressure", 1.2e6),
    ("12bar", "pressure", 1.2e6),
    ("  1.2e1 bar ", "pressure", 1.2e6),
    ("9 L/min", "flow", 1.5e-4),
    ("40 mL/min", "flow", 6.6666667e-7),
    ("3.2 mm", "length", 0.0032),
    ("0.125 in", "length", 0.003175),
    ("-40 F", "temperature", -40.0),
    ("20 °C", "temperature", 20.0),
    ("30 deg", "angle", 30.0),
    (".5 m", "length", 0.5),
    ("4 m²", "area", 4.0),
    ("200 L", "volume", 0.2),
    ("45 s", "duration", 45.0),
    ("1.5 min", "duration", 90.0),
    ("0.75 kW", "power", 750.0),
    ("2 mL/m2", "rate", 2e-6),
    ("20 L/ha", "rate", 2e-6),
    ("9 km/h", "speed", 2.5),
])
def test_reads(text: str, kind: str, si: float) -> None:
    assert quantity(text, kind) == pytest.approx(si, rel=1e-7)


@pytest.mark.parametrize(("text", "kind", "said"), [
    ("12", "pressure", "'12': the unit is missing; write a number with one of Pa, kPa, MPa, mbar, bar, psi"),
    ("12 m", "pressure", "'12 m': 'm' is no unit of pressure"),
    ("12 Bar", "pressure", "'Bar' is no unit of pressure"),
    ("1,5 bar", "pressure", "is no pressure"),
    ("nan bar", "pressure", "'nan bar' is no pressure; write a number with one of Pa"),
    ("inf m", "length", "'inf m' is no length"),
    ("1e999 m", "length", "too large"),
    ("", "length", "'' is no length; write a number with one of m, mm, cm, in, ft"),
    ("bar", "pressure", "is no pressure"),
    ("1 2 m", "length", "is no length"),
    ("١ m", "length", "is no length"),
    ("1 m", "charge", "no kind of quantity is named 'charge'; known are pressure"),
])
def test_refuses_naming_value_kind_and_units(text: str, kind: str, said: str) -> None:
    with pytest.raises(UnitError) as error:
        quantity(text, kind)
    assert said in str(error.value)


@pytest.mark.parametrize(("value", "kind", "metric", "us"), [
    (1.25e6, "pressure", "12.50 bar", "181.3 psi"),
    (1.5e-4, "flow", "9.00 L/min", "2.38 gpm"),
    (40e-6 / 60, "small_flow", "40.0 mL/min", "40.0 mL/min"),
    (30.48, "length", "30.5 m", "100.0 ft"),
    (0.003175, "bore", "3.2 mm", "0.125 in"),
    (9.290304, "area", "9.3 m²", "100 ft²"),
    (20.0, "temperature", "20.0 °C", "68.0 °F"),
    (90.0, "angle", "90°", "90°"),
    (0.2, "volume", "200.0 L", "52.8 gal"),
    (90.0, "duration", "90 s", "90 s"),
    (750.0, "power", "750 W", "1.01 hp"),
    (-1e-9, "length", "0.0 m", "0.0 ft"),
])
def test_shows_both_systems(value: float, kind: str, metric: str, us: str) -> None:
    assert show(value, kind, "metric") == metric
    assert show(value, kind, "us") == us


def test_shows_as_many_decimals_as_asked() -> None:
    assert show(1.2345e6, "pressure", "metric", 3) == "12.345 bar"
    assert show(1.2345e6, "pressure", "metric", 0) == "12 bar"


@pytest.mark.parametrize(("kind", "system"), [("charge", "metric"), ("pressure", "imperial")])
def test_shows_nothing_unknown(kind: str, system: str) -> None:
    with pytest.raises(UnitError, match=f"no '{kind}' is shown in '{system}'"):
        show(1.0, kind, system)  # type: ignore[arg-type]


@given(kind=st.sampled_from(sorted(ACCEPTED)), system=st.sampled_from(["metric", "us"]),
       value=st.floats(-1e7, 1e7))
def test_what_is_shown_is_read_back(kind: str, system: str, value: float) -> None:
    text = show(value, kind, system, 12)  # type: ignore[arg-type]
    assert quantity(text, kind) == pytest.approx(value, rel=1e-9, abs=1e-6)


@given(st.text(max_size=12), st.sampled_from(sorted(ACCEPTED)))
def test_any_text_is_a_finite_number_or_a_unit_error(text: str, kind: str) -> None:
    try:
        value = quantity(text, kind)
    except UnitError:
        return
    assert math.isfinite(value)
