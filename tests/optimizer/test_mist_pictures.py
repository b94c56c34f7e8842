"""The dosage map and the drift rose: what they show by hand, same bytes, colours in order."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from matplotlib.colors import to_rgb

from optimizer.appraisal.misted import Fate, MistAccount, WindFate
from optimizer.report.dosage import dosage_picture
from optimizer.report.dosage_column import LIMITS, account_rows
from optimizer.report.dosage_files import MIST_FILES, mist_files
from optimizer.report.dosage_scale import ML_S_M3, steps_for
from optimizer.report.drift_rose import drift_rose_picture, petals
from tests.optimizer.drawn_design import example_design, example_site
from tests.optimizer.drawn_mist import example_mist
from tests.optimizer.test_plan import words_of

SITE = example_site()
DESIGN = example_design(SITE)


@pytest.fixture(scope="module")
def mist() -> MistAccount:
    return example_mist(DESIGN)


def test_pictures_are_the_same_bytes_again(mist: MistAccount) -> None:
    one, other = (mist_files(mist, DESIGN, SITE, "Court $1 & <2>", "Two pumps") for _ in range(2))
    assert tuple(one) == MIST_FILES and one == other
    for name, content in one.items():
        assert isinstance(content, bytes if name.endswith("png") else str)
    assert one["dosage.png"][:8] == b"\x89PNG\r\n\x1a\n"
    assert mist_files(None, DESIGN, SITE, "Court", "Two pumps") == {}


def test_the_map_tells_what_it_shows_and_leaves_out(mist: MistAccount) -> None:
    words = words_of(dosage_picture(mist, DESIGN, SITE, "Court", "Two pumps").svg)
    text = " ".join(words)
    assert "mL OF MIST PER m³ OF AIR × SECONDS" in words and "one cycle of 45 s" in text
    assert all(part in text for part in ("no foliage", "no stability classes", "no measure of what insects take up"))
    assert all(sentence.split(",")[0] in text for sentence in LIMITS)
    assert "UNVERIFIED" not in words
    doubtful = replace(DESIGN, verification=replace(DESIGN.verification, verified=False))
    assert "UNVERIFIED" in words_of(dosage_picture(mist, doubtful, SITE, "Court", "Two pumps").svg)


def test_the_rose_tells_its_means(mist: MistAccount) -> None:
    text = " ".join(words_of(drift_rose_picture(mist, "Court", "Two pumps").svg))
    assert f"{100.0 * mist.rose.no_evaporation.over_boundary:.1f} % of the mist goes over the boundary" in text
    assert "most allowed of the mean, 80 %" in text and "no stability classes" in text
    assert "The wind is assumed" in text and "Pond" in text


def test_a_map_without_mist_says_so(mist: MistAccount) -> None:
    none = replace(mist, grid=replace(mist.grid, dosage_s=np.zeros_like(mist.grid.dosage_s)))
    assert "No mist is reckoned with." in words_of(dosage_picture(none, DESIGN, SITE, "Court", "Two pumps").svg)


def test_rows_of_the_account_sum_to_all(mist: MistAccount) -> None:
    for fate in (mist.rose.no_evaporation, mist.rose.free_drops):
        assert sum(account_rows(mist.places, fate).values()) == pytest.approx(1, abs=1e-6)
    assert "keep-out Pond" in account_rows(mist.places, mist.rose.no_evaporation)
    many = tuple(f"keep-out {number}" for number in range(9))
    fate = Fate((0.01,) * 9 + (0.3, 0.2), 0.41, 0.0, 0.4, (0.0,) * 11)
    together = account_rows((*many, "zone a", "elsewhere on site"), fate)
    assert together["on 9 keep-outs"] == pytest.approx(0.09) and together["on the ground of the zones"] == 0.3


def test_winds_of_one_bearing_are_one_petal() -> None:
    """By hand: 225 degrees with 3 and 1 parts of the hours, (3 * 0.2 + 1 * 0.4) / 4 = 0.25; 360 degrees is 0."""
    def wind(bearing: float, share: float, kept: float) -> WindFate:
        none, free = Fate((), kept, 0.0, kept, ()), Fate((), 0.1, 0.5, 2 * kept, ())
        return WindFate(bearing, 1.0, share, none, free, kept + 0.12)

    winds = [wind(225.0, 0.3, 0.2), wind(360.0, 0.4, 0.1), wind(225.0, 0.1, 0.4), wind(0.0, 0.2, 0.1)]
    north, south_west = petals(winds)
    assert (north.from_deg, len(north.winds), north.kept) == (0.0, 2, pytest.approx(0.1))
    assert (south_west.kept, south_west.claimed, south_west.carried) == pytest.approx((0.25, 0.37, 0.5))


def test_steps_by_hand() -> None:
    """42 at most: preferred numbers below it, as fine as reach down to what nine tenths of the map pass."""
    wide = steps_for(np.array([0.0] * 5 + [42.0]) * ML_S_M3)
    assert wide is not None and wide.edges == (0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0)[-len(wide.edges):]
    near = steps_for(np.linspace(12.0, 42.0, 50) * ML_S_M3)
    assert near is not None and near.edges == (10.0, 12.5, 16.0, 20.0, 25.0, 31.5, 40.0)
    assert near.words()[0] == "10 to 12.5" and near.words()[-1] == "above 40"
    assert steps_for(np.zeros(4)) is None


def test_colours_darken_evenly_in_one_hue() -> None:
    """CIE lightness, IEC 61966-2-1 and CIE 15: each step darker than the one before, none by more than three times the
    least step."""
    steps = steps_for(np.linspace(12.0, 42.0, 50) * ML_S_M3)
    assert steps is not None
    light = []
    for colour in steps.colours:
        linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in to_rgb(colour)]
        light.append(116.0 * (0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]) ** (1 / 3) - 16.0)
    drops = -np.diff(light)
    assert np.all(drops > 3.0) and drops.max() < 3.0 * drops.min()
