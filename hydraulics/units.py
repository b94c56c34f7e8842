"""Quantities with units, as people write and read them. Inside the code everything is SI.

Only text is converted here: no other module multiplies by a unit's factor.
Factors follow from the exact definitions in NIST SP 811 (2008), appendix B.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from typing import Literal, NamedTuple

from hydraulics.errors import UnitError

System = Literal["metric", "us"]

INCH_M = 0.0254
FOOT_M = 12 * INCH_M
MILE_M = 5280 * FOOT_M
ACRE_M2 = 43560 * FOOT_M**2
GALLON_M3 = 231 * INCH_M**3
POUND_KG = 0.45359237
GRAVITY_M_S2 = 9.80665
PSI_PA = POUND_KG * GRAVITY_M_S2 / INCH_M**2
BAR_PA = 1e5
LITRE_M3 = 1e-3
ZERO_C_K = 273.15
HOUR_S = 3600.0
KILOWATT_HOUR_J = 1e3 * HOUR_S
HORSEPOWER_W = 550 * FOOT_M * POUND_KG * GRAVITY_M_S2  # 550 foot-pounds of force a second


class Scale(NamedTuple):
    """SI value = factor * number + offset."""

    factor: float
    offset: float = 0.0


class Shown(NamedTuple):
    """How a kind is shown: the unit as printed, its scale, decimals unless told."""

    unit: str
    scale: Scale
    decimals: int


_LITRE_FLOWS = {f"{letter}{time}": Scale(factor) for letter in "Ll" for time, factor in
                {"/s": LITRE_M3, "/min": LITRE_M3 / 60, "/h": LITRE_M3 / 3600}.items()}
_CELSIUS, _FAHRENHEIT = Scale(1.0), Scale(5 / 9, -32 * 5 / 9)

ACCEPTED: Mapping[str, Mapping[str, Scale]] = {
    "pressure": {"Pa": Scale(1.0), "kPa": Scale(1e3), "MPa": Scale(1e6), "mbar": Scale(1e2),
                 "bar": Scale(BAR_PA), "psi": Scale(PSI_PA)},
    "length": {"m": Scale(1.0), "mm": Scale(1e-3), "cm": Scale(1e-2),
               "in": Scale(INCH_M), "ft": Scale(FOOT_M), "um": Scale(1e-6), "µm": Scale(1e-6)},
    "flow": {"m3/s": Scale(1.0), "m3/h": Scale(1 / 3600), **_LITRE_FLOWS,
             "mL/min": Scale(1e-6 / 60), "ml/min": Scale(1e-6 / 60), "mL/s": Scale(1e-6), "ml/s": Scale(1e-6),
             "gpm": Scale(GALLON_M3 / 60), "gph": Scale(GALLON_M3 / 3600)},
    "temperature": {"C": _CELSIUS, "°C": _CELSIUS, "F": _FAHRENHEIT, "°F": _FAHRENHEIT,
                    "K": Scale(1.0, -ZERO_C_K)},
    "angle": {"deg": Scale(1.0), "°": Scale(1.0), "rad": Scale(180 / math.pi)},
    "area": {"m2": Scale(1.0), "m²": Scale(1.0), "ha": Scale(1e4),
             "ft2": Scale(FOOT_M**2), "ft²": Scale(FOOT_M**2), "acre": Scale(ACRE_M2)},
    "volume": {"m3": Scale(1.0), "m³": Scale(1.0), "L": Scale(LITRE_M3), "l": Scale(LITRE_M3),
               "mL": Scale(1e-6), "ml": Scale(1e-6), "gal": Scale(GALLON_M3)},
    "duration": {"s": Scale(1.0), "min": Scale(60.0), "h": Scale(HOUR_S)},
    "rate": {"L/m2": Scale(LITRE_M3), "L/m²": Scale(LITRE_M3), "mL/m2": Scale(1e-6), "mL/m²": Scale(1e-6),
             "L/ha": Scale(LITRE_M3 / 1e4), "mL/ha": Scale(1e-6 / 1e4), "gal/acre": Scale(GALLON_M3 / ACRE_M2)},
    "dosage": {"mL.s/m3": Scale(1e-6), "mL·s/m³": Scale(1e-6), "uL.s/m3": Scale(1e-9), "µL·s/m³": Scale(1e-9)},
    "speed": {"m/s": Scale(1.0), "km/h": Scale(1 / 3.6), "mph": Scale(MILE_M / HOUR_S), "kn": Scale(1852 / HOUR_S)},
    "voltage": {"V": Scale(1.0), "kV": Scale(1e3)},
    "current": {"A": Scale(1.0), "mA": Scale(1e-3)},
    "power": {"W": Scale(1.0), "kW": Scale(1e3), "hp": Scale(HORSEPOWER_W)},
}

_DEGREES = Shown("°", Scale(1.0), 0)
_SECONDS = Shown("s", Scale(1.0), 0)
_VOLTS, _AMPERES = Shown("V", Scale(1.0), 0), Shown("A", Scale(1.0), 1)
_DOSAGE = Shown("mL·s/m³", Scale(1e-6), 2)
_SMALL_FLOW = Shown("mL/min", Scale(1e-6 / 60), 1)

SHOWN: Mapping[str, Mapping[str, Shown]] = {
    "pressure": {"metric": Shown("bar", Scale(BAR_PA), 2), "us": Shown("psi", Scale(PSI_PA), 1)},
    "length": {"metric": Shown("m", Scale(1.0), 1), "us": Shown("ft", Scale(FOOT_M), 1)},
    "bore": {"metric": Shown("mm", Scale(1e-3), 1), "us": Shown("in", Scale(INCH_M), 3)},
    "flow": {"metric": Shown("L/min", Scale(LITRE_M3 / 60), 2), "us": Shown("gpm", Scale(GALLON_M3 / 60), 2)},
    "small_flow": {"metric": _SMALL_FLOW, "us": _SMALL_FLOW},
    "area": {"metric": Shown("m²", Scale(1.0), 1), "us": Shown("ft²", Scale(FOOT_M**2), 0)},
    "temperature": {"metric": Shown("°C", _CELSIUS, 1), "us": Shown("°F", _FAHRENHEIT, 1)},
    "angle": {"metric": _DEGREES, "us": _DEGREES},
    "volume": {"metric": Shown("L", Scale(LITRE_M3), 1), "us": Shown("gal", Scale(GALLON_M3), 1)},
    "duration": {"metric": _SECONDS, "us": _SECONDS},
    "rate": {"metric": Shown("mL/m²", Scale(1e-6), 3), "us": Shown("gal/acre", Scale(GALLON_M3 / ACRE_M2), 3)},
    "dosage": {"metric": _DOSAGE, "us": _DOSAGE},
    "speed": {"metric": Shown("m/s", Scale(1.0), 1), "us": Shown("mph", Scale(MILE_M / HOUR_S), 1)},
    "voltage": {"metric": _VOLTS, "us": _VOLTS},
    "current": {"metric": _AMPERES, "us": _AMPERES},
    "power": {"metric": Shown("W", Scale(1.0), 0), "us": Shown("hp", Scale(HORSEPOWER_W), 2)},
}

_QUANTITY = re.compile(r"\s*([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*(\S*)\s*", re.ASCII)


def quantity(text: str, kind: str) -> float:
    """The SI value of a text such as "12 bar" or "180 psi"; temperatures in °C, angles in degrees.

    kind is one of pressure, length, flow, temperature, angle, area, volume, duration, rate (volume per area, in m),
    dosage (volume per volume times time, in s), speed, voltage, current, power.
    Raises UnitError with the units accepted where number or unit is missing, unknown or not finite.
    """
    units = ACCEPTED.get(kind)
    if units is None:
        raise UnitError(f"no kind of quantity is named {kind!r}; known are {', '.join(ACCEPTED)}")
    match = _QUANTITY.fullmatch(text)
    if match is None:
        raise UnitError(f"{text!r} is no {kind}; {_wanted(kind)}")
    number, unit = float(match[1]), match[2]
    if unit not in units:
        problem = f"{unit!r} is no unit of {kind}" if unit else "the unit is missing"
        raise UnitError(f"{text!r}: {problem}; {_wanted(kind)}")
    value = number * units[unit].factor + units[unit].offset
    if not math.isfinite(value):
        raise UnitError(f"{text!r} is too large a {kind}; {_wanted(kind)}")
    return value


def show(value: float, kind: str, system: System, digits: int | None = None) -> str:
    """A value in SI (°C, degrees) as number and unit: show(1.25e6, "pressure", "metric") is "12.50 bar".

    kind is one of those of `quantity`, or bore, or small_flow (mL/min in both systems); digits are decimals.
    Raises UnitError on an unknown kind or system.
    """
    try:
        shown = SHOWN[kind][system]
    except KeyError:
        raise UnitError(f"no {kind!r} is shown in {system!r}; kinds are {', '.join(SHOWN)}, "
                        f"systems metric and us") from None
    decimals = shown.decimals if digits is None else digits
    number = round((value - shown.scale.offset) / shown.scale.factor, decimals) + 0.0  # -0.0 becomes 0.0
    gap = "" if shown.unit == "°" else " "
    return f"{number:.{decimals}f}{gap}{shown.unit}"


def _wanted(kind: str) -> str:
    return f"write a number with one of {', '.join(ACCEPTED[kind])}"


def show_both(value: float, kind: str, digits: int | None = None) -> str:
    """A value in metric units with the US ones behind it, for sentences: "12.50 bar (181 psi)"."""
    return f"{show(value, kind, 'metric', digits)} ({show(value, kind, 'us')})"
