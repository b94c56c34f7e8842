"""The wind: a rose of states, and its log profile above open ground in neutral air."""

from __future__ import annotations

import math
from dataclasses import dataclass

from hydraulics.errors import RangeError

VON_KARMAN = 0.4
CALM_M_S = 0.5


@dataclass(frozen=True)
class WindState:
    """One wind: speed at the reference height, the bearing it blows FROM (clockwise from north), its share of the
    misting hours."""

    speed_m_s: float
    from_deg: float
    share: float


@dataclass(frozen=True)
class Wind:
    """A rose of states whose shares sum to 1, the height at which speeds are told, the roughness length of the ground
    (about 0.01 m mown grass, 0.1 m tall grass and low hedges, 0.5 m orchards and buildings).

    Raises RangeError naming each bad value.
    """

    states: tuple[WindState, ...]
    reference_height_m: float = 10.0
    roughness_m: float = 0.03

    def __post_init__(self) -> None:
        faults = [f"state {number}: {text}" for number, state in enumerate(self.states, start=1) for sound, text in (
            (0 < state.speed_m_s < 60, f"speed {state.speed_m_s:g} m/s, give one above 0 (calm: "
                                       f"{CALM_M_S:g} m/s from all around)"),
            (math.isfinite(state.from_deg), f"direction {state.from_deg:g}°, give a bearing in degrees"),
            (state.share >= 0, f"share {state.share:g}, give at least 0"),
        ) if not sound]
        total = sum(state.share for state in self.states)
        if not abs(total - 1) <= 1e-6:
            faults.append(f"shares of the states sum to {total:g}, let them sum to 1")
        if not 0 < self.roughness_m < self.reference_height_m / 2:
            faults.append(f"roughness length {self.roughness_m:g} m, give one above 0 and below half of the reference "
                          f"height of {self.reference_height_m:g} m")
        if faults:
            raise RangeError(f"wind: {'; '.join(faults)}")


def calm_and_variable(speed_m_s: float = CALM_M_S, directions: int = 12) -> tuple[WindState, ...]:
    """Calm and variable air, assumed: the same low speed from every side, each direction with the same share."""
    return tuple(WindState(speed_m_s, 360.0 * i / directions, 1 / directions) for i in range(directions))


def friction_velocity_m_s(speed_m_s: float, reference_height_m: float, roughness_m: float) -> float:
    """Friction velocity of the log profile u(z) = u* / 0.4 ln(z / z0) through a speed at a height."""
    return VON_KARMAN * speed_m_s / math.log(reference_height_m / roughness_m)


def speed_at_m_s(height_m: float, friction_m_s: float, roughness_m: float) -> float:
    """Speed of the log profile at a height; 0 at and below the roughness length."""
    return friction_m_s / VON_KARMAN * math.log(max(height_m / roughness_m, 1.0))


def mean_speed_m_s(height_m: float, friction_m_s: float, roughness_m: float) -> float:
    """Mean of the log profile from the ground to a height: what carries a drop that falls evenly from there."""
    if height_m <= roughness_m:
        raise RangeError(f"nozzle height {height_m:g} m: give one above the roughness length of {roughness_m:g} m")
    ratio = roughness_m / height_m
    return friction_m_s / VON_KARMAN * (math.log(1 / ratio) - 1 + ratio)
