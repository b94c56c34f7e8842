"""A pump unit with bypass, seen from its outlet gauge; its delivery, the power that it draws and its current."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

from hydraulics.errors import RangeError
from hydraulics.units import show_both

AGREES = 1e-9  # relative, of a rated delivery and its curve


@dataclass(frozen=True)
class DeliveryCurve:
    """Delivery at several pressures, rising pressures and falling deliveries, linear between them.

    Below the first pressure the pump is reckoned with no more than it delivers there; above the last it is not known.
    Raises RangeError naming each bad value.
    """

    pressures_pa: tuple[float, ...]
    deliveries_m3_s: tuple[float, ...]

    def __post_init__(self) -> None:
        faults = list(_curve_faults(self.pressures_pa, self.deliveries_m3_s))
        if faults:
            raise RangeError(f"delivery curve: {'; '.join(faults)}")

    @property
    def highest_pa(self) -> float:
        """The last pressure, above which nothing is known."""
        return self.pressures_pa[-1]

    def delivery_m3_s(self, pressure_pa: float) -> float:
        """Delivery at a pressure; raises RangeError above the last."""
        if not pressure_pa <= self.highest_pa:
            raise RangeError(f"delivery curve: no delivery is known at {show_both(pressure_pa, 'pressure')}, above its "
                             f"last point at {show_both(self.highest_pa, 'pressure')}; add a point")
        points = list(zip(self.pressures_pa, self.deliveries_m3_s, strict=True))
        for (low, most), (high, least) in pairwise(points):
            if pressure_pa <= high:
                return most + (least - most) * max(0.0, pressure_pa - low) / (high - low)
        raise AssertionError("a curve has two points")

    def times(self, factor: float) -> DeliveryCurve:
        """The curve of a pump that delivers so many times as much."""
        return DeliveryCurve(self.pressures_pa, tuple(factor * each for each in self.deliveries_m3_s))


@dataclass(frozen=True)
class Pump:
    """The supply holds set_pressure_pa while the net flow is at most delivery_m3_s, what it delivers there; the rest
    goes through the bypass. Where the nozzles would take more, the supply pressure falls until net flow = delivery:
    delivery_m3_s at any pressure, or what the curve tells.

    limit_pa is the highest pressure of sustained use. bypass_pa is the pressure at which the bypass opens, where a
    regulator behind it holds the set pressure; None: the bypass itself holds it. relief_pa: where the relief valve
    opens. Raises RangeError naming each bad value.
    """

    set_pressure_pa: float
    delivery_m3_s: float
    limit_pa: float
    curve: DeliveryCurve | None = None
    bypass_pa: float | None = None
    relief_pa: float | None = None

    def __post_init__(self) -> None:
        faults = list(_pump_faults(self))
        if faults:
            raise RangeError(f"pump: {'; '.join(faults)}")

    @property
    def opens_pa(self) -> float:
        """The pressure at which the bypass opens."""
        return self.set_pressure_pa if self.bypass_pa is None else self.bypass_pa

    def delivery_at_m3_s(self, pressure_pa: float) -> float:
        """Delivery at a pressure up to where the bypass opens."""
        return self.delivery_m3_s if self.curve is None else self.curve.delivery_m3_s(pressure_pa)

    def held_pa(self, pressure_pa: float, net_m3_s: float, slope_m3_s_pa: float) -> float:
        """The pressure that the pump holds against a net flow that is net_m3_s at pressure_pa and rises by
        slope_m3_s_pa: the set pressure, or where net flow = delivery; -inf where the delivery is nowhere enough.
        """
        return self._meeting_pa(self.set_pressure_pa, pressure_pa, net_m3_s, slope_m3_s_pa)

    def working_pa(self, net_m3_s: float) -> float:
        """The pressure that the pump itself works at while it holds a net flow at its set pressure or below: where the
        bypass opens, or lower where the flow leaves nothing to bypass."""
        return self._meeting_pa(self.opens_pa, self.opens_pa, net_m3_s, 0.0)

    def _meeting_pa(self, top_pa: float, pressure_pa: float, net_m3_s: float, slope_m3_s_pa: float) -> float:
        """The highest pressure up to top_pa where a linear net flow is at most the delivery."""
        kinks = () if self.curve is None else tuple(p for p in self.curve.pressures_pa if p < top_pa)
        upper, over = top_pa, math.inf
        for at in (top_pa, *reversed(kinks)):
            lacks = net_m3_s + slope_m3_s_pa * (at - pressure_pa) - self.delivery_at_m3_s(at)
            if lacks <= 0:
                return at if at == top_pa else at + (upper - at) * lacks / (lacks - over)
            upper, over = at, lacks
        return upper - over / slope_m3_s_pa if slope_m3_s_pa > 0 else -math.inf


def pump_of(
    set_pressure_pa: float,
    curve: DeliveryCurve,
    limit_pa: float,
    bypass_pa: float | None = None,
    relief_pa: float | None = None,
) -> Pump:
    """A pump with a delivery curve. Raises RangeError where curve and pressures do not go together."""
    delivery = curve.delivery_m3_s(set_pressure_pa)
    return Pump(set_pressure_pa, delivery, limit_pa, curve, bypass_pa, relief_pa)


@dataclass(frozen=True)
class Motor:
    """What drives a pump: voltage between the conductors, 1 or 3 phases, power factor.

    Raises RangeError naming each bad value.
    """

    voltage_v: float
    phases: int
    power_factor: float

    def __post_init__(self) -> None:
        faults = [text for sound, text in (
            (0 < self.voltage_v < math.inf, f"voltage {self.voltage_v:g} V, give one above 0"),
            (self.phases in (1, 3), f"{self.phases} phases, give 1 or 3"),
            (0 < self.power_factor <= 1, f"power factor {self.power_factor:g}, give one above 0 and at most 1"),
        ) if not sound]
        if faults:
            raise RangeError(f"motor: {'; '.join(faults)}")

    def current_a(self, power_w: float) -> float:
        """Current in each conductor: P / (U cos phi), three-phase P / (sqrt(3) U cos phi)."""
        conductors = math.sqrt(3.0) if self.phases == 3 else 1.0
        return power_w / (conductors * self.voltage_v * self.power_factor)


def power_drawn_w(pressure_pa: float, delivery_m3_s: float, efficiency: float) -> float:
    """Power that raising a delivery to a pressure draws, what goes through the bypass included: p Q / efficiency.

    efficiency: of pump and drive together. Raises RangeError unless it is above 0 and at most 1.
    """
    if not 0 < efficiency <= 1:
        raise RangeError(f"efficiency {efficiency:g}, give one above 0 and at most 1")
    return pressure_pa * delivery_m3_s / efficiency


def sustained_faults(works_pa: float, limit_pa: float, relief_pa: float | None = None) -> tuple[str, ...]:
    """What goes wrong when a pump works at a pressure for long, in words; () where nothing does.

    Above its limit it fails early; a relief valve that opens there sheds product in every cycle (common practice, no
    source).
    """
    works, faults = f"works at {show_both(works_pa, 'pressure')}", []
    if works_pa > limit_pa:
        faults.append(
            f"{works}, above its limit for sustained use of {show_both(limit_pa, 'pressure')}, and will fail early; "
            "lower what its bypass is set to, or take a pump with a higher limit"
        )
    if relief_pa is not None and works_pa >= relief_pa:
        faults.append(
            f"{works}, where its relief valve opens ({show_both(relief_pa, 'pressure')}), and sheds product in every "
            "cycle; lower what its bypass is set to, or set the relief valve higher"
        )
    return tuple(faults)


def _curve_faults(pressures_pa: Sequence[float], deliveries_m3_s: Sequence[float]) -> Iterator[str]:
    if len(pressures_pa) != len(deliveries_m3_s) or len(pressures_pa) < 2:
        yield (f"{len(pressures_pa)} pressures and {len(deliveries_m3_s)} deliveries; give a delivery at each of at "
               "least 2 pressures")
        return
    yield from (f"pressure {p:g} Pa, give one of at least 0" for p in pressures_pa if not 0 <= p < math.inf)
    yield from (f"delivery {q:g} m3/s, give one of at least 0" for q in deliveries_m3_s if not 0 <= q < math.inf)
    yield from (f"pressure {high:g} Pa after {low:g} Pa, give rising pressures"
                for low, high in pairwise(pressures_pa) if not low < high)
    yield from (f"delivery {after:g} m3/s after {before:g} m3/s, give deliveries that fall with the pressure"
                for before, after in pairwise(deliveries_m3_s) if not before >= after)


def _pump_faults(pump: Pump) -> Iterator[str]:
    set_text = f"set pressure {pump.set_pressure_pa:g} Pa"
    rules: list[tuple[bool, str]] = [
        (0 < pump.set_pressure_pa < math.inf, f"{set_text}, give one above 0"),
        (0 < pump.delivery_m3_s < math.inf, f"delivery {pump.delivery_m3_s:g} m3/s, give one above 0"),
        (pump.set_pressure_pa <= pump.limit_pa, f"{set_text} is above the limit of {pump.limit_pa:g} Pa"),
    ]
    if pump.bypass_pa is not None:
        below = f"the bypass opens at {pump.bypass_pa:g} Pa, below the {set_text}, which is then never held"
        rules.append((pump.set_pressure_pa <= pump.bypass_pa < math.inf, below))
    if pump.relief_pa is not None:
        rules.append((0 < pump.relief_pa < math.inf, f"relief {pump.relief_pa:g} Pa, give one above 0"))
    if pump.curve is not None and pump.opens_pa > pump.curve.highest_pa:
        rules.append((False, f"works at {pump.opens_pa:g} Pa, above the curve's last point at "
                             f"{pump.curve.highest_pa:g} Pa; add a point"))
    elif pump.curve is not None:
        told = pump.curve.delivery_m3_s(pump.set_pressure_pa)
        agrees = abs(told - pump.delivery_m3_s) <= AGREES * told
        rules.append((agrees, f"delivery {pump.delivery_m3_s:g} m3/s, where the curve tells {told:g} m3/s"))
    yield from (text for sound, text in rules if not sound)
