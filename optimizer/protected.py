"""Rules of protection held against a design alone: flows of nozzles, heights, cycles, and what is misted per area.

A rate per area reckons with the real flow of every circuit and with the covered area of the zones, and averages over
it: what one place gets may be more.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

from optimizer.design import Design
from optimizer.protection import RATES, Stated, amount

TOLERANCE = 1e-8  # relative, so that what is exactly as much as allowed is kept


def reached(
    design: Design, nozzle_m3_s: float, flow_m3_s: Mapping[str, float], covered_m2: float
) -> dict[str, float]:
    """By rule what the design has of it, in SI, the value nearest to breaking the rule; rules that need a service are
    left out where the design knows of none. nozzle_m3_s: the greatest real flow of a nozzle; flow_m3_s: real flow by
    circuit; covered_m2: exact, of the zones."""
    found: dict[str, float] = {}
    if design.nozzles:
        heights = [nozzle.height_m for nozzle in design.nozzles]
        found |= {"nozzle_flow": nozzle_m3_s, "height.least": min(heights), "height.greatest": max(heights)}
    if design.misting:
        found["cycles_per_day"] = float(max(one.cycles_per_day for one in design.misting))
    if design.misting and covered_m2 > 0.0:
        cycle_m3 = {one.circuit: flow_m3_s.get(one.circuit, 0.0) * one.cycle_s for one in design.misting}
        found["mist_per_cycle"] = sum(cycle_m3.values()) / covered_m2
        found["mist_per_day"] = sum(cycle_m3[one.circuit] * one.cycles_per_day for one in design.misting) / covered_m2
    if design.dilution is not None:
        found["dilution"] = design.dilution
        for each in ("cycle", "day"):
            if (mist := found.get(f"mist_per_{each}")) is not None:
                found[f"concentrate_per_{each}"] = mist / design.dilution
    return found


def keeps(limit: Stated, value: float) -> bool:
    """Whether a value keeps a rule."""
    if limit.kind.most:
        return value <= limit.value * (1 + TOLERANCE)
    return value >= limit.value * (1 - TOLERANCE)


def protection_faults(
    design: Design, nozzle_m3_s: float, flow_m3_s: Mapping[str, float], covered_m2: float
) -> tuple[str, ...]:
    """A sentence on each rule of protection that a design breaks, with its source and what would mend it; arguments as
    for `reached`."""
    if not design.protection:
        return ()
    found = reached(design, nozzle_m3_s, flow_m3_s, covered_m2)
    broken = [one for one in design.protection if one.rule in found and not keeps(one, found[one.rule])]
    return tuple(
        f"{one.kind.words} is {amount(one.rule, found[one.rule])}, {one.words}" + _mend(design, one, found[one.rule])
        for one in broken
    )


def _mend(design: Design, limit: Stated, value: float) -> str:
    """For a rate, which cycle would keep it."""
    if limit.rule not in RATES:
        return ""
    cycles_s = sorted({math.floor(one.cycle_s * limit.value / value) for one in design.misting})
    return f": cycles of {_joined(cycles_s)} would keep it" if cycles_s[0] >= 1 else ""


def _joined(cycles_s: list[int]) -> str:
    return " and ".join(f"{cycle} s" for cycle in cycles_s)
