"""Steady states of trees of tubing, many sizings at once: a calculation of its own beside `hydraulics`.

Only the nozzle curve's formula, the water's density and viscosity and the friction law of the EPANET 2.2 user manual
are shared as facts: laminar 64 / Re below Re 2000; Swamee and Jain (1976) above 4000; between them the cubic in Re that
meets both in value and slope (Dunlop 1991). Fixed point with damping, in pressures; `by_root` solves one state again by
`scipy.optimize.root`, in flows.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import root

Floats = NDArray[np.float64]

GRAVITY = 9.80665
DENSITY, VISCOSITY = 998.207, 1.0016e-3  # water at 20 C: IAPWS-95 and IAPWS R12-08, from memory
DAMPING = 0.5
CLOSE_PA = 1e-4
MOST_STEPS = 200


@dataclass(frozen=True)
class Nozzles:
    """q = k (p - p0)^n in m3/s and Pa."""

    k: float
    p0: float
    n: float

    def flow(self, pressure: Floats) -> Floats:
        """Flow at a pressure, 0 where the nozzle is shut."""
        return np.asarray(self.k * np.maximum(pressure - self.p0, 0.0) ** self.n)


@dataclass(frozen=True)
class Unit:
    """What stands between gauge and first tee: loss = minor x flow^2, and tubing of a bore, length and roughness."""

    minor: float
    bore: float
    length: float
    roughness: float

    def loss(self, flow: Floats) -> Floats:
        """Pressure lost at a flow."""
        return self.minor * flow**2 + self.length * gradient(flow, np.asarray(self.bore), self.roughness)


@dataclass(frozen=True)
class Tree:
    """A tree of E edges and M nozzles: length, rise and loss factor of each edge; feeds[e, m]: e leads to nozzle m."""

    length: Floats
    rise: Floats
    minor_k: Floats
    feeds: NDArray[np.bool_]


def friction_factor(reynolds: Floats, relative: Floats) -> Floats:
    """Darcy's factor for Re > 0."""
    cubic = _hermite(np.clip(reynolds, 2000.0, 4000.0), relative)
    laminar, turbulent = 64.0 / np.maximum(reynolds, 1e-9), _swamee_jain(np.maximum(reynolds, 4000.0), relative)
    return np.where(reynolds < 2000.0, laminar, np.where(reynolds > 4000.0, turbulent, cubic))


def _swamee_jain(reynolds: Floats, relative: Floats) -> Floats:
    return np.asarray(0.25 / np.log10(relative / 3.7 + 5.74 / reynolds**0.9) ** 2)


def _hermite(reynolds: Floats, relative: Floats) -> Floats:
    """The cubic through both ends with their slopes, in Hermite's form."""
    low, high = 2000.0, 4000.0
    span = high - low
    start, start_slope = 64.0 / low, -64.0 / low**2
    end = _swamee_jain(np.asarray(high), relative)
    inside = relative / 3.7 + 5.74 / high**0.9
    end_slope = end * 2.0 / (np.log(inside) * inside) * 0.9 * 5.74 / high**1.9
    t = (reynolds - low) / span
    return np.asarray(
        (2 * t**3 - 3 * t**2 + 1) * start
        + (t**3 - 2 * t**2 + t) * span * start_slope
        + (-2 * t**3 + 3 * t**2) * end
        + (t**3 - t**2) * span * end_slope
    )


def gradient(flow: Floats, bore: Floats, roughness: float) -> Floats:
    """Pressure lost a metre, f rho v^2 / (2 D)."""
    speed = flow / (np.pi / 4.0 * bore**2)
    reynolds = DENSITY * speed * bore / VISCOSITY
    return np.asarray(friction_factor(reynolds, roughness / bore) * DENSITY * speed**2 / (2.0 * bore))


def bounds(
    tree: Tree, bores: Floats, roughness: float, supply: float, unit: Unit, nozzles: Nozzles, band: tuple[float, float]
) -> tuple[Floats, Floats]:
    """[B, M] pressures that no state in the band falls below and none exceeds: its flows are at most those at the
    band's high edge and at least those at its low edge, and losses rise with flows."""
    least, greatest = (
        _pressures(tree, bores, roughness, np.full(len(bores), supply), unit, np.repeat(flow, len(bores), axis=0))
        for flow in (nozzles.flow(np.full((1, tree.feeds.shape[1]), edge)) for edge in reversed(band))
    )
    return least, greatest


def states(
    tree: Tree, bores: Floats, roughness: float, supply: Floats, unit: Unit, nozzles: Nozzles
) -> tuple[Floats, Floats]:
    """[B, M] pressures and [B] flows of B sizings ([B, E] bores) at B supply pressures; NaN where none is found."""
    pressure = np.repeat(supply[:, None], tree.feeds.shape[1], axis=1)
    moved = np.full(len(supply), np.inf)
    for _ in range(MOST_STEPS):
        following = _pressures(tree, bores, roughness, supply, unit, nozzles.flow(pressure))
        moved = np.abs(following - pressure).max(axis=1)
        pressure += DAMPING * (following - pressure)
        if moved.max() < CLOSE_PA:
            break
    for b in np.flatnonzero(moved >= CLOSE_PA):
        pressure[b] = by_root(tree, bores[b], roughness, float(supply[b]), unit, nozzles)
    return pressure, nozzles.flow(pressure).sum(axis=1)


def _pressures(
    tree: Tree, bores: Floats, roughness: float, supply: Floats, unit: Unit, flow: Floats
) -> Floats:
    """Pressure at each nozzle when they draw these flows."""
    through = flow @ tree.feeds.T
    speed = through / (np.pi / 4.0 * bores**2)
    lost = gradient(through, bores, roughness) * tree.length + tree.minor_k * DENSITY * speed**2 / 2.0
    lost += DENSITY * GRAVITY * tree.rise
    return np.asarray((supply - unit.loss(flow.sum(axis=1)))[:, None] - lost @ tree.feeds)


def by_root(
    tree: Tree, bores: Floats, roughness: float, supply: float, unit: Unit, nozzles: Nozzles
) -> Floats:
    """[M] pressures of one sizing, solved for the flows by scipy's hybrid method; NaN where it finds none."""
    unit_flow = float(nozzles.flow(np.asarray(supply)))

    def off(share: Floats) -> Floats:
        flow = np.maximum(share, 0.0)[None, :] * unit_flow
        pressure = _pressures(tree, bores[None, :], roughness, np.asarray([supply]), unit, flow)
        return np.asarray((nozzles.flow(pressure) / unit_flow)[0] - share)

    found = root(off, np.full(tree.feeds.shape[1], 0.9), tol=1e-12)
    if not found.success:
        return np.full(tree.feeds.shape[1], np.nan)
    flow = np.maximum(found.x, 0.0)[None, :] * unit_flow
    return _pressures(tree, bores[None, :], roughness, np.asarray([supply]), unit, flow)[0]
