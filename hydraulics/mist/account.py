"""Where all of the mist goes, for every nozzle and wind: into named regions, over the boundary, into the air as vapour.

The mist of a nozzle comes down in parcels: bins of distance hold what reaches the ground between two distances by the
plume's closed form, divided across the wind by differences of the normal distribution, and each parcel belongs to the
region at its middle. So nothing is scaled to close the balance. What leaves the raster is counted parcel by parcel, and
what is still airborne at the last bin, beyond the raster's far corner, is the plume's closed form there.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hydraulics.errors import RangeError
from hydraulics.mist import compiled, plume
from hydraulics.mist.dosage import Nozzles, farthest_m
from hydraulics.mist.kernel import Mist, Stream, downwind, fate, grouped
from hydraulics.mist.wind import Wind

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]
PARCEL_M = 0.5
_FINENESS = 6  # parcels to a standard deviation across the wind, where it is wide
_FAINT = 1e-7  # bins with less than this share of the mist are not divided across the wind
ELSEWHERE, BEYOND = "elsewhere on site", "over the boundary"


@dataclass(frozen=True)
class Regions:
    """A raster of square cells and the region of each: of_cell (rows, cols; row 0 in the south, col 0 in the west)
    holds indices into names, whose last two are ELSEWHERE and BEYOND; the index of a mask plus the count of names
    stands where the mask lies over the boundary."""

    west_m: float
    south_m: float
    cell_m: float
    names: tuple[str, ...]
    of_cell: Ints

    @property
    def named(self) -> int:
        """How many are neither ELSEWHERE nor BEYOND."""
        return len(self.names) - 2


def regions_of(west_m: float, south_m: float, cell_m: float, inside: Mask, masks: Mapping[str, Mask]) -> Regions:
    """Regions of masks (rows, cols); a cell of several masks belongs to the first.

    Cells inside the boundary that no mask holds are ELSEWHERE; cells outside are BEYOND, whatever mask they are in too.
    Raises RangeError on other shapes.
    """
    faults = [f"{name!r} is {mask.shape}" for name, mask in masks.items() if mask.shape != inside.shape]
    if faults or not cell_m > 0:
        raise RangeError(f"regions: cells of {cell_m:g} m, inside is {inside.shape}; {', '.join(faults)}; give cells "
                         f"above 0 m and masks of one shape")
    of_cell = np.where(inside, len(masks), len(masks) + 1)
    for index, mask in reversed(list(enumerate(masks.values()))):
        of_cell[mask & inside] = index
        of_cell[mask & ~inside] = index + len(masks) + 2
    return Regions(west_m, south_m, cell_m, (*masks, ELSEWHERE, BEYOND), np.ascontiguousarray(of_cell, dtype=np.int64))


@dataclass(frozen=True)
class Account:
    """Shares of each nozzle's mist under each wind (N, W) or region of that (N, W, R).

    sprayed and airborne count drops in full, as sprayed, and sum to 1: where what they carry goes. liquid,
    airborne_liquid and evaporated count what is still liquid, and sum to 1 too. Of the last region, BEYOND, the shares
    beyond_sprayed and beyond_liquid lie in each mask (N, W, R - 2): a neighbour's garden that is a keep-out.
    """

    regions: tuple[str, ...]
    sprayed_share: Floats
    airborne_share: Floats
    liquid_share: Floats
    airborne_liquid_share: Floats
    evaporated_share: Floats
    beyond_sprayed_share: Floats
    beyond_liquid_share: Floats

    def into_share(self, mask: int) -> Floats:
        """Share (N, W) that comes down in a mask, on site and over the boundary, as sprayed."""
        return self.sprayed_share[:, :, mask] + self.beyond_sprayed_share[:, :, mask]

    @property
    def gone_share(self) -> Floats:
        """Share (N, W) that leaves: down over the boundary, or airborne beyond the raster."""
        return self.sprayed_share[:, :, -1] + self.airborne_share

    @property
    def imbalance_share(self) -> float:
        """Greatest distance from 1 of both sums, over all nozzles and winds."""
        sprayed = self.sprayed_share.sum(axis=2) + self.airborne_share
        liquid = self.liquid_share.sum(axis=2) + self.airborne_liquid_share + self.evaporated_share
        return float(np.max(np.abs(np.stack([sprayed, liquid]) - 1), initial=0.0))


def account(nozzles: Nozzles, wind: Wind, mist: Mist, regions: Regions, parcel_m: float = PARCEL_M) -> Account:
    """The account of every nozzle and wind; no share of the rose is in it yet."""
    groups = grouped(nozzles.height_m, wind)
    rows, cols = regions.of_cell.shape
    corner = np.array([regions.west_m, regions.south_m])
    far_m = farthest_m(nozzles, corner[0] + np.array([0, cols * regions.cell_m]),
                       corner[1] + np.array([0, rows * regions.cell_m]))
    parcels = [_parcels(s, mist, far_m, parcel_m) for s in groups.streams]
    starts = np.concatenate([[0], np.cumsum([p.down_m.size for p in parcels])]).astype(np.int64)
    down, across, fallen, wet = (np.concatenate(column) for column in zip(
        *((p.down_m, p.across_m, p.sprayed, p.liquid) for p in parcels), strict=True))
    shape = (*groups.of.shape, len(regions.names) + regions.named)
    sprayed, liquid = np.zeros(shape), np.zeros(shape)
    compiled.land(nozzles.at_m(), groups.of, downwind(wind), starts, down, across, fallen, wet, corner, regions.cell_m,
                  regions.of_cell, len(regions.names) - 1, sprayed, liquid)
    last = np.array([p.last for p in parcels]).reshape(-1, 3)[groups.of]
    (sprayed, sprayed_there), (liquid, liquid_there) = (_folded(each, len(regions.names)) for each in (sprayed, liquid))
    airborne, airborne_liquid, evaporated = (last[..., column] for column in range(3))
    return Account(regions.names, sprayed, airborne, liquid, airborne_liquid, evaporated, sprayed_there, liquid_there)


def _folded(landed: Floats, count: int) -> tuple[Floats, Floats]:
    """Shares by region, what lies in masks over the boundary counted as BEYOND, and this again by itself."""
    shares, beyond = landed[:, :, :count].copy(), landed[:, :, count:]
    shares[:, :, -1] += beyond.sum(axis=2)
    return shares, beyond


@dataclass(frozen=True)
class _Parcels:
    """Middles downwind and across (P), shares as sprayed and liquid (P), and airborne, airborne liquid, evaporated."""

    down_m: Floats
    across_m: Floats
    sprayed: Floats
    liquid: Floats
    last: tuple[float, float, float]


def _parcels(s: Stream, mist: Mist, far_m: float, parcel_m: float) -> _Parcels:
    from scipy.special import ndtr

    edges = _edges(s, far_m, parcel_m)
    what = fate(s, mist, edges)
    middles = (edges[1:] + edges[:-1]) / 2
    sigma = plume.spread_m(middles / s.speed_m_s, s.friction_m_s)
    width = np.maximum(parcel_m, sigma / _FINENESS)
    half = np.where(what.sprayed > _FAINT, np.ceil(4 * sigma / width), 0).astype(np.int64)  # parcels to each side
    count = 2 * half + 1
    of = np.repeat(np.arange(middles.size), count)
    number = np.arange(of.size) - np.repeat(np.cumsum(count) - count, count) - half[of]
    high = np.where(number == half[of], np.inf, (number + 0.5) * width[of])
    low = np.where(number == -half[of], -np.inf, (number - 0.5) * width[of])
    across = ndtr(high / sigma[of]) - ndtr(low / sigma[of])
    return _Parcels(middles[of], np.asarray(number * width[of], dtype=np.float64), what.sprayed[of] * across,
                    what.liquid[of] * across, (what.airborne_sprayed, what.airborne_liquid, what.evaporated))


def _edges(s: Stream, far_m: float, parcel_m: float) -> Floats:
    """Edges of bins from 0 to beyond far_m, each as wide as its parcels across."""
    edges = [0.0]
    while edges[-1] <= far_m:
        sigma = float(plume.spread_m(edges[-1] / s.speed_m_s, s.friction_m_s))
        edges.append(edges[-1] + max(parcel_m, sigma / _FINENESS))
    return np.array(edges)
