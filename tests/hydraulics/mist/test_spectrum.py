"""Spectra: figures given come back, shares sum to 1, surface by closed forms and by the classes."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from hydraulics.errors import RangeError
from hydraulics.mist.spectrum import (
    Lognormal,
    RosinRammler,
    Spectrum,
    Tabulated,
    approximate_class,
    classes,
    figures_m,
    span,
    spectrum_from_classes,
    spectrum_from_figures,
    surface_m2_per_litre,
)

SPECTRA = [Lognormal(45e-6, 1.7), RosinRammler(50e-6, 2.4),
           Tabulated((5e-6, 20e-6, 40e-6, 60e-6, 150e-6), (0.1, 0.3, 0.4, 0.2))]


def test_figures_of_both_laws_by_scipy() -> None:
    """scipy.stats.lognorm and weibull_min have the same distributions under other names."""
    q = np.array([0.1, 0.5, 0.9])
    assert figures_m(SPECTRA[0]) == pytest.approx(stats.lognorm(math.log(1.7), scale=45e-6).ppf(q), rel=1e-12)
    assert figures_m(SPECTRA[1]) == pytest.approx(stats.weibull_min(2.4, scale=50e-6).ppf(q), rel=1e-12)


@given(st.floats(1e-6, 5e-4), st.floats(1.05, 3.0))
def test_figures_of_a_lognormal_give_it_back(median_m: float, deviation: float) -> None:
    back = spectrum_from_figures(*figures_m(Lognormal(median_m, deviation)))
    assert isinstance(back, Lognormal)
    assert (back.median_m, back.deviation) == pytest.approx((median_m, deviation), rel=1e-9)


@given(st.floats(1e-6, 5e-4), st.floats(1.2, 6.0))
def test_figures_of_a_rosin_rammler_give_it_back(size_m: float, exponent: float) -> None:
    back = spectrum_from_figures(*figures_m(RosinRammler(size_m, exponent)), law="rosin_rammler")
    assert isinstance(back, RosinRammler)
    assert (back.size_m, back.exponent) == pytest.approx((size_m, exponent), rel=1e-9)


@pytest.mark.parametrize("spectrum", SPECTRA)
def test_quantile_and_share_are_inverse(spectrum: Spectrum) -> None:
    shares = np.linspace(0.01, 0.99, 50)
    assert spectrum.volume_share(spectrum.diameter_m(shares)) == pytest.approx(shares, abs=1e-9)


@pytest.mark.parametrize("spectrum", SPECTRA)
def test_surface_is_that_of_many_classes(spectrum: Spectrum) -> None:
    """A litre in spheres of diameter d has 6 / d per volume."""
    many = classes(spectrum, 200_000)
    assert surface_m2_per_litre(spectrum) == pytest.approx(float(np.sum(many.share * 6e-3 / many.diameter_m)), rel=2e-3)


def test_a_litre_of_forty_micron() -> None:
    """By hand: 6 / 40 um * 1 L = 150 m2; smaller drops have more surface per volume (common practice, no source)."""
    assert surface_m2_per_litre(Lognormal(40e-6, 1.0001)) == pytest.approx(150, rel=1e-6)
    surfaces = [surface_m2_per_litre(Lognormal(d * 1e-6, 1.6)) for d in (5, 10, 20, 40, 80)]
    assert np.all(np.diff(surfaces) < 0)


@pytest.mark.parametrize("count", [1, 4, 16, 100])
@pytest.mark.parametrize("spectrum", SPECTRA)
def test_classes_hold_all_volume_and_ascend(spectrum: Spectrum, count: int) -> None:
    made = classes(spectrum, count)
    assert made.share.sum() == pytest.approx(1, abs=1e-12)
    assert np.all(np.diff(made.diameter_m) > 0) and made.diameter_m.size == count


def test_classes_of_an_instrument() -> None:
    spectrum = spectrum_from_classes([20e-6, 40e-6, 60e-6], [0.25, 0.5, 0.25])
    assert spectrum.volume_share([10e-6, 20e-6, 40e-6, 60e-6]) == pytest.approx([0, 0.25, 0.75, 1])
    assert figures_m(spectrum)[1] == pytest.approx(math.sqrt(20e-6 * 40e-6))  # half of the middle class, in ln d
    assert span(spectrum) > 0


def test_size_class_is_told_as_approximate() -> None:
    assert approximate_class(Lognormal(45e-6, 1.6)) == "approximately extremely fine"
    assert approximate_class(Lognormal(300e-6, 1.6)) == "approximately medium"


@pytest.mark.parametrize(("make", "words"), [
    (lambda: spectrum_from_figures(50e-6, 40e-6, 90e-6), "give three that ascend"),
    (lambda: spectrum_from_figures(0.0, 40e-6, 90e-6), "give three that ascend"),
    (lambda: RosinRammler(40e-6, 0.9), "exponent = 0.9, give a number above 1"),
    (lambda: Lognormal(-1.0, 0.5), "median = -1.*geometric deviation = 0.5"),
    (lambda: spectrum_from_classes([20e-6, 40e-6], [0.5, 0.2]), "shares sum to 0.7"),
    (lambda: spectrum_from_classes([40e-6, 20e-6], [0.5, 0.5]), "each above 0 and above the one before"),
    (lambda: spectrum_from_classes([], []), "no classes"),
    (lambda: classes(SPECTRA[0], 0), "give at least 1"),
])
def test_refuses_what_is_no_spectrum(make: object, words: str) -> None:
    with pytest.raises(RangeError, match=words):
        make()  # type: ignore[operator]
