"""Many sampled states: 10,000 samples of 500 nozzles, beside the EPANET engine solving the first 1,000 in a loop.

The site is invented (`tests.hydraulics.random_loops.blocks`: laterals of 25 nozzles off a main). Ours draws and solves
all samples, in a process of its own, whose peak memory is told. The engine gets them one by one with its network held
open; *solve* is its calculation alone (`EN_initH`, `EN_runH`), *loop* with the setting of each sample's bores, nozzles,
fittings, roughness, viscosity and supply before it, as a user of the toolkit must, and the reading of the pressures
after it. Its constants are matched, so that its pressures tell whether both solve the same.
"""

from __future__ import annotations

import resource
import time
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context

import numpy as np
from numpy.typing import NDArray

from hydraulics.pump import Pump
from hydraulics.sampled import States
from hydraulics.sampler import Circuit as Sampled
from hydraulics.sampler import Sampler
from hydraulics.tolerance import Spread, Tolerances
from hydraulics.water import water_at
from tests.benchmarks.protocol import head, row
from tests.hydraulics import epanet_engine as en
from tests.hydraulics.epanet_reference import (
    ACCURACY,
    EPANET_LITRES_PER_FT3,
    EPANET_VISCOSITY_M2_S,
    FOOT_M,
    circuit_project,
)
from tests.hydraulics.random_circuits import SUPPLY, Circuit, water_record
from tests.hydraulics.random_loops import blocks

NOZZLES, SAMPLES, LATERAL = 500, 10_000, 25
ENGINE_SAMPLES = 1000  # each takes it as long as the others
DEFAULT_ACCURACY = 1e-3
GRAVITY_M_S2 = 9.80665
WATER = water_at(20.0)
PUMP = Pump(1.5e6, 1.0, 2e6)
LOW_PA = 0.8 * PUMP.set_pressure_pa
DIFFERS = Tolerances(
    nozzle_flow=Spread(-0.05, 0.05),
    bore_batch=Spread(-0.02, 0.02),
    bore_tube=Spread(-0.01, 0.01),
    roughness=Spread(-0.5, 1.0, "uniform"),
    minor_losses=Spread(-0.3, 0.3, "uniform"),
    set_drift_pa=Spread(-2e4, 2e4, "uniform"),
    water_temperature_c=Spread(10.0, 30.0, "uniform"),
    clogged_share=0.01,
    clogged_left=0.3,
)


@dataclass(frozen=True)
class Ours:
    """Processor seconds of all samples, drawn and solved; peak memory of their process; worst residual; yield."""

    seconds: float
    peak_mb: float
    residual: float
    share: float
    one_by_one: int


@dataclass(frozen=True)
class Theirs:
    """Processor seconds of the engine's calculations, of the whole loop; largest relative difference of a pressure."""

    solve_s: float
    loop_s: float
    difference: float


