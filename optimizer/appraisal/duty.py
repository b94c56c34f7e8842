"""What each pump unit has to do while a circuit mists: the pressure it works at, what it bypasses, power and current.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from hydraulics.units import show, show_both
from optimizer.design import Design, Pump
from optimizer.verify import supply_of


@dataclass(frozen=True)
class PumpDuty:
    """A pump unit on one of its circuits.

    works_pa: pressure at the pump itself, where its bypass opens or less where nothing is bypassed; delivery_m3_s: what
    it delivers there, bypass_m3_s: what of it the nozzles do not take. power_w, current_a: drawn meanwhile, None where
    the catalogue does not say enough.
    """

    pump: str
    type: str
    circuit: str
    set_pressure_pa: float
    works_pa: float
    limit_pa: float
    relief_pa: float | None
    delivery_m3_s: float
    flow_m3_s: float
    bypass_m3_s: float
    power_w: float | None
    current_a: float | None
    words: str


def pump_duties(design: Design) -> tuple[PumpDuty, ...]:
    """What each pump unit has to do on each circuit, in their order, at the flows of the design's verification."""
    return tuple(_duties(design))


def _duties(design: Design) -> Iterator[PumpDuty]:
    for pump in design.pumps:
        supply = supply_of(pump)
        current = pump.motor.current_a(pump.power_w) if pump.motor and pump.power_w is not None else None
        for circuit in pump.circuits:
            flow = design.verification.flow_m3_s[circuit]
            works = max(0.0, supply.working_pa(flow))
            delivery = supply.delivery_at_m3_s(works)
            bypass = max(0.0, delivery - flow)
            yield PumpDuty(
                pump=pump.id,
                type=pump.type,
                circuit=circuit,
                set_pressure_pa=pump.set_pressure_pa,
                works_pa=works,
                limit_pa=pump.limit_pa,
                relief_pa=pump.relief_pa,
                delivery_m3_s=delivery,
                flow_m3_s=flow,
                bypass_m3_s=bypass,
                power_w=pump.power_w,
                current_a=current,
                words=_words(pump, circuit, works, delivery, bypass, current),
            )


def _words(
    pump: Pump, circuit: str, works_pa: float, delivery: float, bypass: float, current_a: float | None
) -> str:
    spare, passed = pump.limit_pa - works_pa, f"{100.0 * bypass / delivery:.0f} %"
    side = "below" if spare >= 0 else "above"
    text = (
        f"{pump.id} works at {show_both(works_pa, 'pressure')} on {circuit}, {show(abs(spare), 'pressure', 'metric')} "
        f"{side} its limit for sustained use, and delivers {show_both(delivery, 'flow')}, of which {passed} go through "
        "the bypass"
    )
    if pump.power_w is None:
        return text
    text += f"; it draws {pump.power_w:.0f} W"
    if current_a is None or pump.motor is None:
        return text
    phases = "three phases" if pump.motor.phases == 3 else "one phase"
    return f"{text}, {show(current_a, 'current', 'metric')} at {pump.motor.voltage_v:.0f} V on {phases}"
