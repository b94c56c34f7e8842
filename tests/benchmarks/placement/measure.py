"""One case measured: geometry, `place` down to each gap, peak memory, peers, and the whole way through `study`.

Seconds are processor seconds: every solver runs on one thread, and other work on the machine does not count.
"""

from __future__ import annotations

import resource
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

from optimizer.placement.place import Placement, place
from optimizer.placement.problem import PlacementProblem
from optimizer.progress import Progress, never, silent
from optimizer.solver import Limits
from optimizer.study import StudySettings, study
from tests.benchmarks.placement.cases import Case, half_of_saturation, limited, posed, shared_weight, write
from tests.benchmarks.placement.peers import PEERS, Answer, without_spacing

TARGETS = (0.005, 0.002, 0.001)


@dataclass(frozen=True)
class Ours:
    """What `place` answered: seconds until each gap of TARGETS was proven, None where it was not; peak memory."""

    value: float
    bound: float
    gap: float
    seconds: float
    proven_s: tuple[float | None, ...]
    chosen: tuple[int, ...]


@dataclass(frozen=True)
class Peer:
    """A peer's answer (None: none in time, or too large for it) beside ours on the same problem."""

    name: str
    answer: Answer | None
    ours: Ours


@dataclass(frozen=True)
class Measured:
    """One line of the table. shared: share of the weight in shared cells; geometry_s: files to placement problem."""

    name: str
    rules: str
    hectares: float
    line_m: float
    candidates: int
    raw_cells: int
    merged_cells: int
    shared: float
    nozzles: int
    geometry_s: float
    ours: Ours
    peak_mb: float
    peers: tuple[Peer, ...]


@dataclass(frozen=True)
class Studied:
    """A case from its files to a verified design: gap of the verified value against the V(N_max) bound."""

    name: str
    rules: str
    nozzles_at_most: int
    nozzles: int
    gap: float | None
    verified: bool
    seconds: float
    reason: str


def measured(case: Case, rules: str, peers: Sequence[str], cap_s: float) -> Measured:
    """A case with one set of rules at half of saturation, every solver stopped at `cap_s` seconds."""
    began = time.process_time()
    with TemporaryDirectory() as folder:
        scenario = write(case, rules, Path(folder))
    found, open_problem = posed(scenario)
    geometry_s = time.process_time() - began
    nozzles = half_of_saturation(open_problem)
    problem = limited(open_problem, nozzles)
    ours = placed(problem, TARGETS[-1], cap_s)
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0
    site, cells = scenario.site, found.candidates.cells
    return Measured(
        name=case.name,
        rules=rules,
        hectares=float(site.boundary.area) / 1e4,
        line_m=sum(float(line.line.length) for line in site.lines),
        candidates=problem.candidates,
        raw_cells=round(float(cells.area_m2.sum()) / case.cell_m**2),
        merged_cells=len(problem.value),
        shared=shared_weight(problem),
        nozzles=nozzles,
        geometry_s=geometry_s,
        ours=ours,
        peak_mb=peak_mb,
        peers=tuple(_peer(name, problem, ours, cap_s) for name in peers),
    )


def placed(problem: PlacementProblem, gap: float, cap_s: float) -> Ours:
    """`place` down to a gap, with the seconds at which its reports first kept each of TARGETS."""
    told: list[tuple[float, float]] = []
    began = time.process_time()

    def report(progress: Progress) -> None:
        if progress.gap is not None:
            told.append((time.process_time() - began, progress.gap))

    found: Placement = place(problem, gap=gap, limits=Limits(seconds=cap_s), report=report)
    seconds = time.process_time() - began
    told.append((seconds, found.gap))
    proven = tuple(next((at for at, reached in told if reached <= target), None) for target in TARGETS)
    return Ours(found.value, found.bound, found.gap, seconds, proven, found.chosen)


def _peer(name: str, problem: PlacementProblem, ours: Ours, cap_s: float) -> Peer:
    gap = TARGETS[-1]
    if name == "spopt":
        problem = without_spacing(problem)
        answer = PEERS[name](problem, gap, cap_s)
        return Peer(name, answer, placed(problem, gap, cap_s) if answer else ours)
    return Peer(name, PEERS[name](problem, gap, cap_s), ours)


def studied(case: Case, rules: str) -> Studied:
    """A case through `study`, its pumps just large enough for half of saturation."""
    with TemporaryDirectory() as folder:
        _, problem = posed(write(case, rules, Path(folder)))
        most = half_of_saturation(problem)
        scenario = write(case, rules, Path(folder), most)
    began = time.process_time()
    (found,) = study(scenario, StudySettings(gap=TARGETS[0], workers=1), silent, never).alternatives
    count = len(found.design.nozzles) if found.design else 0
    seconds = time.process_time() - began
    return Studied(case.name, rules, most, count, found.gap, found.verified, seconds, found.reason or "")
