"""The compiled loops of the mist: every nozzle, wind and place or parcel, by tables of `kernel`."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from hydraulics.compiled import kernel

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
_HERE = Path(__file__).parent
jit = kernel(_HERE, (_HERE / "compiled.py",)).jit
WIDEST = 5.0  # standard deviations across the wind beyond which nothing is added (6e-7 of the mist)


@jit
def add_nozzle(
    at: Floats, groups: Ints, downwind: Floats, weights: Floats, step_m: float, airborne: Floats, ground: Floats,
    spread: Floats, x_m: Floats, y_m: Floats, airborne_out: Floats, ground_out: Floats,
) -> None:
    """Add one nozzle at (x, y) to both maps (C): winds (W) by group of tables, unit vector downwind (W, 2), weight."""
    last = airborne.shape[1] - 1
    for w in range(groups.size):
        g, ex, ey, weight = groups[w], downwind[w, 0], downwind[w, 1], weights[w]
        far = last * step_m
        for c in range(x_m.size):
            dx, dy = x_m[c] - at[0], y_m[c] - at[1]
            down = dx * ex + dy * ey
            if down <= 0.0 or down >= far:
                continue
            place = down / step_m
            i = int(place)
            part = place - i
            sigma = spread[g, i] + part * (spread[g, i + 1] - spread[g, i])
            across = dy * ex - dx * ey
            if abs(across) > WIDEST * sigma:
                continue
            across /= sigma
            gauss = weight * math.exp(-0.5 * across * across) / (sigma * 2.5066282746310002)
            airborne_out[c] += gauss * (airborne[g, i] + part * (airborne[g, i + 1] - airborne[g, i]))
            ground_out[c] += gauss * (ground[g, i] + part * (ground[g, i + 1] - ground[g, i]))


@jit
def add_all(
    at: Floats, groups: Ints, downwind: Floats, weights: Floats, volumes: Floats, step_m: float, airborne: Floats,
    ground: Floats, spread: Floats, x_m: Floats, y_m: Floats, airborne_out: Floats, ground_out: Floats,
) -> None:
    """Add all nozzles (N, 2), groups (N, W), each times its volume (N), to both maps (C)."""
    for n in range(at.shape[0]):
        add_nozzle(at[n], groups[n], downwind, weights * volumes[n], step_m, airborne, ground, spread, x_m, y_m,
                   airborne_out, ground_out)


@jit
def add_rows(
    at: Floats, groups: Ints, downwind: Floats, weights: Floats, step_m: float, airborne: Floats, ground: Floats,
    spread: Floats, x_m: Floats, y_m: Floats, airborne_out: Floats, ground_out: Floats,
) -> None:
    """Add each nozzle (N, 2) to its own row of both maps (N, C)."""
    for n in range(at.shape[0]):
        add_nozzle(at[n], groups[n], downwind, weights, step_m, airborne, ground, spread, x_m, y_m, airborne_out[n],
                   ground_out[n])


@jit
def land(
    at: Floats, groups: Ints, downwind: Floats, starts: Ints, down: Floats, across: Floats, sprayed: Floats,
    liquid: Floats, corner: Floats, cell_m: float, region: Ints, outside: int, sprayed_out: Floats, liquid_out: Floats,
) -> None:
    """Put each parcel of each nozzle and wind into the region (rows, cols; row 0 in the south) where it comes down.

    Parcels of group g are starts[g] to starts[g + 1]; outputs are (N, W, R); off the raster is `outside`.
    """
    rows, cols = region.shape
    for n in range(at.shape[0]):
        for w in range(groups.shape[1]):
            g, ex, ey = groups[n, w], downwind[w, 0], downwind[w, 1]
            for p in range(starts[g], starts[g + 1]):
                col = math.floor((at[n, 0] + down[p] * ex - across[p] * ey - corner[0]) / cell_m)
                row = math.floor((at[n, 1] + down[p] * ey + across[p] * ex - corner[1]) / cell_m)
                r = outside
                if 0 <= row < rows and 0 <= col < cols:
                    r = region[row, col]
                sprayed_out[n, w, r] += sprayed[p]
                liquid_out[n, w, r] += liquid[p]
