"""A circuit of design.json rebuilt for the EPANET engine (2.3, by `epanet_engine`), as a reference in tests.

It takes plain lists and dicts shaped as design.json and shares no code with the package under test.

EPANET's own constants differ from SI by up to 8e-4: g = 32.2 ft/s2, 0.02517 in the minor loss, 28.317 L/s for
1 ft3/s (its source). `matched` scales lengths, fittings and emitters so that they cancel.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from tests.hydraulics import epanet_engine as en

FOOT_M = 0.3048
EPANET_GRAVITY_M_S2 = 32.2 * FOOT_M
EPANET_MINOR_GRAVITY_M_S2 = 8 / (math.pi**2 * 0.02517) * FOOT_M
EPANET_LITRES_PER_FT3 = 28.317
EPANET_VISCOSITY_M2_S = 1.1e-5 * FOOT_M**2
ACCURACY = 1e-8  # of the flows: the tightest that the engine takes
ENOUGH = 1e-3  # the engine's default; where nozzles close at a soft edge it may stay between the two
LEAST_LENGTH_M = 1e-9  # EPANET has no pipes of length 0

Record = Mapping[str, Any]


def pressures_by_epanet(
    nodes: Sequence[Record],
    links: Sequence[Record],
    nozzles: Sequence[Record],
    *,
    supply: str,
    supply_pressure_pa: float,
    nozzle: Record,
    water: Record,
    gravity_m_s2: float = 9.80665,
    matched: bool = False,
) -> dict[str, float]:
    """Gauge pressure in Pa of every node that the links touch, by id; links and nozzles are of one circuit.

    `nozzle` and `water` are the records of those names. The closing pressure is modelled by raising a
    nozzle's junction by p0 / (rho g), with the backflow of emitters off. The engine softens the edge there:
    where nozzles close expect an agreement of 1e-4, else 1e-10 if matched.
    """
    weight = water["density_kg_m3"] * gravity_m_s2
    ends = {link[end] for link in links for end in ("from", "to")}
    touched = sorted(ends, key=lambda name: (name == supply, name))
    z_m = {node["id"]: node["z_m"] for node in nodes}
    raised_m = {record["node"]: nozzle["p0_pa"] / weight for record in nozzles}
    raised_m[supply] = supply_pressure_pa / weight
    litres = EPANET_LITRES_PER_FT3 / (1000 * FOOT_M**3) if matched else 1.0
    emitter = 1000 * litres * nozzle["k"] * weight ** nozzle["n"]
    project = en.Project(en.LPS, en.DW)
    try:
        _set_options(project, nozzle["n"], water["viscosity_pa_s"] / water["density_kg_m3"])
        # The supply comes last: a junction added after a reservoir would renumber it.
        index = {name: project.integer("addnode", f"n{i}".encode(), en.RESERVOIR if name == supply else en.JUNCTION)
                 for i, name in enumerate(touched)}
        for name in touched:
            project.call("setnodevalue", index[name], en.ELEVATION, float(z_m[name] + raised_m.get(name, 0.0)))
        for record in nozzles:
            project.call("setnodevalue", index[record["node"]], en.EMITTER, float(emitter))
        _add_pipes(project, links, {name: f"n{i}" for i, name in enumerate(touched)}, gravity_m_s2 if matched else None)
        project.call("solveH")
        assert project.number("getstatistic", en.RELATIVEERROR) <= ENOUGH, "the engine did not converge"
        head_m = {name: project.number("getnodevalue", number, en.HEAD) for name, number in index.items()}
        return {name: weight * (head_m[name] - z_m[name]) for name in touched}
    finally:
        project.close()


def _set_options(project: en.Project, exponent: float, viscosity_m2_s: float) -> None:
    for option, value in (
        (en.EMITEXPON, exponent),
        (en.EMITBACKFLOW, 0.0),
        (en.SP_VISCOS, viscosity_m2_s / EPANET_VISCOSITY_M2_S),
        (en.ACCURACY, ACCURACY),
        (en.TRIALS, 500.0),
    ):
        project.call("setoption", option, float(value))


def _add_pipes(
    project: en.Project, links: Sequence[Record], names: Mapping[str, str], matched_to_m_s2: float | None
) -> None:
    friction = EPANET_GRAVITY_M_S2 / matched_to_m_s2 if matched_to_m_s2 else 1.0
    minor = EPANET_MINOR_GRAVITY_M_S2 / matched_to_m_s2 if matched_to_m_s2 else 1.0
    for i, link in enumerate(links):
        ends = (names[link["from"]].encode(), names[link["to"]].encode())
        pipe = project.integer("addlink", f"l{i}".encode(), en.PIPE, *ends)
        length_m = max(link["length_m"] * friction, LEAST_LENGTH_M)
        values = (length_m, 1000 * link["bore_m"], 1000 * link["roughness_m"], minor * link["minor_k"])
        project.call("setpipedata", pipe, *map(float, values))
