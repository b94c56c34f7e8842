"""What a pump may be."""

from __future__ import annotations

import math

import pytest

from hydraulics.errors import RangeError
from hydraulics.pump import Pump

PSI_PA = 6894.757293  # NIST SP 811


def test_a_pump_set_below_its_limit() -> None:
    """Common practice, no source: a pump that fails in sustained use above 275 psi is set to 250 psi."""
    assert Pump(250 * PSI_PA, 1e-4, 275 * PSI_PA).set_pressure_pa == pytest.approx(1.7237e6, rel=1e-4)


@pytest.mark.parametrize(("set_pa", "delivery", "limit_pa", "said"), [
    (3e6, 1e-4, 2e6, "pump: set pressure 3e+06 Pa is above the limit of 2e+06 Pa"),
    (0.0, 1e-4, 2e6, "set pressure 0 Pa, give one above 0"),
    (1e6, -1e-4, 2e6, "delivery -0.0001 m3/s, give one above 0"),
    (1e6, math.nan, 2e6, "delivery nan m3/s"),
    (1e6, 1e-4, math.nan, "above the limit of nan Pa"),
    (-1.0, 0.0, 2e6, "set pressure -1 Pa, give one above 0; delivery 0 m3/s, give one above 0"),
])
def test_refuses_what_no_pump_does(set_pa: float, delivery: float, limit_pa: float, said: str) -> None:
    with pytest.raises(RangeError) as error:
        Pump(set_pa, delivery, limit_pa)
    assert said in str(error.value)
