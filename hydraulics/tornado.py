"""What each source of difference does by itself to the worst nozzle of a circuit, at each of its ends."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hydraulics.sampled import States
from hydraulics.sampler import Sampler
from hydraulics.tolerance import SOURCES, Spread, Tolerances
from hydraulics.water import water_at

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Ends:
    """Lowest nozzle pressure of a circuit as drawn, and with one source at each of its ends and all else as drawn: low
    and high end of a spread; no clogged nozzle or leak, and one where it tells most."""

    source: str
    drawn_pa: float
    at_low_pa: float
    at_high_pa: float


def tornado(sampler: Sampler, tolerances: Tolerances) -> tuple[Ends, ...]:
    """What each source that differs does by itself, in the order of SOURCES; at an end of nozzle_flow all nozzles stand
    there, at one of bore_tube all tubes."""
    sources = [source for source in SOURCES if tolerances.differs(source)]
    drawn_pa = _lowest(sampler, sampler.as_drawn(1))[0]
    return tuple(Ends(source, drawn_pa, *_at_ends(sampler, tolerances, source, drawn_pa)) for source in sources)


def _at_ends(sampler: Sampler, tolerances: Tolerances, source: str, drawn_pa: float) -> tuple[float, float]:
    if source in ("clogged", "leak"):
        found = _lowest(sampler, _one_spoiled(sampler, tolerances, source))
        return drawn_pa, float(found[np.abs(found - drawn_pa).argmax()])
    spread: Spread = getattr(tolerances, source)
    states = sampler.as_drawn(2)
    for s, value in enumerate((spread.low, spread.high)):
        if source == "nozzle_flow":
            states.nozzle_k[s] *= 1.0 + value
        elif source in ("bore_batch", "bore_tube"):
            states.bore_m[s] *= 1.0 + value
        elif source == "roughness":
            states.roughness[s] += value
        elif source == "minor_losses":
            states.minor[s] += value
        elif source == "water_temperature_c":
            water = water_at(value)
            states.density_kg_m3[s], states.viscosity_pa_s[s] = water.density_kg_m3, water.viscosity_pa_s
        else:
            states.set_pa[s] += value
    low, high = _lowest(sampler, sampler.delivered(states))
    return float(low), float(high)


def _one_spoiled(sampler: Sampler, tolerances: Tolerances, source: str) -> States:
    """A state for every nozzle clogged alone, or every node leaking alone."""
    if source == "clogged":
        states = sampler.as_drawn(sampler.nozzles.size)
        states.nozzle_k[np.arange(sampler.nozzles.size), sampler.nozzles] *= tolerances.clogged_left
        return states
    states = sampler.as_drawn(max(1, sampler.order.size - 1))
    states.leak_at[:] = np.arange(1, len(states.leak_at) + 1)
    states.leak_k[:] = tolerances.leak_k
    return states


def _lowest(sampler: Sampler, states: States) -> Floats:
    return np.asarray(sampler.solved(states)[0][:, sampler.nozzles].min(axis=1))
