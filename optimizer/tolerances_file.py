"""[tolerances] of scenario.toml: what may differ on site from the drawing. A key that is left out stands as written
here (common practice, no source)."""

from __future__ import annotations

from typing import Literal, Self

from pydantic import Field, model_validator

from hydraulics.tolerance import Spread, Tolerances
from hydraulics.water import HIGHEST_C, LOWEST_C
from optimizer.brief import FieldTolerances
from optimizer.fields import (
    Flow,
    Part,
    Pressure,
    PressureDifference,
    Samples,
    Share,
    SignedShare,
    Table,
    WaterTemperature,
    Words,
    upright,
)

Shape = Literal["normal", "uniform"]

EITHER_WAY_C = 10.0  # water below and above the climate's
_SHARES = 'a range like { low = -0.05, high = 0.05, shape = "normal" }'


class ShareRange(Table):
    """Shares by which a value may differ, and how they lie between low and high."""

    low: SignedShare
    high: SignedShare
    shape: Shape = "normal"

    @model_validator(mode="after")
    def _upright(self) -> Self:
        upright(self.low, self.high)
        return self


class DriftRange(Table):
    """Pressures by which a set pressure may drift."""

    low: PressureDifference
    high: PressureDifference
    shape: Shape = "uniform"

    @model_validator(mode="after")
    def _upright(self) -> Self:
        upright(self.low, self.high)
        return self


class WaterRange(Table):
    """Temperatures of the water in the tubing."""

    low: WaterTemperature
    high: WaterTemperature
    shape: Shape = "uniform"

    @model_validator(mode="after")
    def _upright(self) -> Self:
        upright(self.low, self.high)
        return self


class CloggedFile(Table):
    """The share of nozzles that are clogged when nobody looks, and what they let through of their flow."""

    share: Share
    flow_left: Share = 0.0


class LeakFile(Table):
    """The chance of a circuit to have a fitting that leaks, and what it loses at a pressure."""

    chance: Share
    flow: Flow
    at: Pressure


class TolerancesFile(Table):
    """What may differ on site from the drawing, and the yield that is asked for."""

    note: Words | None = None
    nozzle_flow: ShareRange = Field(ShareRange(low=-0.05, high=0.05), description=_SHARES)
    bore_batch: ShareRange = Field(ShareRange(low=-0.02, high=0.02), description=_SHARES)
    bore_tube: ShareRange = Field(ShareRange(low=-0.01, high=0.01), description=_SHARES)
    roughness: ShareRange = Field(ShareRange(low=-0.5, high=1.0, shape="uniform"), description=_SHARES)
    minor_losses: ShareRange = Field(ShareRange(low=-0.3, high=0.3, shape="uniform"), description=_SHARES)
    water_temperature: WaterRange | None = Field(None, description='a range like { low = "10 C", high = "30 C" }')
    set_pressure: DriftRange = Field(
        DriftRange.model_validate({"low": "-0.2 bar", "high": "0.2 bar"}),
        description='a range like { low = "-0.2 bar", high = "0.2 bar" }',
    )
    clogged: CloggedFile | None = Field(None, description="a table like { share = 0.01, flow_left = 0.3 }")
    leak: LeakFile | None = Field(None, description='a table like { chance = 0.02, flow = "50 mL/min", at = "13 bar" }')
    samples: Samples = 2000
    least_yield: Part | None = None


def field_tolerances(table: TolerancesFile, climate_c: float) -> FieldTolerances:
    """The table as values; climate_c: water temperature of the climate."""
    clogged, leak = table.clogged, table.leak
    warm = _spread(table.water_temperature) if table.water_temperature else _either_way(climate_c)
    differs = Tolerances(
        nozzle_flow=_spread(table.nozzle_flow),
        bore_batch=_spread(table.bore_batch),
        bore_tube=_spread(table.bore_tube),
        roughness=_spread(table.roughness),
        minor_losses=_spread(table.minor_losses),
        water_temperature_c=warm,
        set_drift_pa=_spread(table.set_pressure),
        clogged_share=clogged.share if clogged else 0.0,
        clogged_left=clogged.flow_left if clogged else 0.0,
        leak_chance=leak.chance if leak else 0.0,
        leak_m3_s=leak.flow if leak else 0.0,
        leak_at_pa=leak.at if leak else 1.0,
    )
    return FieldTolerances(differs, table.samples, table.least_yield)


def _spread(table: ShareRange | DriftRange | WaterRange) -> Spread:
    return Spread(table.low, table.high, table.shape)


def _either_way(climate_c: float) -> Spread:
    return Spread(max(LOWEST_C, climate_c - EITHER_WAY_C), min(HIGHEST_C, climate_c + EITHER_WAY_C), "uniform")
