"""What pressure tubing stands at the temperature that it reaches, and what pressure it has to stand."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from hydraulics.errors import RangeError

ROUNDING_C = 1e-6  # of a temperature told in °F
SET_MARGIN = 0.10  # over the pump's pressure where no relief setting is stated: common practice, no source


@dataclass(frozen=True)
class Rating:
    """A maker's pressure ratings at temperatures, which fall as these rise; linear between them.

    Below the first temperature no more than the first rating counts; above the last none is known. Raises RangeError
    naming each bad value.
    """

    temperatures_c: tuple[float, ...]
    ratings_pa: tuple[float, ...]

    def __post_init__(self) -> None:
        faults = list(_faults(self))
        if faults:
            raise RangeError(f"rating: {'; '.join(faults)}")

    @property
    def hottest_c(self) -> float:
        """The last temperature, above which nothing is known."""
        return self.temperatures_c[-1]

    def known_at(self, temperature_c: float) -> bool:
        """Whether a rating is known at a temperature."""
        return temperature_c <= self.hottest_c + ROUNDING_C

    def at_pa(self, temperature_c: float) -> float:
        """The rating at a temperature; raises RangeError above the last."""
        if not self.known_at(temperature_c):
            raise RangeError(f"rating: none is known at {temperature_c:g} °C, above the last at {self.hottest_c:g} °C; "
                             "ask the maker for one")
        return float(np.interp(temperature_c, self.temperatures_c, self.ratings_pa))


def to_withstand_pa(works_pa: float, relief_pa: float | None, fall_m: float = 0.0, weight_pa_m: float = 0.0) -> float:
    """The pressure that a rating must exceed: what the relief valve lets come up, or what the pump works at with
    SET_MARGIN, and the head of tubing that lies fall_m below the pump, in water of weight_pa_m."""
    top = (1.0 + SET_MARGIN) * works_pa if relief_pa is None else relief_pa
    return top + max(0.0, fall_m) * weight_pa_m


def _faults(rating: Rating) -> Iterator[str]:
    temperatures, ratings = rating.temperatures_c, rating.ratings_pa
    if len(temperatures) != len(ratings) or not temperatures:
        yield f"{len(temperatures)} temperatures and {len(ratings)} ratings; give a rating at each of at least one"
        return
    yield from (f"temperature {t:g} °C, give a number" for t in temperatures if not math.isfinite(t))
    yield from (f"rating {p:g} Pa, give one above 0" for p in ratings if not 0 < p < math.inf)
    yield from (f"{after:g} °C after {before:g} °C, give rising temperatures"
                for before, after in pairwise(temperatures) if not before < after)
    yield from (f"{after:g} Pa after {before:g} Pa, give ratings that fall as it gets hotter"
                for before, after in pairwise(ratings) if not before >= after)
