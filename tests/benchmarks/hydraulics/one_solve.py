"""One steady state: trees and looped sites of 100 to 10,000 nozzles, beside the EPANET engine in the same process.

Invented sites (`tests.hydraulics.random_loops.blocks`): laterals of 25 nozzles off a main; looped, the main is a ring
and the laterals' ends are joined. Both codes hold the network in memory. *solve*: it has been prepared (ours: order of
elimination; the engine: `EN_openH`), and only the state is sought. *whole*: preparation and state (the engine:
`EN_solveH`). Least processor time of several repeats in turn.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np

from hydraulics.pump import Pump
from hydraulics.steady import solve_network
from hydraulics.water import water_at
from tests.benchmarks.protocol import head, row
from tests.hydraulics import epanet_engine as en
from tests.hydraulics.epanet_reference import ACCURACY, circuit_project
from tests.hydraulics.random_circuits import SUPPLY, Circuit, water_record
from tests.hydraulics.random_loops import blocks, network_of

SIZES = (100, 500, 2000, 10000)
LATERAL = 25
SET_PA = 1.5e6
WATER = water_at(20.0)
DEFAULT_ACCURACY = 1e-3
PUMP = Pump(SET_PA, 1.0, 2e6)


@dataclass(frozen=True)
class Measured:
    """Seconds of ours and of the engine, at its tightest accuracy and at its default one; lowest nozzle pressure over
    the set pressure, largest relative difference of a pressure (constants matched), iterations of both."""

    nozzles: int
    looped: bool
    solve_s: float
    whole_s: float
    engine_solve_s: float
    engine_whole_s: float
    engine_default_s: float
    engine_default_whole_s: float
    lowest: float
    difference: float
    iterations: int
    engine_iterations: int


def measured(nozzles: int, looped: bool, repeats: int) -> Measured:
    """One line of the table."""
    circuit = blocks(nozzles, seed=nozzles, across=max(2, nozzles // LATERAL), looped=looped)
    network = network_of(circuit)
    state = solve_network(network, [PUMP], WATER)
    project = _project(circuit)
    try:
        ours = [lambda: solve_network(network, [PUMP], WATER), lambda: solve_network(replace(network), [PUMP], WATER)]
        tight = _engine_s(project, ACCURACY, ours, repeats)
        iterations = int(project.number("getstatistic", en.ITERATIONS))
        default = _engine_s(project, DEFAULT_ACCURACY, [], repeats)
        project.call("setoption", en.ACCURACY, ACCURACY)
        project.call("solveH")
        weight = WATER.density_kg_m3 * 9.80665
        heads = {name: project.number("getnodevalue", project.integer("getnodeindex", f"n{i}".encode()), en.HEAD)
                 for i, name in enumerate(sorted(network.node_ids, key=lambda name: (name == SUPPLY, name)))}
    finally:
        project.close()
    pressures = np.array([weight * (heads[node["id"]] - node["z_m"]) for node in circuit.nodes])
    return Measured(
        nozzles, looped, tight[2], tight[3], tight[0], tight[1], default[0], default[1],
        lowest=float(state.pressure_pa[network.nozzle_k > 0].min() / SET_PA),
        difference=float(np.abs(state.pressure_pa / pressures - 1).max()),
        iterations=state.iterations, engine_iterations=iterations,
    )


def lines() -> Iterator[str]:
    """The table."""
    yield "### One solve\n"
    engine = [f"{which} {what}" for which in ("engine 1e-8,", "engine 1e-3,") for what in ("solve ms", "whole ms")]
    yield from head("nozzles", "shape", "lowest pressure", "ours, solve ms", "whole ms", *engine, "ratio 1e-8, solve",
                    "whole", "ratio 1e-3, solve", "whole", "iterations", "engine's", "worst difference")
    for nozzles in SIZES:
        for looped in (False, True):
            found = measured(nozzles, looped, repeats=30 if nozzles < 10000 else 8)
            seconds = (found.solve_s, found.whole_s, found.engine_solve_s, found.engine_whole_s,
                       found.engine_default_s, found.engine_default_whole_s)
            ratios = [seconds[i] / seconds[i % 2] for i in range(2, 6)]
            yield row(str(nozzles), "loops" if looped else "tree", f"{found.lowest:.0%}",
                      *(f"{1000 * each:.2f}" for each in seconds), *(f"{each:.1f}" for each in ratios),
                      str(found.iterations), str(found.engine_iterations), f"{found.difference:.0e}")


def _project(circuit: Circuit) -> en.Project:
    return circuit_project(
        circuit.nodes, circuit.links, circuit.nozzles, supplies={SUPPLY: SET_PA}, nozzle=circuit.nozzle,
        water=water_record(WATER), matched=True,
    )


def _engine_s(
    project: en.Project, accuracy: float, ours: list[Callable[[], object]], repeats: int
) -> list[float]:
    """Least seconds of the engine's solve, its whole, and what else is to be timed in turn with them."""
    project.call("setoption", en.ACCURACY, accuracy)

    def solve() -> None:
        project.call("initH", en.INITFLOW)
        project.integer("runH")

    def opened() -> float:
        project.call("openH")
        try:
            return _seconds(solve)
        finally:
            project.call("closeH")

    best = [np.inf] * (2 + len(ours))
    for _ in range(repeats):
        took = [opened(), _seconds(lambda: project.call("solveH")), *(_seconds(each) for each in ours)]
        best = [min(pair) for pair in zip(best, took, strict=True)]
    return [float(each) for each in best]


def _seconds(work: Callable[[], object]) -> float:
    begun = time.process_time()
    work()
    return time.process_time() - begun
