"""All of the mist is accounted for, whatever nozzles, winds, drops and air."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hydraulics.errors import RangeError
from hydraulics.mist.account import BEYOND, ELSEWHERE, Regions, account, regions_of
from hydraulics.mist.air import Air
from hydraulics.mist.dosage import Nozzles
from hydraulics.mist.evaporation import NO_EVAPORATION, free_drop
from hydraulics.mist.kernel import Mist
from hydraulics.mist.spectrum import Lognormal, classes
from hydraulics.mist.wind import Wind, WindState, calm_and_variable

CELL_M, SIDE = 1.0, 40
MIDDLES = (np.arange(SIDE) + 0.5) * CELL_M
X, Y = np.meshgrid(MIDDLES, MIDDLES)


def halves() -> Regions:
    """A raster of 40 m with a zone in its west half, a keep-out in the north-east, a rim that is off the site."""
    inside = (X > 2) & (X < 38) & (Y > 2) & (Y < 38)
    return regions_of(0.0, 0.0, CELL_M, inside, {"court": X < 20, "pond": (X > 28) & (Y > 28)})


@settings(max_examples=25, deadline=None)
@given(
    speeds=st.lists(st.floats(0.2, 8), min_size=1, max_size=4), seed=st.integers(0, 99),
    median_um=st.floats(8, 150), deviation=st.floats(1.1, 2.2), humidity=st.floats(0.1, 1.0),
    residue=st.floats(0.001, 1.0),
)
def test_shares_sum_to_one(speeds: list[float], seed: int, median_um: float, deviation: float, humidity: float,
                           residue: float) -> None:
    rng = np.random.default_rng(seed)
    wind = Wind(tuple(WindState(v, float(rng.uniform(0, 360)), 1 / len(speeds)) for v in speeds))
    air = Air(25.0, humidity)
    mist = Mist(classes(Lognormal(median_um * 1e-6, deviation), 8), air, free_drop(air, residue))
    nozzles = Nozzles(rng.uniform(-5, 45, 3), rng.uniform(-5, 45, 3), rng.uniform(0.5, 4, 3))
    made = account(nozzles, wind, mist, halves())
    assert made.imbalance_share < 1e-6
    for part in (made.sprayed_share, made.airborne_share, made.liquid_share, made.airborne_liquid_share,
                 made.evaporated_share):
        assert float(part.min()) >= -1e-12


def test_what_a_wind_carries_goes_where_it_blows() -> None:
    """East wind carries mist to the west, that is into the court; without evaporation none evaporates."""
    mist = Mist(classes(Lognormal(60e-6, 1.5), 16), Air(20.0, 0.6), NO_EVAPORATION)
    nozzles = Nozzles(np.array([20.0]), np.array([20.0]), np.array([2.4]))
    made = account(nozzles, Wind((WindState(1.0, 90.0, 0.5), WindState(1.0, 270.0, 0.5))), mist, halves())
    assert made.regions == ("court", "pond", ELSEWHERE, BEYOND)
    court, pond, elsewhere, _ = made.sprayed_share[0].T
    assert court[0] > 0.2 and court[1] == 0 and elsewhere[1] == pytest.approx(court[0], rel=1e-3)
    assert float(made.evaporated_share.max()) == 0
    assert float(pond.max()) < 1e-3


def test_no_air_takes_more_than_all_water() -> None:
    """Saturated air takes nothing; dry air leaves the residue of fine drops, which all drifts off."""
    drops, nozzles = classes(Lognormal(15e-6, 1.2), 8), Nozzles(np.array([20.0]), np.array([20.0]), np.array([2.4]))
    wet, dry = (account(nozzles, Wind(calm_and_variable()), Mist(drops, air, free_drop(air, 0.05)), halves())
                for air in (Air(20.0, 1.0), Air(20.0, 0.2)))
    assert float(wet.evaporated_share.max()) < 1e-6
    assert float(dry.evaporated_share.min()) > 0.9
    assert float(dry.airborne_liquid_share.max()) == pytest.approx(0.05 * float(dry.airborne_share.max()), rel=1e-6)
    assert float(dry.gone_share.min()) > float(wet.gone_share.min())


def test_refuses_masks_of_another_shape() -> None:
    with pytest.raises(RangeError, match=r"'pond' is \(3, 4\).*masks of one shape"):
        regions_of(0.0, 0.0, 1.0, np.ones((4, 4), dtype=bool), {"pond": np.ones((3, 4), dtype=bool)})


def test_a_keep_out_over_the_boundary_counts_both_ways() -> None:
    """A neighbour's seats in the lee: what comes down there is over the boundary, and is told by itself."""
    inside = X < 20
    seats = (X > 22) & (X < 30) & (Y > 16) & (Y < 24)
    ground = regions_of(0.0, 0.0, CELL_M, inside, {"seats": seats, "across": (X > 18) & (X < 22)})
    mist = Mist(classes(Lognormal(60e-6, 1.5), 16), Air(20.0, 0.6), NO_EVAPORATION)
    nozzles, wind = Nozzles(np.array([15.0]), np.array([20.0]), np.array([2.4])), Wind((WindState(1.0, 270.0, 1.0),))
    made = account(nozzles, wind, mist, ground)
    open_field = account(nozzles, wind, mist, regions_of(0.0, 0.0, CELL_M, inside | True, {"seats": seats}))
    assert made.imbalance_share < 1e-6
    assert made.into_share(0)[0, 0] == made.beyond_sprayed_share[0, 0, 0]
    assert made.into_share(0)[0, 0] == pytest.approx(open_field.sprayed_share[0, 0, 0], rel=1e-12)
    assert made.into_share(0)[0, 0] > 0.05
    assert made.sprayed_share[0, 0, 1] > 0 and made.beyond_sprayed_share[0, 0, 1] > 0
    assert made.gone_share[0, 0] > made.beyond_sprayed_share[0, 0].sum()
