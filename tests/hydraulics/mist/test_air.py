"""Moist air and the wet bulb against published values and another library."""

from __future__ import annotations

import math

import fluids
import pytest
from iapws.iapws97 import _PSat_T  # type: ignore[import-untyped]

from hydraulics.errors import RangeError
from hydraulics.mist.air import Air, saturation_pa


@pytest.mark.parametrize("temperature_c", [0.01, 5, 10, 20, 30, 40, 50])
def test_saturation_by_iapws(temperature_c: float) -> None:
    """IAPWS-IF97, region 4; moist air holds 0.4 % more than pure vapour, which Buck's formula counts."""
    assert saturation_pa(temperature_c) == pytest.approx(1e6 * _PSat_T(temperature_c + 273.15), rel=1.5e-3)


@pytest.mark.parametrize("elevation_m", [0.0, 1000.0, 3000.0])
def test_dry_air_of_the_standard_atmosphere(elevation_m: float) -> None:
    """`fluids`: U.S. Standard Atmosphere (1976), density and viscosity."""
    standard = fluids.ATMOSPHERE_1976(elevation_m)
    air = Air(standard.T - 273.15, 0.0, standard.P)
    assert air.density_kg_m3 == pytest.approx(standard.rho, rel=1e-5)
    assert air.viscosity_pa_s == pytest.approx(standard.mu, rel=1e-5)


def test_moist_air_is_lighter() -> None:
    """Vapour has 18 / 29 of the weight: at 30 °C saturated, 4.2 % vapour makes air 1.6 % lighter, by hand."""
    assert Air(30.0, 1.0).density_kg_m3 / Air(30.0, 0.0).density_kg_m3 == pytest.approx(1 - 0.0419 * 0.378, rel=1e-3)


def test_mean_free_path() -> None:
    """0.066 um at 20 °C and 1 atm; Hinds, Aerosol Technology (memory)."""
    assert Air(20.0, 0.0).mean_free_path_m == pytest.approx(0.066e-6, rel=0.02)


@pytest.mark.parametrize(("temperature_c", "humidity_share", "wet_c"), [
    # Psychrometric table of the U.S. Weather Bureau as TM 5-3610-285-14 works it (seen): 68 °F dry, 62 °F wet, 71 %.
    (20.0, 0.71, (62 - 32) / 1.8),
    (20.0, 0.50, 13.7),  # worked example of Stull (2011), J. Appl. Meteor. Climatol. 50, 2267 (memory)
    # Adiabatic saturation as the documentation of another program prints it (seen).
    (30.0, 0.60, 23.83), (20.0, 0.60, 15.23), (20.0, 0.40, 12.40),
])
def test_wet_bulb_of_a_psychrometric_table(temperature_c: float, humidity_share: float, wet_c: float) -> None:
    assert Air(temperature_c, humidity_share).wet_bulb_c == pytest.approx(wet_c, abs=0.2)


@pytest.mark.parametrize("temperature_c", [5, 15, 25, 35])
@pytest.mark.parametrize("humidity", [20, 40, 60, 80, 95])
def test_wet_bulb_by_another_formula(temperature_c: float, humidity: float) -> None:
    """Stull (2011), equation 1 (memory): fitted to the tables, from -1.0 to +0.65 °C off them."""
    other = (temperature_c * math.atan(0.151977 * math.sqrt(humidity + 8.313659)) + math.atan(temperature_c + humidity)
             - math.atan(humidity - 1.676331) + 0.00391838 * humidity**1.5 * math.atan(0.023101 * humidity) - 4.686035)
    assert other - 0.65 <= Air(temperature_c, humidity / 100).wet_bulb_c <= other + 1.0


@pytest.mark.parametrize("temperature_c", [0, 20, 40])
def test_saturated_air_cools_nothing(temperature_c: float) -> None:
    assert Air(temperature_c, 1.0).wet_bulb_c == pytest.approx(temperature_c, abs=1e-6)


def test_names_all_that_is_no_air() -> None:
    with pytest.raises(RangeError, match=r"temperature 90 °C.*humidity 60, give a share from 0 to 1; pressure 1013 Pa"):
        Air(90.0, 60.0, 1013.0)
