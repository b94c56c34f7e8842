"""The network in the EPANET text format, read back by two programs that are not ours: the toolkit and wntr.

Agreement is 5e-4 with the engine's own constants (physics of the reference engine, not of the file). The water is
warm, so that its density and viscosity count; the mutants show that the check notices what is left out.
"""

from __future__ import annotations

import re
import warnings
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from hydraulics.errors import NetworkError
from hydraulics.friction import GRAVITY_M_S2
from hydraulics.inp import inp_text
from hydraulics.network import Link, Node, NozzleAt
from hydraulics.network_loop import LoopNetwork, loop_network
from hydraulics.nozzle import NozzleCurve
from hydraulics.pump import Pump
from hydraulics.steady import solve_network
from hydraulics.steady_loop import LoopState
from hydraulics.water import water_at
from tests.hydraulics import epanet_engine as en
from tests.hydraulics.random_circuits import CURVE, random_circuit, with_reducers
from tests.hydraulics.random_loops import network_of, random_looped

WATER = water_at(40.0)
CLOSE = 5e-4
METRE_PA = WATER.density_kg_m3 * GRAVITY_M_S2


@dataclass(frozen=True)
class Case:
    network: LoopNetwork
    state: LoopState

    def text(self) -> str:
        return inp_text(self.network, self.state, WATER, "a random circuit", ("invented",))

    def worst(self, reads_m: dict[str, float]) -> float:
        """Largest relative difference of a pressure; the closing pressure is added to what a nozzle's junction reads,
        as the file says."""
        closing = np.where(self.network.nozzle_k > 0, self.network.nozzle_p0_pa, 0.0)
        fed = np.delete(np.arange(closing.size), self.network.supply)
        found = np.array([reads_m[self.network.node_ids[i]] for i in fed]) * METRE_PA + closing[fed]
        return float(np.abs(found / self.state.pressure_pa[fed] - 1).max())


def case(seed: int, reducers: bool = False) -> Case:
    circuit = random_circuit(seed)
    if reducers:
        circuit = with_reducers(circuit, seed, 0.15, 12e5, 14e5)
    network = network_of(circuit)
    state = solve_network(network, [Pump(1.5e6, 1.0, 2e6)], WATER)
    assert state.open.sum() == (network.nozzle_k > 0).sum()
    return Case(network, state)


def read_by_toolkit(text: str, folder: Path) -> dict[str, float]:
    file = folder / "network.inp"
    file.write_text(text, encoding="utf-8")
    project = en.Project.opened(file)
    try:
        project.call("solveH")
        names = re.findall(r"^ (\S+)", text[text.index("[JUNCTIONS]") : text.index("[RESERVOIRS]")], re.MULTILINE)
        return {name: project.number("getnodevalue", project.integer("getnodeindex", name.encode()), en.PRESSURE)
                for name in names}
    finally:
        project.close()


def read_by_wntr(text: str, folder: Path) -> dict[str, float]:
    import wntr  # here: it takes seconds to load

    file = folder / "network.inp"
    file.write_text(text, encoding="utf-8")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        model = wntr.network.WaterNetworkModel(str(file))
        results = wntr.sim.EpanetSimulator(model).run_sim(file_prefix=str(folder / "run"))
    return {str(name): float(value) for name, value in results.node["pressure"].iloc[0].items()}


@pytest.mark.parametrize("seed", range(12))
@pytest.mark.parametrize("reducers", [False, True])
def test_the_toolkit_finds_the_same_pressures(seed: int, reducers: bool, tmp_path: Path) -> None:
    asked = case(seed, reducers)
    assert asked.worst(read_by_toolkit(asked.text(), tmp_path)) < CLOSE


@pytest.mark.parametrize("seed", range(6))
def test_loops_are_read_back(seed: int, tmp_path: Path) -> None:
    network = random_looped(seed).network()
    looped = Case(network, solve_network(network, [Pump(1.5e6, 1.0, 2e6)], WATER))
    assert network.tree is None and looped.state.open.sum() == (network.nozzle_k > 0).sum()
    assert looped.worst(read_by_toolkit(looped.text(), tmp_path)) < CLOSE


@pytest.mark.parametrize("seed", [0, 3])
def test_wntr_reads_it_and_finds_the_same_pressures(seed: int, tmp_path: Path) -> None:
    asked = case(seed, reducers=True)
    assert "active" in asked.state.reducer_status
    assert asked.worst(read_by_wntr(asked.text(), tmp_path)) < CLOSE


@pytest.mark.parametrize(("line", "instead"), [
    (r"^ Viscosity .*\n", ""),
    (r"^ Emitter Exponent .*$", " Emitter Exponent 0.5"),
    (r"^ Headloss D-W$", " Headloss H-W"),
])
def test_the_check_notices_what_is_missing(line: str, instead: str, tmp_path: Path) -> None:
    asked = case(2)
    text, count = re.subn(line, instead, asked.text(), flags=re.MULTILINE)
    assert count == 1
    assert asked.worst(read_by_toolkit(text, tmp_path)) > 2 * CLOSE


def test_a_reducer_at_the_supply_and_one_behind_another(tmp_path: Path) -> None:
    """No valve of the format may touch a reservoir or another valve; and no pipe of it is smooth or without length."""
    nodes = [Node(f"n{i}", 0.0) for i in range(4)]
    links = [Link(f"l{i}", f"n{i - 1}", f"n{i}", 5.0 * (i > 1), 0.006, 0.0, 0.5, setting, 2.0)
             for i, setting in ((1, 14e5), (2, 12e5), (3, None))]
    network = loop_network(nodes, links, [NozzleAt("n3", CURVE)], ["n0"])
    held = Case(network, solve_network(network, [Pump(1.6e6, 1.0, 2e6)], WATER))
    assert held.state.reducer_status == ("active", "active", "")
    assert held.worst(read_by_toolkit(held.text(), tmp_path)) < CLOSE


def test_what_the_pump_cannot_hold_is_written_as_it_stands(tmp_path: Path) -> None:
    network = network_of(random_circuit(5))
    state = solve_network(network, [Pump(1.5e6, 1.5e-5, 2e6)], WATER)
    assert state.pressure_pa[network.supply[0]] < 1.4e6 and state.open.sum() == (network.nozzle_k > 0).sum()
    starved = Case(network, state)
    assert starved.worst(read_by_toolkit(starved.text(), tmp_path)) < CLOSE


def test_says_what_the_format_cannot() -> None:
    other = NozzleCurve("other", 1e-9, 5e5, 0.5)
    nodes = [Node("the pump", 0.0), Node("a", 0.0), Node("A", 0.0)]
    links = [Link("l1", "the pump", "a", 1.0, 0.006, 0.0), Link("l" * 32, "a", "A", 1.0, 0.006, 0.0)]
    fed = [NozzleAt("the pump", CURVE), NozzleAt("a", CURVE), NozzleAt("A", other)]
    network = loop_network(nodes, links, fed, ["the pump"])
    state = solve_network(network, [Pump(1.5e6, 1.0, 2e6)], WATER)
    with pytest.raises(NetworkError) as error:
        inp_text(network, state, WATER, "t")
    said = str(error.value)
    for part in ("'the pump' is no name", "differ in capitals", "exponents 0.46, 0.5", "nozzle at the supply", "'lll"):
        assert part in said
