"""Steps and colours of a dosage map: preferred numbers, one hue that darkens evenly from step to step."""

from __future__ import annotations

import math
from dataclasses import dataclass

import matplotlib
import numpy as np
from matplotlib.colors import to_hex
from numpy.typing import NDArray

ML_S_M3 = 1e-6
"""Of dosage in seconds (m3 of mist per m3 of air, times seconds): 1 mL s/m3."""
_STEPS = 7
# R10 and R5 of ISO 3, then 1, 2, 5: the finest that reaches down to most of what is drawn
_SERIES = ((1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0), (1.0, 1.6, 2.5, 4.0, 6.3), (1.0, 2.0, 5.0))
_PALE_PERCENTILE = 10.0
_HUE, _PALEST, _DARKEST = "Purples", 0.10, 0.98


@dataclass(frozen=True)
class Steps:
    """Edges [n] in mL s/m3, ascending, and the colour above each [n]; below the first nothing is drawn."""

    edges: tuple[float, ...]
    colours: tuple[str, ...]

    def words(self) -> list[str]:
        """What each colour stands for, the darkest last."""
        pairs = zip(self.edges, self.edges[1:], strict=False)
        return [*(f"{low:g} to {high:g}" for low, high in pairs), f"above {self.edges[-1]:g}"]


def steps_for(dosage_s: NDArray[np.float64]) -> Steps | None:
    """Steps up to the last that some place passes; None where no mist is."""
    greatest = float(np.max(dosage_s, initial=0.0)) / ML_S_M3
    if not greatest > 0.0:
        return None
    low = float(np.percentile(dosage_s, _PALE_PERCENTILE)) / ML_S_M3
    choices = [_edges(series, greatest) for series in _SERIES]
    edges = next((edges for edges in choices if edges[0] <= low), choices[-1])
    hue = matplotlib.colormaps[_HUE]
    return Steps(edges, tuple(to_hex(hue(depth)) for depth in np.linspace(_PALEST, _DARKEST, len(edges))))


def _edges(series: tuple[float, ...], greatest: float) -> tuple[float, ...]:
    """The last numbers of a series below the greatest."""
    decade = math.floor(math.log10(greatest))
    numbers = [round(step * 10.0**power, 12) for power in range(decade - 3, decade + 1) for step in series]
    return tuple([number for number in numbers if number < greatest][-_STEPS:])
