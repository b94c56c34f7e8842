"""Types of the fields in TOML files; each description completes the sentence "write ..." of a fault.

Quantities are text with a unit and become SI. The limits only refuse what no site on earth has.
"""

from __future__ import annotations

import re
from typing import Annotated, Self

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    TypeAdapter,
    ValidatorFunctionWrapHandler,
    WrapValidator,
    model_validator,
)
from pydantic_core import PydanticCustomError

from hydraulics.errors import UnitError
from hydraulics.units import quantity

COMPASS = ("N", "NNE", "NE", "ENE", "E", "ESE", "SE", "SSE", "S", "SSW", "SW", "WSW", "W", "WNW", "NW", "NNW")


class Table(BaseModel):
    """A table of a TOML file: closed, strict about types, finite numbers only."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, allow_inf_nan=False)


def _reads(kind: str) -> BeforeValidator:
    """Validator from text with a unit of that kind to SI."""

    def parse(value: object) -> float:
        if not isinstance(value, str):
            raise PydanticCustomError("quantity", "is not text with a number and a unit")
        try:
            return quantity(value, kind)
        except UnitError as error:
            article = "an" if kind[0] in "aeiou" else "a"
            problem = f"is not {article} {kind} with its unit"
            raise PydanticCustomError("quantity", "{problem}", {"problem": problem}) from error

    return BeforeValidator(parse)


def _some_time(text: str) -> str:
    if not re.fullmatch(r"([01]\d|2[0-3]):[0-5]\d-(([01]\d|2[0-3]):[0-5]\d|24:00)", text, re.ASCII):
        raise PydanticCustomError("hours", "is not two times of day with a dash between")
    if text[:5] == text[6:]:
        raise PydanticCustomError("hours", "starts and ends at the same minute")
    return text




def _direction(value: object) -> str | float:
    if isinstance(value, str) and value in (*COMPASS, "all"):
        return value
    if isinstance(value, int | float) and not isinstance(value, bool) and 0 <= value <= 360:
        return float(value)
    raise PydanticCustomError("direction", "is no direction")


Pressure = Annotated[
    float,
    _reads("pressure"),
    Field(gt=0, le=1e8, description='a pressure above 0 in bar, kPa, MPa or psi, like "12 bar"'),
]
PressureDifference = Annotated[
    float,
    _reads("pressure"),
    Field(ge=-1e7, le=1e7, description='a pressure in bar, kPa, MPa or psi, below 0 too, like "-0.2 bar"'),
]
Length = Annotated[
    float,
    _reads("length"),
    Field(gt=0, le=1e4, description='a length above 0 in m, cm, mm, ft or in, like "0.5 m"'),
]
LengthOrZero = Annotated[
    float,
    _reads("length"),
    Field(ge=0, le=1e4, description='a length in m, cm, mm, ft or in, like "1.5 m", or "0 m" for none'),
]
Bore = Annotated[
    float,
    _reads("length"),
    Field(gt=0, le=0.1, description='a bore above 0 mm and up to 100 mm in mm, cm or in, like "4 mm"'),
]
Grid = Annotated[
    float,
    _reads("length"),
    Field(ge=0.05, le=100, description='a length from 0.05 m to 100 m in m, cm, ft or in, like "0.5 m"'),
]
Flow = Annotated[
    float,
    _reads("flow"),
    Field(gt=0, le=1, description='a flow above 0 in L/min, mL/min, m3/h or gpm, like "9 L/min"'),
]
Area = Annotated[
    float,
    _reads("area"),
    Field(ge=0, le=1e6, description='an area in m2, ft2 or ha, like "2 m2"'),
]
Volume = Annotated[
    float,
    _reads("volume"),
    Field(gt=0, le=1e4, description='a volume above 0 in L, m3 or gal, like "200 L"'),
]
Duration = Annotated[
    float,
    _reads("duration"),
    Field(gt=0, le=86_400, description='a duration above 0 and up to 24 h in s, min or h, like "45 s"'),
]
Rate = Annotated[
    float,
    _reads("rate"),
    Field(gt=0, le=1, description='a volume per area above 0 in mL/m2, L/m2, mL/ha, L/ha or gal/acre, like "2 mL/m2"'),
]
Dosage = Annotated[
    float,
    _reads("dosage"),
    Field(gt=0, le=1, description='a dosage in the air above 0 in mL.s/m3 or uL.s/m3, like "4 mL.s/m3"'),
]
RateOrZero = Annotated[
    float,
    _reads("rate"),
    Field(ge=0, le=1, description='a volume per area in mL/m2 or L/m2, like "0.3 mL/m2", or "0 mL/m2" for none'),
]
Offset = Annotated[
    float,
    _reads("length"),
    Field(ge=-100, le=100, description='a length from -100 m to 100 m in m, cm or ft, like "-1.5 m"'),
]
Speed = Annotated[
    float,
    _reads("speed"),
    Field(gt=0, le=100, description='a speed above 0 in m/s, km/h, mph or kn, like "3 m/s"'),
]
DropSize = Annotated[
    float,
    _reads("length"),
    Field(ge=1e-6, le=1e-3, description='a diameter from 1 um to 1000 um in um or mm, like "45 um"'),
]
Power = Annotated[
    float,
    _reads("power"),
    Field(gt=0, le=1e6, description='a power above 0 in W, kW or hp, like "750 W"'),
]
Voltage = Annotated[
    float,
    _reads("voltage"),
    Field(gt=0, le=1e4, description='a voltage above 0 in V, like "230 V"'),
]
WaterTemperature = Annotated[
    float,
    _reads("temperature"),
    Field(ge=0, le=60, description='a temperature from 0 C to 60 C in C or F, like "20 C"'),
]
TubingTemperature = Annotated[
    float,
    _reads("temperature"),
    Field(ge=-40, le=150, description='a temperature from -40 C to 150 C in C or F, like "60 C"'),
]
AirTemperature = Annotated[
    float,
    _reads("temperature"),
    Field(ge=-10, le=60, description='a temperature from -10 C to 60 C in C or F, like "24 C"'),
]
SprayAngle = Annotated[
    float,
    _reads("angle"),
    Field(gt=0, le=360, description='an angle above 0 deg and up to 360 deg, like "120 deg"'),
]

Direction = Annotated[
    str | float,
    BeforeValidator(_direction),
    Field(description='a point of the compass like "SW", degrees from north like 225, or "all" for all around'),
]
Name = Annotated[
    str,
    Field(
        pattern=r"^[A-Za-z0-9][A-Za-z0-9_.\-]*$",
        max_length=60,
        description="a name of letters, digits, dots, - and _, a letter or digit first",
    ),
]
Words = Annotated[
    str, Field(min_length=1, max_length=400, pattern=r"^[\P{Cc}\n\t]*$", description="a few words of printable text")
]
Hours = Annotated[
    str,
    AfterValidator(_some_time),
    Field(description='hours like "06:00-08:30", past midnight like "22:00-02:00"'),
]
Price = Annotated[float, Field(ge=0, le=1e9, description="a price as a plain number, 0 or more, like 12.5")]
Amount = Annotated[float, Field(gt=0, le=1e12, description="an amount of money above 0, like 25000")]
Coefficient = Annotated[float, Field(ge=0, le=1000, description="a loss coefficient, 0 to 1000, like 0.6")]
Exponent = Annotated[float, Field(gt=0, le=1, description="an exponent above 0 and up to 1, like 0.5")]
SignedShare = Annotated[
    float, Field(ge=-0.9, le=10, description="a share of what is drawn, from -0.9 to 10, like -0.05")
]
Share = Annotated[float, Field(ge=0, lt=1, description="a share from 0 to below 1, like 0.15")]
Part = Annotated[float, Field(gt=0, le=1, description="a share above 0 and up to 1, like 0.9")]
Span = Annotated[
    float, Field(gt=0, le=10, description="a relative span (Dv0.9 - Dv0.1) / Dv0.5 above 0 and up to 10, like 1.2")
]
Dilution = Annotated[
    float, Field(ge=1, le=1e6, description="litres of mist from one litre of concentrate, 1 or more, like 200")
]
Days = Annotated[int, Field(ge=1, le=366, description="a whole number of days from 1 to 366")]
Times = Annotated[float, Field(ge=0, le=1000, description="how many, 0 or more, like 1 or 0.5")]
Samples = Annotated[int, Field(ge=100, le=100_000, description="a whole number from 100 to 100000")]
Count = Annotated[int, Field(ge=1, le=1000, description="a whole number from 1 to 1000")]


def upright(low: float, high: float) -> None:
    """Refuses a range whose low end is above its high one, for a validator of its table."""
    if low > high:
        problem, mend = "is upside down: low is above high", "swap low and high"
        raise PydanticCustomError("upside_down", "{problem}", {"problem": problem, "mend": mend})


class PressureRange(Table):
    """A range of pressures, low to high; both may be the same."""

    low: Pressure
    high: Pressure

    @model_validator(mode="after")
    def _upright(self) -> Self:
        upright(self.low, self.high)
        return self


class PressureSteps(PressureRange):
    """Pressures that may be set, from low to high."""

    step: Pressure


class CountRange(Table):
    """A range of counts, least to most; both may be the same."""

    least: Count
    most: Count

    @model_validator(mode="after")
    def _upright(self) -> Self:
        if self.least > self.most:
            problem, mend = "is upside down: least is above most", "swap least and most"
            raise PydanticCustomError("upside_down", "{problem}", {"problem": problem, "mend": mend})
        return self


_COUNT: TypeAdapter[int] = TypeAdapter(Count)


def _just_or_range(value: object, read: ValidatorFunctionWrapHandler) -> CountRange:
    """A table is a range; anything else must be a count, which is a range of one."""
    if isinstance(value, dict | CountRange):
        found = read(value)
        assert isinstance(found, CountRange)
        return found
    count = _COUNT.validate_python(value, strict=True)
    return CountRange(least=count, most=count)


Counts = Annotated[
    CountRange,
    WrapValidator(_just_or_range),
    Field(description="a whole number from 1 to 1000, or a range like { least = 1, most = 3 }"),
]
