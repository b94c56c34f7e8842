"""The nozzle curve: flow = k (pressure - p0)^n above the closing pressure p0 of the check valve, else 0.

Pressures are gauge pressures at the nozzle's inlet. The plain orifice law is p0 = 0, n = 1/2.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from hydraulics.errors import RangeError

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class NozzleCurve:
    """k in m3/s per Pa^n, p0_pa the closing pressure, n the exponent.

    Raises RangeError naming each bad value.
    """

    name: str
    k: float
    p0_pa: float
    n: float

    def __post_init__(self) -> None:
        faults = [text for sound, text in (
            (0 < self.k < math.inf, f"k = {self.k:g}, give a number above 0"),
            (0 <= self.p0_pa < math.inf, f"closing pressure = {self.p0_pa:g} Pa, give at least 0"),
            (0 < self.n <= 1, f"exponent n = {self.n:g}, give a number above 0 and at most 1"),
        ) if not sound]
        if faults:
            raise RangeError(f"nozzle {self.name!r}: {'; '.join(faults)}")

    def flow_m3_s(self, pressure_pa: ArrayLike) -> Floats:
        """Flow at an inlet pressure; same shape; 0 where the check valve is closed."""
        return self.k * np.maximum(np.asarray(pressure_pa, dtype=float) - self.p0_pa, 0.0) ** self.n

    def pressure_pa(self, flow_m3_s: ArrayLike) -> Floats:
        """Inlet pressure that gives a flow; same shape; p0 at flow 0. Raises RangeError below 0."""
        flow = np.asarray(flow_m3_s, dtype=float)
        if not np.all(flow >= 0):
            raise RangeError(f"nozzle {self.name!r}: flow {flow.min():g} m3/s, give at least 0")
        return self.p0_pa + (flow / self.k) ** (1 / self.n)


def curve_from_readings(
    name: str,
    pressures_pa: Sequence[float],
    flows_m3_s: Sequence[float],
    closing_pa: float | None = None,
) -> NozzleCurve:
    """The curve through bench readings of equal relative error: least squares of ln q = ln k + n ln(p - p0).

    p0 is closing_pa where the closing pressure was read, else the p0 below the lowest reading that fits best.
    Raises RangeError where readings are too few (2 with, 3 without closing_pa), not above the closing
    pressure, or of no nozzle (n outside 0 to 1).
    """
    pressures, flows = np.asarray(pressures_pa, dtype=float), np.asarray(flows_m3_s, dtype=float)
    _check_readings(name, pressures, flows, closing_pa)
    log_flows = np.log(flows)

    def fit(p0_pa: float) -> tuple[float, float, float]:
        """Sum of squares, ln k and n at a closing pressure."""
        logs = np.log(pressures - p0_pa)
        n = float(np.cov(logs, log_flows)[0, 1] / np.var(logs, ddof=1))
        log_k = float(log_flows.mean() - n * logs.mean())
        return float(np.sum((log_flows - log_k - n * logs) ** 2)), log_k, n

    if closing_pa is None:
        from scipy.optimize import minimize_scalar  # here: it is slow to load and seldom needed

        lowest = float(pressures.min())
        best = minimize_scalar(lambda p0_pa: fit(p0_pa)[0], bounds=(0.0, 0.999 * lowest), method="bounded",
                               options={"xatol": 1e-9 * lowest})
        closing_pa = float(best.x)
    _, log_k, n = fit(closing_pa)
    return NozzleCurve(name, math.exp(log_k), closing_pa, n)


def _check_readings(name: str, pressures_pa: Floats, flows_m3_s: Floats, closing_pa: float | None) -> None:
    least = 3 if closing_pa is None else 2
    floor = 0.0 if closing_pa is None else closing_pa
    if pressures_pa.shape != flows_m3_s.shape or np.unique(pressures_pa).size < least:
        raise RangeError(f"nozzle {name!r}: {pressures_pa.size} pressures and {flows_m3_s.size} flows read; "
                         f"give a flow at each of at least {least} different pressures")
    if not (np.all(np.isfinite(pressures_pa)) and pressures_pa.min() > floor >= 0):
        raise RangeError(f"nozzle {name!r}: a reading at {pressures_pa.min():g} Pa; "
                         f"read above the closing pressure of {floor:g} Pa")
    if not (np.all(np.isfinite(flows_m3_s)) and flows_m3_s.min() > 0):
        raise RangeError(f"nozzle {name!r}: a flow of {flows_m3_s.min():g} m3/s; give flows above 0")
