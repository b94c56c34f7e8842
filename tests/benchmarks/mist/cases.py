"""An invented square site: nozzles at four heights scattered over it, twelve winds, sixteen classes of drops."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hydraulics.mist.account import Account, Regions, account, regions_of
from hydraulics.mist.air import Air
from hydraulics.mist.dosage import Maps, Matrices, Nozzles, dosage, matrices
from hydraulics.mist.evaporation import free_drop
from hydraulics.mist.kernel import Mist
from hydraulics.mist.spectrum import classes, spectrum_from_figures
from hydraulics.mist.wind import Wind, WindState

CELL_M, MARGIN_M = 1.0, 20.0
SPEEDS_M_S = (0.5, 1.0, 1.5, 2.0, 2.5, 3.0) * 2
VOLUME_M3 = 1e-3
LEAST_SHARE = 1e-3  # of a nozzle's greatest dosage, below which a matrix leaves an entry out


@dataclass(frozen=True)
class Case:
    """One size of site, and what is timed on it."""

    nozzles: Nozzles
    wind: Wind
    mist: Mist
    x_m: NDArray[np.float64]
    y_m: NDArray[np.float64]
    regions: Regions

    def sizes(self) -> tuple[int, int, int, int]:
        """Nozzles, cells, classes, wind states."""
        return self.nozzles.x_m.size, self.x_m.size, self.mist.drops.share.size, len(self.wind.states)

    def entries(self) -> int:
        return self.nozzles.x_m.size * self.x_m.size

    def maps(self) -> Maps:
        volume = np.full(self.nozzles.x_m.size, VOLUME_M3)
        return dosage(self.nozzles, volume, self.wind, self.mist, self.x_m, self.y_m)

    def matrices(self) -> Matrices:
        return matrices(self.nozzles, self.wind, self.mist, self.x_m, self.y_m, LEAST_SHARE)

    def account(self) -> Account:
        return account(self.nozzles, self.wind, self.mist, self.regions)


def drawn(nozzles: int, cells: int, seed: int = 0) -> Case:
    """A site of about so many cells of 1 m; nozzles keep 20 m from its edges."""
    rng, side = np.random.default_rng(seed), round(math.sqrt(cells))
    x, y = np.meshgrid(*[(np.arange(side) + 0.5) * CELL_M] * 2)
    inner = (MARGIN_M, side * CELL_M - MARGIN_M)
    air = Air(20.0, 0.6)
    return Case(
        Nozzles(rng.uniform(*inner, nozzles), rng.uniform(*inner, nozzles), rng.choice([2.4, 2.7, 3.0, 3.5], nozzles)),
        Wind(tuple(WindState(speed, 30.0 * i, 1 / 12) for i, speed in enumerate(SPEEDS_M_S))),
        Mist(classes(spectrum_from_figures(22e-6, 45e-6, 85e-6), 16), air, free_drop(air, 0.02)),
        x.ravel(), y.ravel(),
        regions_of(0.0, 0.0, CELL_M, np.ones((side, side), dtype=bool), {"west half": x < side / 2}),
    )
