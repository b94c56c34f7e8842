"""One site solved, and what an independent calculation says of its design."""

from __future__ import annotations

import json
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

from optimizer.design import design_text
from optimizer.errors import NoDesign
from optimizer.instance import candidates, instance
from optimizer.progress import never, silent
from optimizer.solve import Solved, SolveSettings, solve
from tests.benchmarks.relief.check import faults
from tests.benchmarks.relief.sites import Drawn, scenario

MENDS = ("lower set pressure", "pressure reducers", "positions left out that stood above")
GAP = 0.02  # small effort: the check is of what is called verified, not of how good it is


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
    option = posed.options[0]
    try:
        made = instance(posed, option, candidates(posed, posed.nozzle_of(option)))
        solved = solve(made, SolveSettings(gap=GAP), silent, never)
    except NoDesign as refusal:
        seconds = time.process_time() - began
        return Answer(found.seed, found.what, "refused", refusal.rule, 0, 0, "", (), seconds)
    return judged(found, solved, time.process_time() - began)


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
