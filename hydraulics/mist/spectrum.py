"""Drop spectra by volume: lognormal, Rosin-Rammler, or as tabulated; shares are of volume, not of number.

Dv0.1, Dv0.5 and Dv0.9 are the diameters below which 10, 50 and 90 % of the sprayed volume lie; span is
(Dv0.9 - Dv0.1) / Dv0.5.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, NamedTuple, Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

from hydraulics.errors import RangeError
from hydraulics.units import LITRE_M3

Floats = NDArray[np.float64]
FIGURE_SHARES = (0.1, 0.5, 0.9)


class Spectrum(Protocol):
    """A distribution of volume over diameters."""

    def diameter_m(self, volume_share: ArrayLike) -> Floats:
        """The diameter below which a share of the volume lies (0 < share < 1); same shape."""

    def volume_share(self, diameter_m: ArrayLike) -> Floats:
        """The share of the volume in drops below a diameter; same shape."""

    def mean_inverse_per_m(self) -> float:
        """Mean of 1 / diameter over the volume: one over the Sauter mean diameter D32."""


class Classes(NamedTuple):
    """Drops in K classes: diameters (K), ascending, and the share of the volume in each (K), which sum to 1."""

    diameter_m: Floats
    share: Floats


@dataclass(frozen=True)
class Lognormal:
    """Volume median and geometric standard deviation (above 1)."""

    median_m: float
    deviation: float

    def __post_init__(self) -> None:
        _check("lognormal spectrum", ("median", self.median_m, 0.0), ("geometric deviation", self.deviation, 1.0))

    def diameter_m(self, volume_share: ArrayLike) -> Floats:
        from scipy.special import ndtri

        return np.asarray(self.median_m * self.deviation ** ndtri(np.asarray(volume_share)), dtype=np.float64)

    def volume_share(self, diameter_m: ArrayLike) -> Floats:
        from scipy.special import ndtr

        ratio = np.log(np.asarray(diameter_m, dtype=np.float64) / self.median_m)
        return np.asarray(ndtr(ratio / math.log(self.deviation)), dtype=np.float64)

    def mean_inverse_per_m(self) -> float:
        return math.exp(math.log(self.deviation) ** 2 / 2) / self.median_m


@dataclass(frozen=True)
class RosinRammler:
    """Share below d is 1 - exp(-(d / size)^exponent); Rosin and Rammler (1933). The exponent must exceed 1, or the
    drops would have no finite surface."""

    size_m: float
    exponent: float

    def __post_init__(self) -> None:
        _check("Rosin-Rammler spectrum", ("size", self.size_m, 0.0), ("exponent", self.exponent, 1.0))

    def diameter_m(self, volume_share: ArrayLike) -> Floats:
        above = -np.log1p(-np.asarray(volume_share, dtype=np.float64))
        return np.asarray(self.size_m * above ** (1 / self.exponent), dtype=np.float64)

    def volume_share(self, diameter_m: ArrayLike) -> Floats:
        ratio = np.asarray(diameter_m, dtype=np.float64) / self.size_m
        return np.asarray(-np.expm1(-(ratio**self.exponent)), dtype=np.float64)

    def mean_inverse_per_m(self) -> float:
        return math.gamma(1 - 1 / self.exponent) / self.size_m


@dataclass(frozen=True)
class Tabulated:
    """Edges of size classes, ascending (K + 1), and the share of the volume in each (K), as a laser instrument prints
    them; ln d runs evenly with the share within a class. Shares are scaled to sum to 1."""

    edges_m: tuple[float, ...]
    shares: tuple[float, ...]

    def __post_init__(self) -> None:
        edges, shares = np.asarray(self.edges_m), np.asarray(self.shares)
        if edges.size != shares.size + 1 or not (np.all(edges > 0) and np.all(np.diff(edges) > 0)):
            raise RangeError(f"drop spectrum: {edges.size} edges for {shares.size} shares; give one edge more than "
                             f"shares, each above 0 and above the one before")
        if not (np.all(shares >= 0) and abs(float(shares.sum()) - 1) <= 0.02):
            raise RangeError(f"drop spectrum: shares sum to {float(shares.sum()):g}; give shares of at least 0 "
                             f"that sum to 1 within 0.02")

    def _below(self) -> Floats:
        below = np.concatenate([[0.0], np.cumsum(self.shares)])
        return np.asarray(below / below[-1], dtype=np.float64)

    def diameter_m(self, volume_share: ArrayLike) -> Floats:
        below = self._below()
        rising = np.concatenate([[True], np.diff(below) > 0])  # empty classes have no quantile of their own
        logs = np.interp(np.asarray(volume_share), below[rising], np.log(self.edges_m)[rising])
        return np.asarray(np.exp(logs), dtype=np.float64)

    def volume_share(self, diameter_m: ArrayLike) -> Floats:
        return np.interp(np.log(np.asarray(diameter_m, dtype=np.float64)), np.log(self.edges_m), self._below())

    def mean_inverse_per_m(self) -> float:
        low, high = np.asarray(self.edges_m[:-1]), np.asarray(self.edges_m[1:])
        return float(np.sum(np.diff(self._below()) * (1 / low - 1 / high) / np.log(high / low)))


def spectrum_from_figures(dv10_m: float, dv50_m: float, dv90_m: float,
                          law: Literal["lognormal", "rosin_rammler"] = "lognormal") -> Lognormal | RosinRammler:
    """The spectrum of a law through a catalogue's three figures: least squares of ln d, the median twice as heavy.

    Raises RangeError where figures do not ascend.
    """
    if not 0 < dv10_m < dv50_m < dv90_m:
        raise RangeError(f"drop spectrum: Dv0.1, Dv0.5, Dv0.9 = {dv10_m * 1e6:g}, {dv50_m * 1e6:g}, {dv90_m * 1e6:g} "
                         f"um; give three that ascend from above 0")
    logs, weights = np.log([dv10_m, dv50_m, dv90_m]), np.array([1.0, 2.0, 1.0])
    slope, middle = _fit(_standard_scores(law), logs, weights)
    if law == "lognormal":
        return Lognormal(math.exp(middle), math.exp(slope))
    return RosinRammler(math.exp(middle), 1 / slope)


def spectrum_from_classes(upper_m: Sequence[float], shares: Sequence[float],
                          lowest_m: float | None = None) -> Tabulated:
    """The spectrum of size classes with their upper edges (K) and volume shares (K); the first class begins at
    lowest_m, half its upper edge where not given. Raises RangeError as Tabulated does."""
    upper = tuple(upper_m)
    if not upper:
        raise RangeError("drop spectrum: no classes; give the upper edge and the share of each")
    return Tabulated((upper[0] / 2 if lowest_m is None else lowest_m, *upper), tuple(shares))


def figures_m(spectrum: Spectrum) -> tuple[float, float, float]:
    """Dv0.1, Dv0.5, Dv0.9."""
    dv10, dv50, dv90 = (float(d) for d in spectrum.diameter_m(np.array(FIGURE_SHARES)))
    return dv10, dv50, dv90


def span(spectrum: Spectrum) -> float:
    """Relative span (Dv0.9 - Dv0.1) / Dv0.5."""
    dv10, dv50, dv90 = figures_m(spectrum)
    return (dv90 - dv10) / dv50


def classes(spectrum: Spectrum, count: int = 16) -> Classes:
    """count classes of equal volume, each at the diameter that halves its volume."""
    if count < 1:
        raise RangeError(f"{count} classes of drops: give at least 1")
    middles = (np.arange(count) + 0.5) / count
    return Classes(spectrum.diameter_m(middles), np.full(count, 1 / count))


def surface_m2_per_litre(spectrum: Spectrum) -> float:
    """Surface of the drops that one litre makes: 6 / D32 per volume."""
    return 6 * spectrum.mean_inverse_per_m() * LITRE_M3


# Volume medians at which extension services let the classes of ASABE S572 and ISO 25358 change (memory). The
# standards classify against reference nozzles on the same instrument and give no such table.
_WORDS = ((60e-6, "extremely fine"), (105e-6, "very fine"), (235e-6, "fine"), (340e-6, "medium"), (403e-6, "coarse"),
          (502e-6, "very coarse"), (665e-6, "extremely coarse"), (math.inf, "ultra coarse"))


def approximate_class(spectrum: Spectrum) -> str:
    """The size class by the volume median, in words that say that it is approximate."""
    median = float(spectrum.diameter_m(0.5))
    return f"approximately {next(word for top, word in _WORDS if median <= top)}"


def _standard_scores(law: str) -> Floats:
    """ln d of the law at the shares of the figures, for size 1 and slope 1."""
    shares = np.array(FIGURE_SHARES)
    if law == "lognormal":
        from scipy.special import ndtri

        return np.asarray(ndtri(shares), dtype=np.float64)
    return np.asarray(np.log(-np.log1p(-shares)), dtype=np.float64)


def _fit(scores: Floats, logs: Floats, weights: Floats) -> tuple[float, float]:
    """Weighted least squares of logs = middle + slope * scores."""
    score_mean, log_mean = np.average(scores, weights=weights), np.average(logs, weights=weights)
    slope = np.sum(weights * (scores - score_mean) * (logs - log_mean)) / np.sum(weights * (scores - score_mean) ** 2)
    return float(slope), float(log_mean - slope * score_mean)


def _check(what: str, *values: tuple[str, float, float]) -> None:
    faults = [f"{name} = {value:g}, give a number above {floor:g}" for name, value, floor in values
              if not floor < value < math.inf]
    if faults:
        raise RangeError(f"{what}: {'; '.join(faults)}")
