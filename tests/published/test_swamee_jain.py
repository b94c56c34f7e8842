"""Swamee and Jain (1976), J. Hydraul. Div. ASCE 102, 657: an explicit friction factor near Colebrook's.

Its distance to Colebrook over Re 4e3 to 1e8, -0.7 % to +1.7 %, was computed outside this project. That is the
distance in smooth tubing, eps/D up to 1e-4; in rough tubing it grows to +3.1 %, which `fluids` shows as well.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest
from fluids.friction import friction_factor as fluids_friction_factor

from hydraulics.friction import friction_factor

REYNOLDS = np.geomspace(4.001e3, 1e8, 60)
ROUGHNESS = np.array([1e-6, 1e-5, 1e-4, 1e-3, 1e-2, 0.05])


def test_the_formula_as_printed() -> None:
    # 0.25 / log10(1e-3 / 3.7 + 5.74 / 1e5^0.9)^2 = 0.25 / 3.3450...^2, by hand
    assert float(friction_factor(1e5, 1e-3)) == pytest.approx(0.0223424, abs=5e-8)


@pytest.mark.parametrize("relative_roughness", ROUGHNESS)
def test_equals_the_library_fluids(relative_roughness: float) -> None:
    ours = friction_factor(REYNOLDS, relative_roughness)
    theirs = [fluids_friction_factor(Re=re, eD=relative_roughness, Method="Swamee_Jain_1976")
              for re in REYNOLDS]
    # fluids writes (6.97 / Re)^0.9 for 5.74 / Re^0.9: 6.97^0.9 = 5.7405, hence 1e-5 and not rounding.
    np.testing.assert_allclose(ours, theirs, rtol=2e-5)


@pytest.mark.filterwarnings("ignore:overflow:RuntimeWarning")  # of fluids
@pytest.mark.parametrize(("roughness", "lowest", "highest"), [
    ((0.0, *ROUGHNESS[:3]), -0.007, 0.017),
    (ROUGHNESS[3:], 0.0, 0.031),
])
def test_distance_to_colebrook(roughness: Sequence[float], lowest: float, highest: float) -> None:
    distances = [
        float(friction_factor(re, rough)) / fluids_friction_factor(Re=re, eD=rough, Method="Colebrook") - 1
        for re in REYNOLDS for rough in roughness
    ]
    assert min(distances) == pytest.approx(lowest, abs=1e-3)
    assert max(distances) == pytest.approx(highest, abs=1e-3)
