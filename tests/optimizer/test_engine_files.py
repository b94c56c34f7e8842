"""The network files of a study's designs, read by the EPANET toolkit: the pressures are those of the verification."""

from __future__ import annotations

from pathlib import Path

import pytest

from hydraulics.friction import GRAVITY_M_S2
from optimizer.design import Design
from optimizer.report.engine import engine_file, engine_files
from optimizer.verify import circuit_states
from tests.hydraulics.test_inp import read_by_toolkit
from tests.optimizer.drawn_design import example_design, example_site
from tests.optimizer.small_designs import two_circuits

CLOSE = 5e-4  # the engine's own constants


@pytest.mark.parametrize("design", [example_design(example_site()), two_circuits()], ids=["two pumps", "two circuits"])
def test_the_engine_finds_the_pressures_of_the_verification(design: Design, tmp_path: Path) -> None:
    texts, metre_pa = engine_files(design), design.water.density_kg_m3 * GRAVITY_M_S2
    states = circuit_states(design)
    assert list(texts) == [engine_file(state.circuit) for state in states]
    fed = {nozzle.node for nozzle in design.nozzles}
    for state in states:
        reads = read_by_toolkit(texts[engine_file(state.circuit)], tmp_path)
        assert len(reads) == len(state.node_pressure_pa) - 1
        for node, metres in reads.items():
            own = metres * metre_pa + (design.nozzle.p0_pa if node in fed else 0.0)
            assert own == pytest.approx(state.node_pressure_pa[node], rel=CLOSE)


def test_the_map_has_a_place_for_every_node() -> None:
    design = two_circuits()
    for text in engine_files(design).values():
        placed = text.split("[COORDINATES]")[1].split()
        named = text.split("[JUNCTIONS]")[1].split("[RESERVOIRS]")[0]
        names = [line.split()[0] for line in named.splitlines() if line.startswith(" ")]
        assert names and set(names) <= set(placed)
