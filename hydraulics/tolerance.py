"""What of a circuit may differ from its drawing, by how much, and how sure a share of samples is.

`sampler` solves the circuit for many samples of it, `tornado` asks what each source does by itself.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any, Literal

from hydraulics.errors import RangeError
from hydraulics.water import HIGHEST_C, LOWEST_C

Shape = Literal["normal", "uniform"]

SPREADS = ("nozzle_flow", "bore_batch", "bore_tube", "roughness", "minor_losses", "water_temperature_c", "set_drift_pa")
SOURCES = (*SPREADS, "clogged", "leak")


@dataclass(frozen=True)
class Spread:
    """Values from low to high: uniform, or normal about the middle with a quarter of the range as standard deviation,
    cut at both ends. Raises RangeError where low is above high or one is not finite."""

    low: float
    high: float
    shape: Shape = "normal"

    def __post_init__(self) -> None:
        if not (math.isfinite(self.low) and math.isfinite(self.high) and self.low <= self.high):
            raise RangeError(f"spread from {self.low:g} to {self.high:g}: give finite ends, low not above high")
        if self.shape not in ("normal", "uniform"):
            raise RangeError(f"spread of shape {self.shape!r}: give normal or uniform")

    @property
    def row(self) -> tuple[float, float, float]:
        """Low, high, and 1 where it is normal: what `chance.spread_draw` takes."""
        return self.low, self.high, float(self.shape == "normal")


EXACT = Spread(0.0, 0.0)


@dataclass(frozen=True)
class Tolerances:
    """What may differ from the drawing, relative to it where nothing else is said.

    nozzle_flow: of each nozzle; bore_batch: of all tubing of a size; bore_tube: of each tube besides; roughness,
    minor_losses: of all; water_temperature_c: in the tubing, None: as the circuit's; set_drift_pa: of the pump from its
    set pressure. clogged_share: chance of each nozzle to be clogged, which then lets clogged_left of its flow through.
    leak_chance: of a circuit to lose leak_m3_s at leak_at_pa through one fitting, any of them.
    Raises RangeError with every value that is none of these.
    """

    nozzle_flow: Spread = EXACT
    bore_batch: Spread = EXACT
    bore_tube: Spread = EXACT
    roughness: Spread = EXACT
    minor_losses: Spread = EXACT
    water_temperature_c: Spread | None = None
    set_drift_pa: Spread = EXACT
    clogged_share: float = 0.0
    clogged_left: float = 0.0
    leak_chance: float = 0.0
    leak_m3_s: float = 0.0
    leak_at_pa: float = 1e5

    def __post_init__(self) -> None:
        faults = [f"{name} goes down to {getattr(self, name).low:g}, give a share above -1"
                  for name in SPREADS[:3] if getattr(self, name).low <= -1.0]
        faults += [f"{name} goes down to {getattr(self, name).low:g}, give a share of at least -1"
                   for name in SPREADS[3:5] if getattr(self, name).low < -1.0]
        warm = self.water_temperature_c
        if warm is not None and not LOWEST_C <= warm.low <= warm.high <= HIGHEST_C:
            faults.append(f"water from {warm.low:g} to {warm.high:g} °C, give {LOWEST_C:g} to {HIGHEST_C:g} °C")
        faults += [f"{name} = {getattr(self, name):g}, give a share from 0 to 1"
                   for name in ("clogged_share", "clogged_left", "leak_chance")
                   if not 0.0 <= getattr(self, name) <= 1.0]
        if not (0.0 <= self.leak_m3_s < math.inf and 0.0 < self.leak_at_pa < math.inf):
            faults.append(f"a leak of {self.leak_m3_s:g} m3/s at {self.leak_at_pa:g} Pa, give at least 0, and above 0")
        if faults:
            raise RangeError(f"tolerances: {'; '.join(faults)}")

    def without(self, source: str) -> Tolerances:
        """The same with one of SOURCES exactly as drawn."""
        if source == "clogged":
            return replace(self, clogged_share=0.0)
        if source == "leak":
            return replace(self, leak_chance=0.0)
        if source == "water_temperature_c":
            return replace(self, water_temperature_c=None)
        exact: dict[str, Any] = {source: EXACT}
        return replace(self, **exact)

    def differs(self, source: str) -> bool:
        """Whether a source may differ from the drawing at all."""
        return self.without(source) != self

    @property
    def leak_k(self) -> float:
        """The leak's orifice: m3/s per sqrt(Pa)."""
        return self.leak_m3_s / math.sqrt(self.leak_at_pa)


def wilson(hits: int, trials: int, z: float = 1.959964) -> tuple[float, float]:
    """The confidence interval of a share after Wilson (1927), JASA 22, 209; 95 % unless z says otherwise."""
    share, weight = hits / trials, z * z / trials
    middle = (share + weight / 2) / (1 + weight)
    half = z / (1 + weight) * math.sqrt(share * (1 - share) / trials + weight / (4 * trials))
    return (0.0 if hits == 0 else middle - half), (1.0 if hits == trials else middle + half)
