"""The tables [climate] and [climate.wind] as they are written, and the weather that they tell."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Annotated, Literal, Self

from pydantic import Field, TypeAdapter, ValidatorFunctionWrapHandler, WrapValidator, model_validator
from pydantic_core import PydanticCustomError

from hydraulics.mist.air import Air
from hydraulics.mist.kernel import LAYER_TOP_M
from hydraulics.mist.wind import Wind, WindState, calm_and_variable
from optimizer.brief import Climate
from optimizer.fields import (
    COMPASS,
    AirTemperature,
    Direction,
    Length,
    Part,
    Share,
    Speed,
    Table,
    TubingTemperature,
    WaterTemperature,
    Words,
)

SHARES_OFF = 0.01  # that the shares of a rose may be off 1, as printed ones are
ALL_AROUND = "all"  # a wind that blows from every side in turn
WIND_HEIGHT_M, ROUGHNESS_M = 10.0, 0.03  # of wind told at the usual height of masts, over mown grass
AIR_C, HUMIDITY = 20.0, 0.5


class WindFile(Table):
    """One wind of the misting hours: where it blows from, how fast, in which share of these hours."""

    note: Words | None = None
    blows_from: Direction
    speed: Speed
    share: Part


_ROSE: TypeAdapter[list[WindFile]] = TypeAdapter(list[WindFile])
_WORDS: TypeAdapter[str] = TypeAdapter(Words)


def _words_or_rose(value: object, _: ValidatorFunctionWrapHandler) -> str | list[WindFile]:
    """A list is a rose; anything else must be words."""
    return _ROSE.validate_python(value) if isinstance(value, list) else _WORDS.validate_python(value, strict=True)


WordsOrRose = Annotated[
    str | list[WindFile],
    WrapValidator(_words_or_rose),
    Field(description="a few words like \"calm and variable, assumed\", or tables [[climate.wind]]"),
]


class ClimateFile(Table):
    """Water, air and wind."""

    note: Words | None = None
    water_temperature: WaterTemperature
    tubing_temperature: TubingTemperature | None = None
    wind: WordsOrRose
    wind_source: Literal["measured", "scaled", "assumed"] = "assumed"
    wind_height: Length = WIND_HEIGHT_M
    roughness: Length = ROUGHNESS_M
    air_temperature: AirTemperature | None = None
    humidity: Share | None = None
    occupied_height: Length = LAYER_TOP_M

    @model_validator(mode="after")
    def _possible(self) -> Self:
        if self.roughness >= self.wind_height / 2:
            _refuse("has a roughness of half of wind_height or more", "lower roughness, or raise wind_height")
        if isinstance(self.wind, str):
            if self.wind_source != "assumed":
                _refuse(f"has a wind in words that is {self.wind_source}", "add tables [[climate.wind]] for it")
            return self
        total = sum(wind.share for wind in self.wind)
        if abs(total - 1.0) > SHARES_OFF:
            _refuse(f"has winds whose shares sum to {total:g}", "let the shares of [[climate.wind]] sum to 1")
        return self


def _refuse(problem: str, mend: str) -> None:
    raise PydanticCustomError("impossible", "{problem}", {"problem": problem, "mend": mend})


def climate_of(table: ClimateFile) -> Climate:
    """The climate of a sound table; a wind in words is reckoned as calm and variable."""
    rose = calm_and_variable() if isinstance(table.wind, str) else _rose(table.wind)
    air = (AIR_C if table.air_temperature is None else table.air_temperature,
           HUMIDITY if table.humidity is None else table.humidity)
    return Climate(
        water_temperature_c=table.water_temperature,
        wind=table.wind if isinstance(table.wind, str) else _rose_words(table.wind, table.wind_source),
        air=Air(*air),
        rose=Wind(rose, table.wind_height, table.roughness),
        rose_source=table.wind_source,
        layer_top_m=table.occupied_height,
        assumed=tuple(_assumed(table)),
        tubing_temperature_c=table.tubing_temperature,
    )


def _rose(winds: list[WindFile]) -> tuple[WindState, ...]:
    """States whose shares sum to 1; a wind from all around is one state for each of its directions."""
    total = sum(wind.share for wind in winds)
    states: list[WindState] = []
    for wind in winds:
        share = wind.share / total
        if wind.blows_from == ALL_AROUND:
            around = calm_and_variable(wind.speed)
            states += [WindState(state.speed_m_s, state.from_deg, state.share * share) for state in around]
        else:
            states.append(WindState(wind.speed, bearing_deg(wind.blows_from), share))
    return tuple(states)


def locked_out(climate: Climate, most_m_s: float) -> Climate:
    """The climate of the hours that are left when nothing mists in a wind above a speed. Some wind must be left."""
    left = [state for state in climate.rose.states if state.speed_m_s <= most_m_s]
    share = math.fsum(state.share for state in left)
    states = tuple(replace(state, share=state.share / share) for state in left)
    return replace(climate, rose=replace(climate.rose, states=states), locked_out=max(0.0, 1.0 - share))


def bearing_deg(direction: str | float) -> float:
    """Degrees clockwise from north of a point of the compass or a number."""
    return 360.0 / len(COMPASS) * COMPASS.index(direction) if isinstance(direction, str) else direction


def _rose_words(winds: list[WindFile], source: str) -> str:
    told = [
        f"{100.0 * wind.share:.0f} % {'from all around' if wind.blows_from == ALL_AROUND else _from(wind.blows_from)} "
        f"at {wind.speed:.1f} m/s"
        for wind in winds
    ]
    return f"{', '.join(told)}, {source}"


def _from(direction: str | float) -> str:
    return f"from {direction}" if isinstance(direction, str) else f"from {direction:.0f}°"


def _assumed(table: ClimateFile) -> list[str]:
    """What the file leaves to this program, in words."""
    found = []
    if isinstance(table.wind, str):
        first = calm_and_variable()
        found.append(f"wind of {first[0].speed_m_s:g} m/s from {len(first)} sides in equal shares")
    if table.air_temperature is None:
        found.append(f"air at {AIR_C:g} °C")
    if table.humidity is None:
        found.append(f"humidity {100.0 * HUMIDITY:g} %")
    return found
