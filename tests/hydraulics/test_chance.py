"""Draws against scipy's distributions; that they depend on nothing but seed, source, part and sample."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import special, stats

from hydraulics.chance import CUT, normal_quantile, sample_key, spread_draw, uniform_draw
from hydraulics.errors import RangeError
from hydraulics.tolerance import Spread

DRAWS = 20_000


def drawn(spread: Spread, seed: int = 3, source: int = 1) -> list[float]:
    low, high, normal = spread.row
    return [spread_draw(low, high, normal, np.uint64(sample_key(seed, s)), source, 0) for s in range(DRAWS)]


def test_normal_quantile_is_that_of_scipy() -> None:
    shares = np.concatenate([np.geomspace(1e-10, 0.5, 2000), 1.0 - np.geomspace(1e-9, 0.5, 2000)])
    ours = np.array([normal_quantile(share) for share in shares])
    np.testing.assert_allclose(ours, special.ndtri(shares), rtol=1e-14, atol=1e-14)


def test_spreads_are_the_distributions_that_they_say() -> None:
    """Kolmogorov and Smirnov's test against scipy's truncated normal and uniform distributions."""
    normal = stats.truncnorm(-CUT, CUT, loc=0.1, scale=0.05)
    for spread, told in ((Spread(0.0, 0.2), normal), (Spread(0.0, 0.2, "uniform"), stats.uniform(0.0, 0.2))):
        found = drawn(spread)
        assert min(found) >= 0.0 and max(found) <= 0.2
        assert stats.kstest(found, told.cdf).pvalue > 0.01


def test_draws_of_sources_parts_and_samples_are_unrelated() -> None:
    keys = [np.uint64(sample_key(0, s)) for s in range(4000)]
    columns = [[uniform_draw(key, source, part) for key in keys] for source in (0, 1) for part in (0, 1)]
    columns.append(columns[0][1:] + columns[0][:1])  # the same draw of the next sample
    related = np.corrcoef(columns) - np.eye(len(columns))
    assert np.abs(related).max() < 4.0 / np.sqrt(4000)


def test_a_seed_of_its_own_gives_draws_of_its_own() -> None:
    assert drawn(Spread(0, 1), seed=3) == drawn(Spread(0, 1), seed=3)
    assert not set(drawn(Spread(0, 1), seed=3)) & set(drawn(Spread(0, 1), seed=4))


@pytest.mark.parametrize(("low", "high", "shape"), [(1, 0, "normal"), (0, np.inf, "uniform"), (0, 1, "square")])
def test_a_spread_that_is_none_is_refused(low: float, high: float, shape: str) -> None:
    with pytest.raises(RangeError, match="give"):
        Spread(low, high, shape)  # type: ignore[arg-type]
