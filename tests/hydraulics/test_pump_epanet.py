"""A pump that falls short of its set pressure against the EPANET toolkit: there it is a pump with a curve of heads.

The engine takes curves of more than three points as straight between them, as `DeliveryCurve` does. Agreement is 5e-4
with the engine's own constants.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from hydraulics.friction import GRAVITY_M_S2
from hydraulics.inp import inp_text
from hydraulics.pump import DeliveryCurve, pump_of
from hydraulics.steady import solve_network
from hydraulics.water import water_at
from tests.hydraulics import epanet_engine as en
from tests.hydraulics.random_circuits import CURVE, SUPPLY, random_circuit
from tests.hydraulics.random_loops import network_of

WATER = water_at(20.0)
METRE_PA = WATER.density_kg_m3 * GRAVITY_M_S2
FALLING = DeliveryCurve((4e5, 8e5, 12e5, 16e5, 20e5), (4.2e-5, 4.0e-5, 3.3e-5, 2.1e-5, 0.4e-5))  # invented
SOURCE = "source"


def with_pump(text: str, z_m: float, curve: DeliveryCurve) -> str:
    """The file with its reservoir of a given head replaced by open water and a pump with the curve."""
    points = sorted(zip(curve.deliveries_m3_s, curve.pressures_pa, strict=True))
    rows = "\n".join(f" 1 {1000 * q:.12g} {p / METRE_PA:.12g}" for q, p in points)
    text = re.sub(r"(\[RESERVOIRS\]\n).*?\n\n", rf"\1 {SOURCE} {z_m:.12g}\n\n", text, flags=re.DOTALL)
    text = text.replace("[JUNCTIONS]\n", f"[JUNCTIONS]\n {SUPPLY} {z_m:.12g} 0\n", 1)
    return text.replace("[VALVES]", f"[PUMPS]\n pump {SOURCE} {SUPPLY} HEAD 1\n\n[CURVES]\n{rows}\n\n[VALVES]", 1)


@pytest.mark.parametrize(("seed", "size"), [(0, 1.0), (2, 1.0), (3, 0.7), (5, 0.6), (8, 1.3)])
def test_the_toolkit_settles_where_delivery_is_what_the_nozzles_take(seed: int, size: float, tmp_path: Path) -> None:
    network, curve = network_of(random_circuit(seed)), FALLING.times(size)
    state = solve_network(network, [pump_of(19.9e5, curve, 20e5)], WATER)
    place = network.node_ids.index(SUPPLY)
    held = float(state.pressure_pa[place])
    assert CURVE.p0_pa < held < 19.5e5
    assert state.open.sum() == (network.nozzle_k > 0).sum()
    file = tmp_path / "pumped.inp"
    text = with_pump(inp_text(network, state, WATER, "pumped"), float(network.z_m[place]), curve)
    file.write_text(text, encoding="utf-8")
    project = en.Project.opened(file)
    try:
        project.call("solveH")
        reads_m = project.number("getnodevalue", project.integer("getnodeindex", SUPPLY.encode()), en.PRESSURE)
    finally:
        project.close()
    assert reads_m * METRE_PA == pytest.approx(held, rel=5e-4)
