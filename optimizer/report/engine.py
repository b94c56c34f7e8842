"""A design's circuits for another engine: one file in the public EPANET text format for each."""

from __future__ import annotations

from hydraulics.inp import inp_text
from optimizer.cautions import CAUTIONS
from optimizer.design import Design
from optimizer.verify import solved_circuit

PREFIX, SUFFIX = "network_", ".inp"


def engine_file(circuit: str) -> str:
    """The name of a circuit's file."""
    return f"{PREFIX}{circuit}{SUFFIX}"


def engine_files(design: Design) -> dict[str, str]:
    """The texts by the names of their files, by circuit, each fed at the pressure that its pump holds.

    Raises UnsoundDesign where a circuit cannot be solved, NetworkError where the format has no way to say it.
    """
    places = {node.id: (node.x_m, node.y_m) for node in design.nodes}
    texts = {}
    for pump in design.pumps:
        for circuit in pump.circuits:
            network, state = solved_circuit(design, pump, circuit)
            title = f"{design.scenario}, {design.option}: circuit {circuit} of pump {pump.id}"
            about = f"{title}. An aid to check pressures with another engine, no approval of anything."
            remarks = (about, *CAUTIONS)
            texts[engine_file(circuit)] = inp_text(network, state, design.water, title, remarks, places)
    return texts
