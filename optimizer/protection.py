"""Rules that protect people, animals and water: what the product's label, local code or practice state, each with its
source, and the strictest of each rule.

Nothing here is law by itself: every number is the scenario's, and `source` says where it comes from.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import NamedTuple

from pydantic import ConfigDict

from hydraulics.units import show, show_both


class Kind(NamedTuple):
    """What a rule limits: in words, as which kind of quantity ("" a plain number), and whether it states the most."""

    words: str
    quantity: str
    most: bool


_CLOSED = ConfigDict(extra="forbid", allow_inf_nan=False)  # it stands in design.json

RULES: Mapping[str, Kind] = {
    "nozzle_flow": Kind("flow of a nozzle", "small_flow", True),
    "cycles_per_day": Kind("cycles a day", "", True),
    "mist_per_cycle": Kind("mist per treated area and cycle", "rate", True),
    "mist_per_day": Kind("mist per treated area and day", "rate", True),
    "concentrate_per_cycle": Kind("concentrate per treated area and cycle", "rate", True),
    "concentrate_per_day": Kind("concentrate per treated area and day", "rate", True),
    "dilution": Kind("litres of mist from one of concentrate", "", False),
    "height.least": Kind("height of a nozzle above the ground", "length", False),
    "height.greatest": Kind("height of a nozzle above the ground", "length", True),
    "distance": Kind("distance of nozzles", "length", False),
    "mist_distance": Kind("distance of footprints", "length", False),
    "notice_days": Kind("days of notice to neighbours", "", False),
    "wind_most": Kind("wind speed at which misting stops", "speed", True),
}
RATES = ("mist_per_cycle", "mist_per_day", "concentrate_per_cycle", "concentrate_per_day")
DISTANCES = ("distance", "mist_distance")
IN_SERVICE = ("cycles_per_day", "dilution", "notice_days", "wind_most")  # for those who run the plant


@dataclass(frozen=True)
class Stated:
    """A rule as one source states it. rule: a key of RULES; of: the kind of feature that a distance is kept from, else
    ""; value: in SI. Raises ValueError for another rule."""

    __pydantic_config__ = _CLOSED
    rule: str
    of: str
    value: float
    source: str

    def __post_init__(self) -> None:
        if self.rule not in RULES:
            raise ValueError(f"{self.rule!r} is no rule of protection")

    @property
    def name(self) -> str:
        """The rule as scenario.toml names it."""
        return f"{self.rule}.{self.of}" if self.of else self.rule

    @property
    def kind(self) -> Kind:
        """What it limits."""
        return RULES[self.rule]

    @property
    def bare_words(self) -> str:
        """The limit: "at most 45.0 mL/min"."""
        return f"{'at most' if self.kind.most else 'at least'} {amount(self.rule, self.value)}"

    @property
    def words(self) -> str:
        """The limit with its source: "at most 45.0 mL/min (product label)"."""
        return f"{self.bare_words} ({self.source})"


def strictest(stated: Iterable[Stated]) -> tuple[Stated, ...]:
    """Of each rule the statement that binds, the first of equal ones; in the order of RULES."""
    found: dict[str, Stated] = {}
    for one in stated:
        held = found.setdefault(one.name, one)
        if one.value < held.value if one.kind.most else one.value > held.value:
            found[one.name] = one
    order = list(RULES)
    return tuple(sorted(found.values(), key=lambda one: (order.index(one.rule), one.of)))


def binding(stated: Iterable[Stated], rule: str) -> Stated | None:
    """The strictest statement of one rule, None where no source states it."""
    return next((one for one in strictest(stated) if one.name == rule), None)


def amount(rule: str, value: float) -> str:
    """A value of a rule in words, metric with the US units behind where these differ."""
    quantity = RULES[rule].quantity
    if not quantity:
        return f"{value:g}"
    metric = show(value, quantity, "metric")
    return metric if metric == show(value, quantity, "us") else show_both(value, quantity)
