"""A circuit of design.json rebuilt for the EPANET engine (`owa-epanet`), as a reference in tests.

It takes plain lists and dicts shaped as design.json and shares no code with the package under test.

EPANET's own constants differ from SI in the fifth digit: g = 32.2 ft/s2, 0.02517 in the minor loss, 28.317 L/s for
1 ft3/s (its source, types.h and hydcoeffs.c). `matched` scales lengths, fittings and emitters so that they cancel.
"""

from __future__ import annotations

import math
import os
from collections.abc import Mapping, Sequence
from typing import Any

from epanet import toolkit as en

FOOT_M = 0.3048
EPANET_GRAVITY_M_S2 = 32.2 * FOOT_M
EPANET_MINOR_GRAVITY_M_S2 = 8 / (math.pi**2 * 0.02517) * FOOT_M
EPANET_LITRES_PER_FT3 = 28.317
EPANET_VISCOSITY_M2_S = 1.1e-5 * FOOT_M**2
LEAST_LENGTH_M = 1e-6  # EPANET has no pipes of length 0

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
    """Gauge pressure in Pa of every node, by id. `nozzle` and `water` are the records of those names in design.json.

    The closing pressure is modelled by raising a nozzle's junction by p0 / (rho g), with backflow of emitters off.
    """
    weight = water["density_kg_m3"] * gravity_m_s2
    height = {node["id"]: node["z_m"] for node in nodes}
    friction, minor, litres = (
        (EPANET_GRAVITY_M_S2 / gravity_m_s2, EPANET_MINOR_GRAVITY_M_S2 / gravity_m_s2,
         EPANET_LITRES_PER_FT3 / (1000 * FOOT_M**3)) if matched else (1.0, 1.0, 1.0)
    )
    emitter = 1000 * litres * nozzle["k"] * weight ** nozzle["n"]
    project = en.createproject()
    try:
        en.init(project, os.devnull, "", en.LPS, en.DW)
        _set_options(project, nozzle["n"], water["viscosity_pa_s"] / water["density_kg_m3"])
        raised = {record["node"]: nozzle["p0_pa"] / weight for record in nozzles}
        index = {}
        for name in sorted(height, key=lambda name: name == supply):  # junctions first, or they are renumbered
            index[name] = en.addnode(project, name, en.RESERVOIR if name == supply else en.JUNCTION)
            head_m = supply_pressure_pa / weight if name == supply else raised.get(name, 0.0)
            en.setnodevalue(project, index[name], en.ELEVATION, height[name] + head_m)
        for name in raised:
            en.setnodevalue(project, index[name], en.EMITTER, emitter)
        for link in links:
            pipe = en.addlink(project, link["id"], en.PIPE, link["from"], link["to"])
            en.setpipedata(project, pipe, max(link["length_m"] * friction, LEAST_LENGTH_M),
                           1000 * link["bore_m"], 1000 * link["roughness_m"], minor * link["minor_k"])
        en.solveH(project)
        return {name: weight * (en.getnodevalue(project, index[name], en.HEAD) - height[name]) for name in height}
    finally:
        en.deleteproject(project)


def _set_options(project: Any, exponent: float, viscosity_m2_s: float) -> None:
    for option, value in (
        (en.EMITEXPON, exponent),
        (en.EMITBACKFLOW, 0),
        (en.SP_VISCOS, viscosity_m2_s / EPANET_VISCOSITY_M2_S),
        (en.ACCURACY, 1e-8),
        (en.TRIALS, 500),
    ):
        en.setoption(project, option, value)
