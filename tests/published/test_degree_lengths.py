"""Lengths of a degree of latitude and longitude on WGS 84.

Source: the table of degree lengths of the National Geospatial-Intelligence Agency's calculator as commonly
reprinted, metres rounded to one metre; values from memory.
"""

from __future__ import annotations

import pytest

from geometry.frame import Frame, to_local


@pytest.mark.parametrize(
    ("latitude", "of_latitude_m", "of_longitude_m"),
    [
        (0, 110_574, 111_320),
        (15, 110_649, 107_550),
        (30, 110_852, 96_486),
        (45, 111_132, 78_847),
        (60, 111_412, 55_800),
        (75, 111_618, 28_902),
    ],
)
def test_degree_lengths(latitude: float, of_latitude_m: int, of_longitude_m: int) -> None:
    small = 1e-3
    x, y = to_local(Frame(10.0, latitude), [10.0 + small, 10.0], [latitude, latitude + small])
    _, below = to_local(Frame(10.0, latitude), [10.0], [latitude - small])
    assert x[0] / small == pytest.approx(of_longitude_m, abs=1.0)
    assert (y[1] - below[0]) / (2 * small) == pytest.approx(of_latitude_m, abs=1.0)
