"""One site solved, and what an independent calculation says of its design."""

from __future__ import annotations

import json
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path
from unittest.mock import patch

from optimizer.design import design_text
from optimizer.errors import NoDesign
from optimizer.instance import candidates, instance
from optimizer.progress import never, silent
from optimizer.scenario import Scenario
from optimizer.solve import Solved, SolveSettings, solve, worked
from tests.benchmarks.relief.check import faults
from tests.benchmarks.relief.sites import Drawn, scenario

MENDS = ("lower set pressure", "pressure reducers", "positions left out that stood above")
# Small effort, for the check is of what is called verified and not of how good it is: the gap, and a tenth or so of the
# searches of `optimizer.solve.worked` (evaluations a nozzle, and at least, and flow factors).
GAP = 0.02
EFFORT = {"QUICK": (0.3, 40, 2), "ROUND": (0.5, 80, 3), "POLISH": (1.0, 80, 1)}


@dataclass(frozen=True)
class Answer:
    """What came of a site: "verified", "not verified" or "refused", with the reason; broken: what a design called
    verified breaks; mended: what the rounds and notes say of nozzles above the band."""

    seed: int
    what: str
    verdict: str
    reason: str
    nozzles: int
    reducers: int
    mended: str
    broken: tuple[str, ...]
    seconds: float


def answer(found: Drawn) -> Answer:
    """The site solved and judged."""
    began = time.process_time()
    with tempfile.TemporaryDirectory() as folder:
        posed = scenario(found, Path(folder))
    try:
        solved = solved_quickly(posed)
    except NoDesign as refusal:
        seconds = time.process_time() - began
        return Answer(found.seed, found.what, "refused", refusal.rule, 0, 0, "", (), seconds)
    return judged(found, solved, time.process_time() - began)


def solved_quickly(posed: Scenario) -> Solved:
    """The first option of a scenario, by the real solve with small effort. Raises NoDesign."""
    option = posed.options[0]
    made = instance(posed, option, candidates(posed, posed.nozzle_of(option)))
    with patch.multiple(worked, **EFFORT):
        return solve(made, SolveSettings(gap=GAP), silent, never)


def judged(found: Drawn, solved: Solved, seconds: float) -> Answer:
    """What the independent calculation says of a design; of one that is not called verified nothing."""
    design = solved.design
    verified = design.verification.verified
    broken = tuple(faults(found, json.loads(design_text(design)))) if verified else ()
    return Answer(
        seed=found.seed,
        what=found.what,
        verdict="verified" if verified else "not verified",
        reason=solved.reason or "",
        nozzles=len(design.nozzles),
        reducers=sum(link.reducer_pa is not None for link in design.links),
        mended=", ".join(word for word in MENDS if any(word in sentence for sentence in solved.rounds)),
        broken=broken,
        seconds=seconds,
    )
