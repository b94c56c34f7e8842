"""One case measured: plans at highest and at real flows, their verification, the spread over seeds, the bound, peers.

Seconds are processor seconds: every solver runs on one thread, and other work on the machine does not count. Limits are
stops by that clock.
"""

from __future__ import annotations

import resource
import time
from collections.abc import Sequence
from dataclasses import dataclass, replace

from optimizer.progress import Progress, Stop
from optimizer.runs.contracted import contracted
from optimizer.runs.model import build
from optimizer.runs.plan import RunPlan
from optimizer.runs.prepared import prepare
from optimizer.runs.problem import RunProblem
from optimizer.runs.proven import size_sets
from optimizer.runs.split import split
from optimizer.solver import Limits
from tests.benchmarks.run_splits.cases import BAND_PA, ODD, Case, posed
from tests.benchmarks.run_splits.peers import PEERS, Answer
from tests.optimizer.test_runs_split import real_pressures_pa

FACTOR_CLOSE = 0.01  # flow factors that close are not told apart
FACTORS = 5  # tried after 1
WARM_SHARE = 0.3  # of the evaluations, for a search that begins from a plan
GAP_TARGETS = (0.05, 0.02, 0.005)


@dataclass(frozen=True)
class Fed:
    """The cheapest plan whose real pressures all stand in the band.

    safe: the plan at flow factor 1, verified after safe_s; plan, factor: the cheapest, found after seconds; verified:
    whether any was.
    """

    safe: RunPlan
    safe_s: float
    plan: RunPlan
    factor: float
    seconds: float
    verified: bool


@dataclass(frozen=True)
class Bounded:
    """A valid bound, the verified plan it belongs to, the processor seconds of proving, when each of GAP_TARGETS was
    kept (None: not), and the seconds of building the optimistic model once."""

    bound: float
    plan: RunPlan
    seconds: float
    reached_s: tuple[float | None, ...]
    build_s: float

    @property
    def gap(self) -> float:
        """Share of the plan's cost that a better one could save at most."""
        return 1.0 - self.bound / self.plan.cost


@dataclass(frozen=True)
class Measured:
    """One line of the table. spread: of the cheapest verified cost over the seeds, as a share of the least."""

    case: Case
    segments: int
    fed: Fed
    spread: float
    slowest_s: float
    bounded: Bounded
    peers: tuple[tuple[str, Answer | None], ...]
    peak_mb: float


def clock_stop(seconds: float) -> Stop:
    """A stop after so many processor seconds from now."""
    end = time.process_time() + seconds
    return lambda: time.process_time() > end


def in_band(problem: RunProblem, plan: RunPlan) -> bool:
    """Whether the full nonlinear state keeps every nozzle in the band."""
    pressures = real_pressures_pa(problem, plan)
    return bool(pressures.min() >= BAND_PA[0] and pressures.max() <= BAND_PA[1])


def fed(problem: RunProblem, seed: int, evaluations: int, started: float) -> Fed:
    """Plans at ever bolder flow factors, bisected between one that fails and one that verifies, from 1 on."""
    safe = split(problem, seed=seed, evaluations=evaluations)
    verified = in_band(problem, safe)
    safe_s = time.process_time() - started
    best, factor, plan = safe, 1.0, safe
    bold = float(problem.curve.flow_m3_s(BAND_PA[0]) / problem.safe_flow_m3_s(0).max())
    for _ in range(FACTORS):
        if factor - bold < FACTOR_CLOSE:
            break
        middle = (bold + factor) / 2.0
        bolder = replace(problem, flow_factor=middle)
        plan = split(bolder, seed=seed, evaluations=round(WARM_SHARE * evaluations), start=best)
        if not in_band(problem, plan):
            bold = middle
            continue
        factor = middle
        best = min(best, plan, key=lambda p: p.cost)
    return Fed(safe, safe_s, best, factor, time.process_time() - started, verified)


def bounded(problem: RunProblem, found: Fed, gap: float, cap_s: float) -> Bounded:
    """The found plan with a valid bound, after the contracted model worked for so many seconds at most."""
    trail: list[tuple[float, float]] = []
    started = time.process_time()

    def report(progress: Progress) -> None:
        if progress.stage == "cost bound" and progress.bound is not None:
            trail.append((time.process_time() - started, progress.bound))

    at, stop = replace(problem, flow_factor=found.factor), clock_stop(cap_s)
    plan = split(at, evaluations=1, limits=Limits(gap=gap), start=found.plan, report=report, stop=stop)
    seconds = time.process_time() - started
    trail.append((seconds, plan.cost_bound))
    best = plan if plan.cost < found.plan.cost and in_band(problem, plan) else found.plan
    reached_s = tuple(_reached_s(trail, (1.0 - target) * best.cost) for target in GAP_TARGETS)
    return Bounded(plan.cost_bound, best, seconds, reached_s, _build_s(problem))


def _reached_s(trail: list[tuple[float, float]], bound: float) -> float | None:
    """When the bound was that high for good; None where it was not at the end."""
    reached = None
    for seconds, value in reversed(trail):
        if value < bound:
            break
        reached = seconds
    return reached


def _build_s(problem: RunProblem) -> float:
    """Seconds that building the optimistic models of all sets of sizes takes."""
    prepared = prepare(problem)
    started = time.process_time()
    for sizes in size_sets(prepared):
        build(contracted(prepared, sizes, safe=False), relaxed=True)
    return time.process_time() - started


def measured(
    case: Case, seeds: int, evaluations: int, gap: float, cap_s: float, peers: Sequence[str]
) -> Measured:
    """A case with every seed, its bound from the first, and the peers with as many seconds as ours took, and more."""
    split(ODD["one nozzle"](), evaluations=10)  # compiles what is compiled once for all
    problem = posed(case)
    all_fed = [fed(problem, seed, evaluations, time.process_time()) for seed in range(seeds)]
    costs = [found.plan.cost for found in all_fed]
    first = all_fed[0]
    proven = bounded(problem, first, gap, cap_s)
    return Measured(
        case=case,
        segments=len(prepare(problem).segments.ways) // 2,
        fed=first,
        spread=max(costs) / min(costs) - 1.0,
        slowest_s=max(found.seconds for found in all_fed),
        bounded=proven,
        peers=tuple((name, PEERS[name](problem, first.safe_s)) for name in peers),
        peak_mb=resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0,
    )
