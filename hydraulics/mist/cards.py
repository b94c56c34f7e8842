"""Reach from cards: what comes down on cards that lie about one nozzle in calm air, fitted by a bell.

Deposit at a distance r from the foot of the nozzle is taken as peak exp(-(r / width)^2); the reach is where that falls
to the least deposit that counts: width (ln(peak / least))^(1/2).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from hydraulics.errors import RangeError

FEWEST = 4  # cards: two more than what is fitted


@dataclass(frozen=True)
class FittedReach:
    """reach_m with its standard error_m; residual_m: root mean square of what the bell misses, as deposit."""

    reach_m: float
    error_m: float
    residual_m: float
    cards: int


def reach_of_cards(distance_m: Sequence[float], deposit_m: Sequence[float], least_m: float) -> FittedReach:
    """The reach that cards at distances (C,) with deposits (C,), volume on area, tell for a least deposit.

    Least squares by `scipy.optimize.curve_fit`; the error follows from the covariance by the delta method. Raises
    RangeError for fewer than four cards, distances or deposits below 0, deposits that never pass the least one or do
    not fall with distance, and a reach beyond the furthest card.
    """
    from scipy.optimize import curve_fit

    r, d = np.asarray(distance_m, dtype=np.float64), np.asarray(deposit_m, dtype=np.float64)
    if r.size != d.size or r.size < FEWEST:
        raise RangeError(f"cards: {r.size} distances for {d.size} deposits; give as many of both, at least {FEWEST}")
    if not (np.all(r >= 0) and np.all(d >= 0) and least_m > 0):
        raise RangeError("cards: distances and deposits of at least 0, and a least deposit above 0")
    if float(d.max()) <= least_m:
        raise RangeError(f"cards: none has more than the least deposit of {least_m * 1e6:g} mL/m2; "
                         f"mist longer, or let less count")
    scale = float(d.max())
    guess = (1.0, max(float(r[d >= scale / 2].max()), 0.1 * float(r.max()), 1e-3))
    try:
        (peak, width), spread = curve_fit(_bell, r, d / scale, p0=guess, bounds=(1e-9, np.inf))
    except RuntimeError as error:
        raise RangeError(f"cards: no bell fits them ({error}); look for a reading that is off") from error
    above = math.log(max(peak * scale / least_m, 1.0))
    reach = float(width) * math.sqrt(above)
    if reach <= 0.0 or reach > float(r.max()):
        raise RangeError(f"cards: the fitted reach of {reach:.2f} m is not within the furthest card at "
                         f"{float(r.max()):g} m; lay cards further out")
    slope = np.array([float(width) / (2.0 * peak * math.sqrt(above)), math.sqrt(above)])  # of reach by peak and width
    missed = d - scale * _bell(r, peak, width)
    return FittedReach(reach, float(np.sqrt(slope @ spread @ slope)), float(np.sqrt(np.mean(missed**2))), r.size)


def _bell(distance: np.ndarray, peak: float, width: float) -> np.ndarray:
    return np.asarray(peak * np.exp(-((distance / width) ** 2)))
