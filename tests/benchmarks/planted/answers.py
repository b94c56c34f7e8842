"""What the optimiser answers to a planted or a spoiled case, and whether that is good enough.

A planted case is solved through `study`; its answer is judged by legality, by the stored rules and by coverage that is
computed here, from the footprints of the design alone. A spoiled case goes through the command line.
"""

from __future__ import annotations

import json
import re
import sys
import time
import traceback
from collections.abc import Iterator
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import dataclass
from io import StringIO
from itertools import combinations
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
from shapely import union_all

from geometry.cells import PARTS, coverage_cells
from geometry.coverage import incidence
from geometry.geojson import geometry_of
from optimizer import cli
from optimizer.design import Design
from optimizer.progress import never, silent
from optimizer.scenario import Scenario
from optimizer.study import Alternative, StudySettings, study
from optimizer.verify import discrepancies
from tests.benchmarks.planted.files import read, write
from tests.benchmarks.planted.planting import Planted
from tests.benchmarks.planted.spacing import Spot, stand_close
from tests.benchmarks.planted.spoiled import Spoiled

GAP = 0.005
NEAR_M = 1e-6
NO_DESIGN = 3  # exit status


@dataclass(frozen=True)
class Answer:
    """One line of the table. asked, found: of a planted case (nozzles, weighted m²), else what was expected and said;
    problem: what is wrong with the answer, "" if nothing."""

    seed: int
    what: str
    asked: str
    found: str
    ratio: float
    seconds: float
    problem: str


def answer_to_planted(case: Planted) -> Answer:
    """The answer to a planted case: verified, legal, and as good as the planted design within the gap."""
    began = time.perf_counter()
    with TemporaryDirectory() as folder:
        scenario = read(case.case, Path(folder))
    settings = StudySettings(gap=GAP, workers=1)
    try:
        (found,) = study(scenario, settings, silent, never).alternatives
    except Exception:  # a defect is a line of the table, not the end of the run
        return _planted_answer(case, began, "-", 0.0, traceback.format_exc(limit=-2).replace("\n", " | "))
    if found.design is None:
        return _planted_answer(case, began, "-", 0.0, f"{found.status}: {found.reason}")
    value = covered(scenario, found.design)
    problems = [*_faults(found, value), *illegal(scenario, found.design)]
    if value < case.value * (1.0 - GAP) - 1e-9:
        problems.append(f"covers less than planted; {'; '.join(found.rounds)}; {'; '.join(found.notes)}")
    text = f"{len(found.design.nozzles)} / {value:.2f}"
    return _planted_answer(case, began, text, value / case.value, "; ".join(problems))


def _planted_answer(case: Planted, began: float, found: str, ratio: float, problem: str) -> Answer:
    asked = f"{len(case.nozzles)} / {case.value:.2f}"
    what = f"{case.kind}, {case.order}"
    return Answer(case.seed, what, asked, found, ratio, time.perf_counter() - began, problem)


def _faults(found: Alternative, value: float) -> Iterator[str]:
    assert found.design is not None and found.objective_value is not None
    if not found.verified or found.status != "verified":
        yield f"{found.status}: {found.reason}"
    yield from discrepancies(found.design)
    if abs(found.objective_value - value) > 1e-6 * value:
        yield f"says it covers {found.objective_value:.3f} weighted m², its footprints cover {value:.3f}"


def covered(scenario: Scenario, design: Design) -> float:
    """Weighted m² of the cells that a design's footprints cover."""
    cells = coverage_cells(scenario.site, scenario.rules.cell_m)
    hit = incidence(cells, [geometry_of(nozzle.footprint) for nozzle in design.nozzles]).sum(axis=1) > 0
    return float(cells.value[np.asarray(hit).ravel()].sum())


def illegal(scenario: Scenario, design: Design) -> Iterator[str]:
    """Rules of the scenario that a design breaks, its own verification aside."""
    rules, (option,) = scenario.rules, scenario.options
    if design.verification.band_pa != (rules.band_low_pa, rules.band_high_pa):
        yield "is verified for another band"
    sizes = {link.tubing for link in design.links} - {"manifold"}
    if not sizes <= set(option.tubing) or len(sizes) > option.tubing_sizes:
        yield f"uses tubing {', '.join(sorted(sizes))}"
    if len(design.pumps) != option.pumps or any(len(pump.circuits) != option.circuits for pump in design.pumps):
        yield "has other pumps or circuits than asked for"
    for pump in design.pumps:
        sold = scenario.catalogue.pump(pump.type)
        if (pump.capacity_m3_s, pump.reserve) != (sold.delivery_m3_s, rules.reserve):
            yield f"reckons with another capacity or reserve of {pump.id}"
        if not rules.set_low_pa - 1.0 <= pump.set_pressure_pa <= rules.set_high_pa + 1.0:
            yield f"sets {pump.id} to {pump.set_pressure_pa:.0f} Pa"
    yield from _crowded(scenario, design)
    for line in scenario.site.lines:
        at = sorted(nozzle.chainage_m for nozzle in design.nozzles if nozzle.line == line.name)
        if line.continuous and rules.spacing_greatest_m is not None:
            whole = np.diff([0.0, *at, float(line.line.length)])
            if not at or whole.max() > rules.spacing_greatest_m + NEAR_M:
                yield f"leaves a gap on the continuous {line.name}"
        for locked in line.locked_m:
            if all(abs(locked - s) > NEAR_M for s in at):
                yield f"leaves out the locked {line.name} at {locked} m"


def _crowded(scenario: Scenario, design: Design) -> Iterator[str]:
    """Pairs of nozzles that stand closer than the least spacing."""
    site, rules = scenario.site, scenario.rules
    line_of = {line.name: line.line for line in site.lines}
    spots = [Spot(line_of[one.line], one.chainage_m, geometry_of(one.footprint)) for one in design.nozzles]
    ground = union_all([zone.polygon for zone in site.zones])
    grain_m = rules.cell_m / PARTS
    for (one, a), (other, b) in combinations(zip(design.nozzles, spots, strict=True), 2):
        if stand_close(a, b, rules.spacing_least_m, ground, grain_m):
            yield f"{one.id} and {other.id} stand closer than the least spacing"


def answer_to_spoiled(case: Spoiled) -> Answer:
    """The answer of the command line to a spoiled case: exit status 3, the rule named, no traceback."""
    began = time.perf_counter()
    with TemporaryDirectory() as folder:
        scenario, out = write(case.case, Path(folder) / "in"), Path(folder) / "out"
        status, said = _commanded("study", str(scenario), "--out", str(out), "--workers", "1")
        record = out / "study.json"
        stored = json.loads(record.read_text(encoding="utf-8")) if record.exists() else {"alternatives": []}
    reasons = " ".join(str(alternative["reason"]) for alternative in stored["alternatives"])
    problems = []
    if status != NO_DESIGN:
        problems.append(f"exit status {status}: {said[-600:]}")
    if not re.search(case.reason, reasons):
        problems.append(f"does not say {case.reason}")
    if "Traceback" in said:
        problems.append("shows a traceback")
    return Answer(case.seed, case.way, case.reason, reasons, 0.0, time.perf_counter() - began, "; ".join(problems))


def _commanded(*arguments: str) -> tuple[object, str]:
    """Exit status of a command run in this process, and all that it printed."""
    said, kept = StringIO(), sys.argv
    sys.argv = ["haarline", *arguments]
    try:
        with redirect_stdout(said), redirect_stderr(said):
            cli.main()
        status: object = 0
    except SystemExit as leave:
        status = leave.code or 0
    finally:
        sys.argv = kept
    return status, said.getvalue()
