"""What a run split is given. Pascals, metres, cubic metres a second; money in the catalogue's currency."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from itertools import combinations
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hydraulics.fittings import minor_loss_pa
from hydraulics.friction import GRAVITY_M_S2, pressure_gradient_pa_m
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
class MainPiece:
    """One piece of the shared trunk from a pump to its field valves, in the direction of flow.

    piece, from_point, to_point: of the layout; tubing: index into the problem's sizes; minor_k: loss factor
    of its fittings, at the tube's own velocity.
    """

    piece: int
    from_point: int
    to_point: int
    tubing: int
    minor_k: float


@dataclass(frozen=True)
class PumpChoice:
    """A pump unit at a pump site, at a set pressure held at its outlet (elevation of the site's point).

    fixed_k, fixed_bore_m: what filter, valve and manifold take between the gauge and the first tee, as a
    minor loss at a bore; fixed_length_m, fixed_roughness_m: tubing of that bore inside the unit, if any.
    root: layout point, no nozzle's, where the field valves stand and the circuits' trees start; None: they
    start at the pump. main: the shared trunk from the pump to the root, in order, already dug and paid for.
    """

    name: str
    site: int
    set_pressure_pa: float
    fixed_k: float
    fixed_bore_m: float
    fixed_length_m: float = 0.0
    fixed_roughness_m: float = 0.0
    root: int | None = None
    main: tuple[MainPiece, ...] = ()


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
    (1 is safe on trees; less is a trial that verification must pass); longest_run_m: tubing at most from
    a circuit's root to the end of any of its tubes; run_nozzles_most: nozzles at most on one run; balance:
    the safe flows of one pump's circuits differ at most so that least >= (1 - balance) greatest.
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
    longest_run_m: float = math.inf
    run_nozzles_most: int | None = None
    balance: float | None = None

    @property
    def size_sets(self) -> tuple[tuple[int, ...], ...]:
        """Largest sets of sizes that one design may use: as many as allowed, those of its mains among them."""
        mains = {part.tubing for choice in self.pumps for part in choice.main}
        most = max(1, len(mains), min(self.sizes_at_most, len(self.tubing)))
        return tuple(sizes for sizes in combinations(range(len(self.tubing)), most) if mains <= set(sizes))

    @property
    def nozzles(self) -> int:
        """Number of nozzles."""
        return len(self.group)

    def pump_point(self, pump: int) -> int:
        """Point of the pump's outlet, at whose elevation the set pressure holds."""
        return int(self.layout.site_point[self.pumps[pump].site])

    def outlet_point(self, pump: int) -> int:
        """Point at which the trees of the pump's circuits start: its root, else the pump's own point."""
        root = self.pumps[pump].root
        return self.pump_point(pump) if root is None else root

    def supply_pa(self, pump: int, flow_m3_s: float | NDArray[np.floating[Any]]) -> NDArray[np.float64]:
        """Pressure at the outlet point while a circuit draws the flow (a number or an array of any shape).

        Set pressure - losses inside the unit - friction, fittings and rho g rise of each piece of the main.
        """
        choice, water = self.pumps[pump], self.water
        density, flow = water.density_kg_m3, np.asarray(flow_m3_s, dtype=np.float64)
        inside = pressure_gradient_pa_m(flow, choice.fixed_bore_m, choice.fixed_roughness_m, water)
        left = choice.set_pressure_pa - inside * choice.fixed_length_m
        left = left - minor_loss_pa(choice.fixed_k, flow, choice.fixed_bore_m, density)
        for part in choice.main:
            tube = self.tubing[part.tubing]
            friction = pressure_gradient_pa_m(flow, tube.bore_m, tube.roughness_m, water)
            rise = float(self.layout.z_m[part.to_point] - self.layout.z_m[part.from_point])
            left = left - friction * float(self.layout.length_m[part.piece])
            left = left - minor_loss_pa(part.minor_k, flow, tube.bore_m, density) - density * GRAVITY_M_S2 * rise
        return np.asarray(left, dtype=np.float64)

    def safe_flow_m3_s(self, pump: int) -> NDArray[np.float64]:
        """[K] flow of each nozzle in the head budget: flow_factor q(set + rho g max(0, z_pump -
        z_nozzle))."""
        z = self.layout.z_m
        fall = np.maximum(0.0, z[self.pump_point(pump)] - z[self.layout.nozzle_point])
        highest = self.pumps[pump].set_pressure_pa + self.water.density_kg_m3 * GRAVITY_M_S2 * fall
        return np.asarray(self.flow_factor * self.curve.flow_m3_s(highest), dtype=np.float64)
