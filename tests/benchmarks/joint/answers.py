"""What `solve` answers to a tiny site, beside joint enumeration.

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
from optimizer.errors import NoDesign
from optimizer.instance import candidates, instance
from optimizer.progress import never, silent
from optimizer.scenario import Scenario
from optimizer.solve import Solved, SolveSettings, solve
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
    """The answer to a planted tiny site, judged."""
    began = time.process_time()
    known = best(case.tiny)
    assert known is not None and known.value >= case.tiny.value(case.places) - ROUNDING, "the planted design is counted"
    enumerated = time.process_time() - began
    with TemporaryDirectory() as folder:
        scenario = read(case.case, Path(folder))
    began = time.process_time()
    found = _solved(scenario)
    seconds = time.process_time() - began
    ours = None if isinstance(found, NoDesign) else (found.value, _cost(found))
    what = f"{case.kind}, {case.tiny.pumps} x {case.tiny.circuits}"
    wrong = tuple(_violations(case.tiny, known, found))
    good = not isinstance(found, NoDesign) and _good(known, found)
    return Answer(case.seed, what, (known.value, known.cost), ours, good, wrong, enumerated, seconds)


def _solved(scenario: Scenario) -> Solved | NoDesign:
    (option,) = scenario.options
    try:
        posed = instance(scenario, option, candidates(scenario, scenario.nozzle_of(option)))
        return solve(posed, SolveSettings(GAP, None, 0), silent, never)
    except NoDesign as refusal:
        return refusal


def _cost(found: Solved) -> float:
    return total_of(found.priced.lines, "tubing") + total_of(found.priced.lines, "ground")


def _good(known: Best, found: Solved) -> bool:
    near = found.value >= (1.0 - NEAR) * known.value and _cost(found) <= (1.0 + NEAR) * known.cost
    return near and found.design.verification.verified


def _violations(tiny: Tiny, known: Best, found: Solved | NoDesign) -> Iterator[str]:
    """What cannot be, in words."""
    if isinstance(found, NoDesign):
        yield f"no design though one verifies: {found}"
        return
    if not found.design.verification.verified:
        return
    value, cost = found.value, _cost(found)
    if found.bound < known.value * (1.0 - ROUNDING):
        yield f"coverage bound {found.bound:.3f} below {known.value:.3f}"
    count = len(found.design.nozzles)
    at_count = max(v for chosen, v in tiny.values().items() if len(chosen) == count)
    if value / (1.0 - found.gap_at_count) < at_count * (1.0 - ROUNDING):
        yield f"bound at {count} nozzles {value / (1.0 - found.gap_at_count):.3f} below {at_count:.3f}"
    chosen, at, levels = _chosen(tiny, found.design)
    if abs(tiny.value(chosen) - value) > ROUNDING * value:
        yield f"says it covers {value:.3f}, its places cover {tiny.value(chosen):.3f}"
    least = least_cost(tiny, chosen, [at], [levels])
    assert found.cost_bound is not None
    bound = found.cost_bound - sum(total_of(found.priced.lines, group) for group in ALWAYS)
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
