"""Properties of water as the International Association for the Properties of Water and Steam gives them.

IAPWS R12-08: Release on the IAPWS Formulation 2008 for the Viscosity of Ordinary Water Substance, table 4.
IAPWS R6-95 (IAPWS-95): density at 0.101325 MPa, and R12-08 at that density; both computed with two libraries.
"""

from __future__ import annotations

import pytest

from hydraulics.water import viscosity_pa_s, water_at


@pytest.mark.parametrize(("temperature_k", "density_kg_m3", "viscosity_upa_s"), [
    # R12-08, table 4, at its printed precision
    (298.15, 998.0, 889.735100),
    (298.15, 1200.0, 1437.649467),
    (373.15, 1000.0, 307.883622),
])
def test_viscosity_of_table_4(temperature_k: float, density_kg_m3: float, viscosity_upa_s: float) -> None:
    assert round(1e6 * viscosity_pa_s(temperature_k, density_kg_m3), 6) == viscosity_upa_s


@pytest.mark.parametrize(("temperature_c", "density_kg_m3", "viscosity_mpa_s"), [
    # IAPWS-95 with R12-08 at 0.101325 MPa
    (5, 999.967, 1.5182),
    (10, 999.702, 1.3059),
    (20, 998.207, 1.0016),
    (30, 995.649, 0.7972),
    (40, 992.216, 0.6527),
])
def test_water_at_atmospheric_pressure(
    temperature_c: float, density_kg_m3: float, viscosity_mpa_s: float
) -> None:
    water = water_at(temperature_c)
    # The density is Kell's (1975) of an older temperature scale: 0.001 % is its distance, not rounding.
    assert water.density_kg_m3 == pytest.approx(density_kg_m3, rel=1e-5)
    assert round(1e3 * water.viscosity_pa_s, 4) == viscosity_mpa_s
