"""What the optimiser answers to a tiny site, beside joint enumeration.

A violation is an answer that cannot be: a bound below what enumeration finds, a verified design that enumeration shows
not to be, or no design where the planted one verifies. An answer is good when it is verified and within `NEAR` of the
best: in coverage, and where it covers as much as the best does, in the cost of tubing and ground work too.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

from optimizer.costs import Group, total_of
from optimizer.design import Design
from optimizer.progress import never, silent
from optimizer.study import Alternative, StudySettings, study
from tests.benchmarks.joint.enumeration import Best, Tiny, best, least_cost
from tests.benchmarks.joint.planting import Planted
from tests.benchmarks.planted.files import read

NEAR = 0.01
GAP = 1e-4
ROUNDING = 1e-6  # relative
ALWAYS: tuple[Group, ...] = ("nozzles", "pump unit", "field valves", "site works")  # in the bound, beside the run split


@dataclass(frozen=True)
class Answer:
    """One line of the table: the best by enumeration and ours, as (weighted m2, cost); good, and what is wrong."""

    seed: int
    what: str
    best: tuple[float, float]
    ours: tuple[float, float] | None
    good: bool
    violations: tuple[str, ...]
    enumerated_s: float
    seconds: float


def answer(case: Planted) -> Answer:
    """The answer of `study` to a planted tiny site, judged."""
    began = time.process_time()
    known = best(case.tiny)
    assert known is not None and known.value >= case.tiny.value(case.places) - ROUNDING, "the planted design is counted"
    enumerated = time.process_time() - began
    with TemporaryDirectory() as folder:
        scenario = read(case.case, Path(folder))
    began = time.process_time()
    (found,) = study(scenario, StudySettings(gap=GAP, workers=1), silent, never).alternatives
    seconds = time.process_time() - began
    ours = None if found.design is None else (_value(found), _cost(found))
    what = f"{case.kind}, {case.tiny.pumps} x {case.tiny.circuits}"
    wrong = tuple(_violations(case.tiny, known, found))
    return Answer(
        case.seed, what, (known.value, known.cost), ours, _good(known, found, ours), wrong, enumerated, seconds
    )


def _value(found: Alternative) -> float:
    assert found.objective_value is not None
    return found.objective_value


def _cost(found: Alternative) -> float:
    return total_of(found.quantities, "tubing") + total_of(found.quantities, "ground")


def _good(known: Best, found: Alternative, ours: tuple[float, float] | None) -> bool:
    if ours is None or not found.verified or ours[0] < (1.0 - NEAR) * known.value:
        return False
    return ours[1] <= (1.0 + NEAR) * known.cost


def _violations(tiny: Tiny, known: Best, found: Alternative) -> Iterator[str]:
    """What cannot be, in words."""
    if found.design is None:
        yield f"no design though one verifies: {found.reason}"
        return
    if not found.verified:
        return
    value, cost = _value(found), _cost(found)
    assert found.objective_bound is not None and found.gap_at_count is not None and found.cost_bound is not None
    if found.objective_bound < known.value * (1.0 - ROUNDING):
        yield f"coverage bound {found.objective_bound:.3f} below {known.value:.3f}"
    count = len(found.design.nozzles)
    at_count = max(v for chosen, v in tiny.values().items() if len(chosen) == count)
    if value / (1.0 - found.gap_at_count) < at_count * (1.0 - ROUNDING):
        yield f"bound at {count} nozzles {value / (1.0 - found.gap_at_count):.3f} below {at_count:.3f}"
    chosen, at, levels = _chosen(tiny, found.design)
    if abs(tiny.value(chosen) - value) > ROUNDING * value:
        yield f"says it covers {value:.3f}, its places cover {tiny.value(chosen):.3f}"
    least = least_cost(tiny, chosen, [at], [levels])
    bound = found.cost_bound - sum(total_of(found.quantities, group) for group in ALWAYS)
    if bound > least * (1.0 + ROUNDING):
        yield f"cost bound {bound:.3f} above {least:.3f}"
    if cost < least * (1.0 - ROUNDING):
        yield f"costs {cost:.3f}, less than the least of enumeration, {least:.3f}"
    if value > known.value * (1.0 + ROUNDING):
        yield f"covers {value:.3f}, more than enumeration, {known.value:.3f}"


def _chosen(tiny: Tiny, design: Design) -> tuple[tuple[int, ...], tuple[int, ...], tuple[float, ...]]:
    """Places, pump sites and set pressures of a design."""
    places = []
    for nozzle in design.nozzles:
        at = next(node for node in design.nodes if node.id == nozzle.node)
        places.append(tiny.place_at(at.x_m, at.y_m))
    pumps = sorted((int(pump.site.split()[-1]), pump.set_pressure_pa) for pump in design.pumps)
    return tuple(sorted(places)), tuple(site for site, _ in pumps), tuple(level for _, level in pumps)
