"""Thompson and Taylor (2008), Guide for the Use of the International System of Units, NIST SP 811, app. B.

psi, gallon and gallon per minute computed from the exact definitions; the others are exact by definition.
"""

from __future__ import annotations

import pytest

from hydraulics.units import quantity


@pytest.mark.parametrize(("text", "kind", "si"), [
    ("1 psi", "pressure", 6894.757293),
    ("1 bar", "pressure", 1e5),
    ("1 gpm", "flow", 6.309020e-5),
    ("1 gph", "flow", 1.051503e-6),
    ("1 L/min", "flow", 1.666667e-5),
    ("1 in", "length", 2.54e-2),
    ("1 ft", "length", 3.048e-1),
    ("1 um", "length", 1e-6),
    ("1 mph", "speed", 4.4704e-1),
    ("1 kn", "speed", 5.144444e-1),
    ("1 km/h", "speed", 2.777778e-1),
    ("1 ft2", "area", 9.290304e-2),
    ("1 ha", "area", 1e4),
    ("1 gal", "volume", 3.785412e-3),
    ("1 L", "volume", 1e-3),
    ("1 h", "duration", 3600.0),
    ("1 hp", "power", 745.6999),  # of 550 ft lbf/s
    ("1 acre", "area", 4046.856),  # of the international foot; appendix B prints the survey foot's 4046.873
    ("1 gal/acre", "rate", 9.353958e-7),  # computed from the two
    ("32 F", "temperature", 0.0),
    ("212 F", "temperature", 100.0),
    ("273.15 K", "temperature", 0.0),
    ("3.141592653589793 rad", "angle", 180.0),
])
def test_conversion(text: str, kind: str, si: float) -> None:
    assert quantity(text, kind) == pytest.approx(si, rel=2e-7, abs=1e-12)
