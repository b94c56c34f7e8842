"""What a run split is given. Pascals, metres, cubic metres a second; money in the catalogue's currency."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from hydraulics.friction import GRAVITY_M_S2
from hydraulics.nozzle import NozzleCurve
from hydraulics.water import Water
from optimizer.runs.layout import Layout


@dataclass(frozen=True)
class Tubing:
    """A tubing size. cost_per_m: material and fixing."""

    name: str
    bore_m: float
    roughness_m: float
    cost_per_m: float


@dataclass(frozen=True)
class PumpChoice:
    """A pump unit at a pump site, at a set pressure held at its outlet (elevation of the site's point).

    fixed_k, fixed_bore_m: what filter, valve and manifold take between the gauge and the first tee, as a
    minor loss at a bore; fixed_length_m, fixed_roughness_m: tubing of that bore inside the unit, if any.
    """

    name: str
    site: int
    set_pressure_pa: float
    fixed_k: float
    fixed_bore_m: float
    fixed_length_m: float = 0.0
    fixed_roughness_m: float = 0.0


@dataclass(frozen=True)
class Circuit:
    """The runs of one pump that mist at the same time. group: schedule group whose nozzles it may serve."""

    pump: int
    group: int
    nozzles_at_most: int


@dataclass(frozen=True)
class LossFactors:
    """Minor-loss factors K of the fittings."""

    tee_run: float = 0.6
    tee_branch: float = 1.8
    elbow: float = 0.9
    entrance: float = 0.5


@dataclass(frozen=True)
class RunProblem:
    """Nozzles to feed, and what may feed them.

    group: [K] schedule group of each nozzle; tubing: sizes on offer; sizes_at_most: different sizes in
    one design; flow_factor: share of the highest possible nozzle flow that the head budget reckons with
    (1 is safe on trees; less is a trial that verification must pass).
    """

    layout: Layout
    group: tuple[int, ...]
    tubing: tuple[Tubing, ...]
    sizes_at_most: int
    pumps: tuple[PumpChoice, ...]
    circuits: tuple[Circuit, ...]
    curve: NozzleCurve
    water: Water
    band_low_pa: float
    flow_factor: float = 1.0
    k: LossFactors = field(default_factory=LossFactors)

    @property
    def nozzles(self) -> int:
        """Number of nozzles."""
        return len(self.group)

    def pump_point(self, pump: int) -> int:
        """Point at which the pump's tubing starts."""
        return int(self.layout.site_point[self.pumps[pump].site])

    def safe_flow_m3_s(self, pump: int) -> NDArray[np.float64]:
        """[K] flow of each nozzle in the head budget: flow_factor q(set + rho g max(0, z_pump -
        z_nozzle))."""
        z = self.layout.z_m
        fall = np.maximum(0.0, z[self.pump_point(pump)] - z[self.layout.nozzle_point])
        highest = self.pumps[pump].set_pressure_pa + self.water.density_kg_m3 * GRAVITY_M_S2 * fall
        return np.asarray(self.flow_factor * self.curve.flow_m3_s(highest), dtype=np.float64)
