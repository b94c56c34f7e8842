"""A pump unit with bypass, seen from its outlet gauge."""

from __future__ import annotations

import math
from dataclasses import dataclass

from hydraulics.errors import RangeError


@dataclass(frozen=True)
class Pump:
    """The supply holds set_pressure_pa while the net flow is at most delivery_m3_s; the rest goes through the
    bypass. Where the nozzles would take more, the supply pressure falls until net flow = delivery.

    limit_pa is the highest pressure of sustained use. Raises RangeError naming each bad value.
    """

    set_pressure_pa: float
    delivery_m3_s: float
    limit_pa: float

    def __post_init__(self) -> None:
        set_text = f"set pressure {self.set_pressure_pa:g} Pa"
        faults = [text for sound, text in (
            (0 < self.set_pressure_pa < math.inf, f"{set_text}, give one above 0"),
            (0 < self.delivery_m3_s < math.inf, f"delivery {self.delivery_m3_s:g} m3/s, give one above 0"),
            (self.set_pressure_pa <= self.limit_pa, f"{set_text} is above the limit of {self.limit_pa:g} Pa"),
        ) if not sound]
        if faults:
            raise RangeError(f"pump: {'; '.join(faults)}")
