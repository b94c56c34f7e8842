"""Colebrook (1939), J. Inst. Civ. Eng. 11, 133: 1/sqrt f = -2 log10(eps / 3.7 D + 2.51 / (Re sqrt f)).

Values computed two ways outside this project, once more here by `fluids`. The package itself uses the
formula of Swamee and Jain; the distance asserted is theirs (test_swamee_jain.py), not a loose tolerance.
"""

from __future__ import annotations

import pytest
from fluids.friction import friction_factor as fluids_friction_factor

from hydraulics.friction import friction_factor

VALUES = [
    # Re, eps / D, f
    (1e5, 1e-3, 0.022175),
    (1e5, 0.0, 0.017990),
    (1e6, 1e-4, 0.013441),
    (1e4, 1e-3, 0.032382),
    (1e6, 0.05, 0.071574),
]


@pytest.mark.parametrize(("reynolds", "relative_roughness", "factor"), VALUES)
def test_within_the_distance_of_the_explicit_formula(
    reynolds: float, relative_roughness: float, factor: float
) -> None:
    ours = float(friction_factor(reynolds, relative_roughness))
    assert -0.0075 < ours / factor - 1 < 0.0175


@pytest.mark.parametrize(("reynolds", "relative_roughness", "factor"), VALUES)
def test_the_table_itself(reynolds: float, relative_roughness: float, factor: float) -> None:
    exact = fluids_friction_factor(Re=reynolds, eD=relative_roughness, Method="Colebrook")
    assert round(exact, 6) == factor
