"""Faults of tubing that may not stand what a pump, its relief valve or the heat ask of it."""

from __future__ import annotations

from collections.abc import Iterator

from hydraulics.tubing import SET_MARGIN, to_withstand_pa
from hydraulics.units import show
from optimizer.errors import InputFault
from optimizer.input_file import Loc
from optimizer.pump_type import PumpType
from optimizer.scenario_file import RulesFile
from optimizer.scenario_parts import Parts, usable

_MARGIN = f"{100.0 * SET_MARGIN:.0f} %"
SET_HIGH: Loc = ("rules", "set_pressure", "high")


def tubing_faults(parts: Parts, rules: RulesFile) -> Iterator[InputFault]:
    """Every tubing that an option may use must be rated at its hottest, above what its pumps bring up. Each is named
    once."""
    hot = parts.climate.tubing_temperature if parts.climate else None
    yield from _unrated(parts, hot)
    named: set[str] = set()
    for loc, option in parts.options:
        pumps = usable(parts.on_sale.pumps, [option.pump_types])
        for tube in usable(parts.on_sale.tubing, [option.tubing]):
            rating = tube.rating_at_pa(hot)
            worst = max(pumps, key=lambda pump: _asks_pa(pump, rules), default=None)
            if worst is None or rating is None or rating > _asks_pa(worst, rules) or tube.name in named:
                continue
            named.add(tube.name)
            rated = f"{_pressure(rating)}{_at(hot) if tube.ratings else ''}"
            if worst.relief_pa is None and worst.bypass_pa is not None:
                bypass = f"the bypass of pump {worst.name} opens at {_pressure(worst.bypass_pa)}"
                problem = f"allows tubing {tube.name}, rated {rated}, but {bypass}, to which {_MARGIN} are added"
                mend = f"keep {tube.name} out of the option's tubing, or {worst.name} out of its pump_types"
                yield parts.reader.fault_at(loc, problem, mend)
            elif worst.relief_pa is None:
                problem = f"with {_MARGIN} on it is not below the rating of tubing {tube.name}, {rated}"
                mend = f"lower it or keep {tube.name} out of the options' tubing"
                yield parts.reader.fault_at(SET_HIGH, problem, mend)
            else:
                relief = f"the relief valve of pump {worst.name} opens at {_pressure(worst.relief_pa)}"
                problem = f"allows tubing {tube.name}, rated {rated}, but {relief}"
                mend = f"keep {tube.name} out of the option's tubing, or {worst.name} out of its pump_types"
                yield parts.reader.fault_at(loc, problem, mend)


def _unrated(parts: Parts, hot: float | None) -> Iterator[InputFault]:
    """Tubing that nobody has rated at the hottest temperature."""
    for tube in usable(parts.on_sale.tubing, [option.tubing for _, option in parts.options]):
        if tube.rating_at_pa(hot) is None and tube.ratings is not None:
            last = show(tube.ratings.hottest_c, "temperature", "metric")
            problem = f"is above the last temperature at which tubing {tube.name} is rated, {last}"
            mend = f"ask the maker for a rating there, or keep {tube.name} out of the options' tubing"
            yield parts.reader.fault_at(("climate", "tubing_temperature"), problem, mend)


def _asks_pa(pump: PumpType, rules: RulesFile) -> float:
    """What a pump asks of the tubing at its highest set pressure, or where its bypass opens."""
    works = min(rules.set_pressure.high, pump.set_high_pa) if pump.bypass_pa is None else pump.bypass_pa
    return to_withstand_pa(works, pump.relief_pa)


def _at(hot: float | None) -> str:
    return " at its hottest" if hot is None else f" at {show(hot, 'temperature', 'metric')}"


def _pressure(pressure_pa: float) -> str:
    return show(pressure_pa, "pressure", "metric")
