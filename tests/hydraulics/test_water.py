"""Water by temperature against the library `iapws` (IAPWS-95 and R12-08)."""

from __future__ import annotations

import numpy as np
import pytest
from iapws import IAPWS95  # type: ignore[import-untyped]

from hydraulics.errors import RangeError
from hydraulics.water import water_at


@pytest.mark.parametrize("temperature_c", [0.01, 1, 4, 12, 18, 25, 37, 45, 55, 60])
def test_density_and_viscosity_by_another_library(temperature_c: float) -> None:
    reference = IAPWS95(T=temperature_c + 273.15, P=0.101325)
    water = water_at(temperature_c)
    assert water.density_kg_m3 == pytest.approx(reference.rho, rel=1e-5)
    assert water.viscosity_pa_s == pytest.approx(reference.mu, rel=3e-5)


def test_heaviest_at_four_degrees() -> None:
    temperatures = np.linspace(0, 60, 601)
    densities = [water_at(float(t)).density_kg_m3 for t in temperatures]
    assert temperatures[int(np.argmax(densities))] == pytest.approx(3.98, abs=0.1)  # IAPWS-95: 3.98 °C


@pytest.mark.parametrize("temperature_c", [-0.1, 60.1, float("nan"), float("inf")])
def test_refuses_what_is_no_water_of_a_misting_line(temperature_c: float) -> None:
    with pytest.raises(RangeError, match=r"water temperature .* give one from 0 to 60 °C"):
        water_at(temperature_c)