def site(nozzles: int) -> Circuit:
    """The circuit, as records."""
    return blocks(nozzles, seed=nozzles, across=max(2, nozzles // LATERAL), looped=False)


def ours(nozzles: int, samples: int) -> Ours:
    """All samples at once; compiled, and loaded, before the clock runs."""
    sampler = Sampler(Sampled(site(nozzles).network(), PUMP, WATER))
    sampler.samples(DIFFERS, LOW_PA, 2, 1)
    begun = time.process_time()
    found = sampler.samples(DIFFERS, LOW_PA, samples, 0)
    seconds = time.process_time() - begun
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    share = float((found.lowest_pa >= LOW_PA).mean())
    return Ours(seconds, peak, float(found.residual.max()), share, found.solved_one_by_one)


def theirs(nozzles: int, samples: int, accuracy: float, compared: int = 20) -> Theirs:
    """The same samples one by one; the first few compared with ours."""
    circuit = site(nozzles)
    sampler = Sampler(Sampled(circuit.network(), PUMP, WATER))
    project = circuit_project(
        circuit.nodes, circuit.links, circuit.nozzles, supplies={SUPPLY: PUMP.set_pressure_pa}, nozzle=circuit.nozzle,
        water=water_record(WATER), matched=True,
    )  # fmt: skip
    loop = _Loop(project, circuit, sampler)
    project.call("setoption", en.ACCURACY, accuracy)
    project.call("openH")
    solve_s = worst = 0.0
    begun = time.process_time()
    try:
        for first in range(0, samples, 100):
            states = sampler.drawn(DIFFERS, 0, first, min(100, samples - first))
            for s in range(len(states.set_pa)):
                took, pressure = loop.solved(states, s)
                solve_s += took
                if first + s < compared:
                    own = sampler.solved(_one(states, s))[0][0]
                    worst = max(worst, float(np.abs(pressure / own - 1).max()))
    finally:
        project.call("closeH")
        project.close()
    return Theirs(solve_s, time.process_time() - begun, worst)


class _Loop:
    """The engine's network and where each of the sampler's nodes and links stands in it."""

    def __init__(self, project: en.Project, circuit: Circuit, sampler: Sampler) -> None:
        self.project, self.sampler = project, sampler
        names = sampler.circuit.network.node_ids
        touched = sorted(names, key=lambda name: (name == SUPPLY, name))
        self.node = [touched.index(names[i]) + 1 for i in sampler.order]
        links = {link["id"]: number for number, link in enumerate(circuit.links, start=1)}
        ids = sampler.circuit.network.link_ids
        self.link = [links.get(ids[i], 0) for i in sampler.order]
        litres = EPANET_LITRES_PER_FT3 / (1000 * FOOT_M**3)
        self.emitter = 1000 * litres * (WATER.density_kg_m3 * GRAVITY_M_S2) ** circuit.nozzle["n"]
        self.minor = [project.number("getlinkvalue", number, en.MINORLOSS) if number else 0.0 for number in self.link]

    def solved(self, states: States, s: int) -> tuple[float, NDArray[np.float64]]:
        """Seconds of the calculation alone, and pressures in the sampler's order; heads are of the sample's water."""
        project, sampler = self.project, self.sampler
        for i in range(1, len(self.link)):
            project.call("setlinkvalue", self.link[i], en.DIAMETER, 1000 * float(states.bore_m[s, i]))
            roughness = 1000 * float(sampler.tree.roughness_m[i] * states.roughness[s])
            project.call("setlinkvalue", self.link[i], en.ROUGHNESS, roughness)
            project.call("setlinkvalue", self.link[i], en.MINORLOSS, self.minor[i] * float(states.minor[s]))
        weight = float(states.density_kg_m3[s]) * GRAVITY_M_S2
        scale = (float(states.density_kg_m3[s]) / WATER.density_kg_m3) ** float(sampler.tree.nozzle_n[-1])
        for i in sampler.nozzles:
            project.call("setnodevalue", self.node[i], en.EMITTER, self.emitter * scale * float(states.nozzle_k[s, i]))
            raised = float(sampler.tree.z_m[i] + sampler.tree.nozzle_p0_pa[i] / weight)
            project.call("setnodevalue", self.node[i], en.ELEVATION, raised)
        supply_m = float(sampler.tree.z_m[0] + states.set_pa[s] / weight)
        project.call("setnodevalue", self.node[0], en.ELEVATION, supply_m)
        viscosity = float(states.viscosity_pa_s[s] / states.density_kg_m3[s])
        project.call("setoption", en.SP_VISCOS, viscosity / EPANET_VISCOSITY_M2_S)
        begun = time.process_time()
        project.call("initH", en.INITFLOW)
        project.integer("runH")
        seconds = time.process_time() - begun
        heads = np.array([project.number("getnodevalue", number, en.HEAD) for number in self.node])
        return seconds, weight * (heads - sampler.tree.z_m)


def _one(states: States, s: int) -> States:
    return States(*(np.array(values[s : s + 1]) for values in states))


def lines() -> Iterator[str]:
    """The table."""
    yield f"### {SAMPLES:,} samples of {NOZZLES} nozzles\n"
    with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as alone:
        own = alone.submit(ours, NOZZLES, SAMPLES).result()
    yield from head("who", "samples", "seconds", "ms a sample", "times ours", "peak MB", "worst residual or difference")
    yield row("ours, drawn and solved", f"{SAMPLES:,}", f"{own.seconds:.2f}", f"{1000 * own.seconds / SAMPLES:.3f}",
              "1", f"{own.peak_mb:.0f}", f"{own.residual:.0e}")
    for name, accuracy in (("default accuracy, 1e-3", DEFAULT_ACCURACY), ("tightest accuracy, 1e-8", ACCURACY)):
        found = theirs(NOZZLES, ENGINE_SAMPLES, accuracy)
        for what, seconds in (("solve", found.solve_s), ("loop", found.loop_s)):
            each = seconds / ENGINE_SAMPLES
            yield row(f"engine, {name}: {what}", f"{ENGINE_SAMPLES:,}", f"{seconds:.1f}", f"{1000 * each:.3f}",
                      f"{each * SAMPLES / own.seconds:.1f}", "", f"{found.difference:.0e}")
    yield f"\nYield {own.share:.3f}; {own.one_by_one} samples left to the general solver."
