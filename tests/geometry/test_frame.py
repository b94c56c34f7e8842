"""The local frame against pyproj (PROJ's `topocentric` conversion and geodesics) and against itself."""

from __future__ import annotations

import numpy as np
import pyproj
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geometry.frame import Frame, to_local, to_lonlat

ORIGINS = [Frame(0.0, 0.0), Frame(-150.0, -40.0), Frame(12.5, 47.3), Frame(179.5, 66.0)]


def around(frame: Frame, spread_deg: float = 0.05) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(7)
    return tuple(rng.uniform(c - spread_deg, c + spread_deg, 50) for c in (frame.lon0, frame.lat0))  # type: ignore


@pytest.mark.parametrize("frame", ORIGINS)
def test_east_and_north_are_those_of_proj(frame: Frame) -> None:
    lon, lat = around(frame)
    pipeline = (
        "+proj=pipeline +step +proj=cart +ellps=WGS84 +step +proj=topocentric +ellps=WGS84 "
        f"+lon_0={frame.lon0} +lat_0={frame.lat0} +h_0=0"
    )
    east, north, _ = pyproj.Transformer.from_pipeline(pipeline).transform(lon, lat, np.zeros_like(lon))
    x, y = to_local(frame, lon, lat)
    np.testing.assert_allclose(x, east, atol=1e-7)
    np.testing.assert_allclose(y, north, atol=1e-7)


@pytest.mark.parametrize("frame", ORIGINS)
def test_distances_within_a_site_are_those_of_the_geodesic(frame: Frame) -> None:
    lon, lat = around(frame, spread_deg=0.01)
    x, y = to_local(frame, lon, lat)
    _, _, geodesic = pyproj.Geod(ellps="WGS84").inv(lon[:-1], lat[:-1], lon[1:], lat[1:])
    np.testing.assert_allclose(np.hypot(np.diff(x), np.diff(y)), geodesic, rtol=5e-7)


@given(
    lon0=st.floats(-180, 180),
    lat0=st.floats(-85, 85),
    x=st.floats(-10_000, 10_000),
    y=st.floats(-10_000, 10_000),
)
def test_there_and_back_is_the_same_place(lon0: float, lat0: float, x: float, y: float) -> None:
    frame = Frame(lon0, lat0)
    back = to_local(frame, *to_lonlat(frame, [x], [y]))
    np.testing.assert_allclose([back[0][0], back[1][0]], [x, y], atol=2e-8)
