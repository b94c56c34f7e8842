"""Airborne dosage in a layer above the ground, and deposit on it: nozzles x places x wind states.

Dosage is the volume of mist per volume of air, integrated over the time that a cycle's mist takes to pass and averaged
over the layer and the wind rose: m3/m3 s, so that 1e-6 s is 1 mL s/m3. Deposit is m3/m2: 1e-6 m is 1 mL/m2.
Volumes are as sprayed, so that what a drop carries counts in full though water has left it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from hydraulics.errors import RangeError
from hydraulics.mist import compiled
from hydraulics.mist.kernel import LAYER_TOP_M, STEP_M, Groups, Mist, Tables, downwind, grouped, tables
from hydraulics.mist.wind import Wind

if TYPE_CHECKING:
    from scipy.sparse import csr_array

Floats = NDArray[np.float64]
_BLOCK_NUMBERS = 4_000_000  # of rows held dense at a time: 32 MB a map


@dataclass(frozen=True)
class Nozzles:
    """Where mist starts: x east, y north, height above ground, each (N,), at least one."""

    x_m: Floats
    y_m: Floats
    height_m: Floats

    def __post_init__(self) -> None:
        if not (self.x_m.shape == self.y_m.shape == self.height_m.shape == (self.x_m.size,) and self.x_m.size):
            raise RangeError(f"nozzles: {self.x_m.size} x, {self.y_m.size} y and {self.height_m.size} heights; "
                             f"give as many of each, at least one")

    def at_m(self) -> Floats:
        """Positions, (N, 2)."""
        return np.ascontiguousarray(np.column_stack([self.x_m, self.y_m]), dtype=np.float64)


@dataclass(frozen=True)
class Maps:
    """Airborne dosage and ground deposit at each place, (C,)."""

    airborne_s: Floats
    deposit_m: Floats


@dataclass(frozen=True)
class Matrices:
    """Per m3 sprayed from each nozzle at each place, N x C: dosage (s/m3) and deposit (1/m2)."""

    airborne_s_m3: csr_array
    deposit_per_m2: csr_array


def dosage(nozzles: Nozzles, volume_m3: Floats, wind: Wind, mist: Mist, x_m: Floats, y_m: Floats,
           top_m: float = LAYER_TOP_M, step_m: float = STEP_M) -> Maps:
    """Maps at places (C,) of what nozzles spray in a cycle, volume_m3 (N,), averaged over the rose.

    A place stands for a cell if that is not much wider than a plume at its nozzle, 0.3 m to each side: up to 1 m.
    """
    groups, laid = _laid(nozzles, wind, mist, x_m, y_m, top_m, step_m)
    airborne, deposit = np.zeros(x_m.size), np.zeros(x_m.size)
    compiled.add_all(nozzles.at_m(), groups.of, downwind(wind), _shares(wind), np.asarray(volume_m3, dtype=np.float64),
                     *laid, _column(x_m), _column(y_m), airborne, deposit)
    return Maps(airborne, deposit)


def matrices(nozzles: Nozzles, wind: Wind, mist: Mist, x_m: Floats, y_m: Floats, least_share: float = 0.0,
             top_m: float = LAYER_TOP_M, step_m: float = STEP_M) -> Matrices:
    """What each nozzle brings to each place per m3, averaged over the rose: D_jc of a placement, linear in x_j.

    Entries below least_share of the nozzle's greatest are left out. Rows are made in blocks, so that only what is kept
    takes memory.
    """
    from scipy.sparse import csr_array, vstack

    groups, laid = _laid(nozzles, wind, mist, x_m, y_m, top_m, step_m)
    at, towards, shares, x, y = nozzles.at_m(), downwind(wind), _shares(wind), _column(x_m), _column(y_m)
    kept: tuple[list[csr_array], list[csr_array]] = ([], [])
    rows = max(_BLOCK_NUMBERS // max(x.size, 1), 1)
    for first in range(0, at.shape[0], rows):
        block = slice(first, first + rows)
        pair = np.zeros((2, at[block].shape[0], x.size))
        compiled.add_rows(at[block], groups.of[block], towards, shares, *laid, x, y, pair[0], pair[1])
        for dense, into in zip(pair, kept, strict=True):
            dense[dense < least_share * np.max(dense, axis=1, initial=0.0, keepdims=True)] = 0.0
            into.append(csr_array(dense))
    return Matrices(csr_array(vstack(kept[0])), csr_array(vstack(kept[1])))


def _laid(nozzles: Nozzles, wind: Wind, mist: Mist, x_m: Floats, y_m: Floats, top_m: float,
          step_m: float) -> tuple[Groups, Tables]:
    groups = grouped(nozzles.height_m, wind)
    return groups, tables(groups.streams, mist, farthest_m(nozzles, x_m, y_m), top_m, step_m)


def farthest_m(nozzles: Nozzles, x_m: Floats, y_m: Floats) -> float:
    """No place is further from any nozzle than this: the diagonal of the box around all."""
    return float(np.hypot(*(np.ptp(np.concatenate([a, b])) for a, b in ((nozzles.x_m, x_m), (nozzles.y_m, y_m)))))


def _shares(wind: Wind) -> Floats:
    return np.array([state.share for state in wind.states], dtype=np.float64)


def _column(values: Floats) -> Floats:
    return np.ascontiguousarray(values, dtype=np.float64)
