"""A circuit of design.json rebuilt for the EPANET engine (2.3, by `epanet_engine`), as a reference in tests.

It takes plain lists and dicts shaped as design.json and shares no code with the package under test.

EPANET's own constants differ from SI by up to 8e-4: g = 32.2 ft/s2, 0.02517 in the minor loss, 28.317 L/s for
1 ft3/s (its source). `matched` scales lengths, fittings and emitters so that they cancel.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
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


@dataclass(frozen=True)
class EngineState:
    """By id: gauge pressure of every node, flow of every link from its first to its second node, of every nozzle's
    node the flow of the nozzle."""

    pressures_pa: dict[str, float]
    link_flows_m3_s: dict[str, float]
    nozzle_flows_m3_s: dict[str, float]


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
    """Gauge pressure in Pa of every node that the links touch, by id; as `state_by_epanet`, with one supply."""
    return state_by_epanet(
        nodes, links, nozzles, supplies={supply: supply_pressure_pa}, nozzle=nozzle, water=water,
        gravity_m_s2=gravity_m_s2, matched=matched,
    ).pressures_pa


def state_by_epanet(
    nodes: Sequence[Record],
    links: Sequence[Record],
    nozzles: Sequence[Record],
    *,
    supplies: Mapping[str, float],
    nozzle: Record,
    water: Record,
    gravity_m_s2: float = 9.80665,
    matched: bool = False,
) -> EngineState:
    """The state of the nodes that the links touch, held at a pressure (Pa) at each of the supplies; links and nozzles
    are of one circuit. Links with a reducer_pa begin with a pressure-reducing valve, in the direction from `from` to
    `to`.

    `nozzle` and `water` are the records of those names; a record of `nozzles` may have a `k` of its own. The closing
    pressure is modelled by raising a nozzle's junction by p0 / (rho g), with the backflow of emitters off. The engine
    softens the edge there: where nozzles close expect an agreement of 1e-4, else 1e-10 if matched.
    """
    weight = water["density_kg_m3"] * gravity_m_s2
    litres = _litres(matched)
    z_m = {node["id"]: node["z_m"] for node in nodes}
    project = circuit_project(nodes, links, nozzles, supplies=supplies, nozzle=nozzle, water=water,
                              gravity_m_s2=gravity_m_s2, matched=matched)
    try:
        project.call("solveH")
        assert project.number("getstatistic", en.RELATIVEERROR) <= ENOUGH, "the engine did not converge"
        touched = _touched(links, supplies)
        places = {name: project.integer("getnodeindex", f"n{i}".encode()) for i, name in enumerate(touched)}
        flows = {link["id"]: project.number("getlinkvalue", project.integer("getlinkindex", f"l{i}".encode()), en.FLOW)
                 for i, link in enumerate(links)}
        fed = {record["node"] for record in nozzles}
        return EngineState(
            {name: weight * (project.number("getnodevalue", place, en.HEAD) - z_m[name])
             for name, place in places.items()},
            {name: flow / (1000 * litres) for name, flow in flows.items()},
            {name: project.number("getnodevalue", places[name], en.EMITTERFLOW) / (1000 * litres)
             for name in touched if name in fed},
        )
    finally:
        project.close()


def _litres(matched: bool) -> float:
    """Litres of the engine in one of ours, where its own rounded constant is to be met."""
    return EPANET_LITRES_PER_FT3 / (1000 * FOOT_M**3) if matched else 1.0


def circuit_project(
    nodes: Sequence[Record],
    links: Sequence[Record],
    nozzles: Sequence[Record],
    *,
    supplies: Mapping[str, float],
    nozzle: Record,
    water: Record,
    gravity_m_s2: float = 9.80665,
    matched: bool = False,
) -> en.Project:
    """The engine's project of a circuit, not yet solved; to be closed after use."""
    weight = water["density_kg_m3"] * gravity_m_s2
    touched = _touched(links, supplies)
    z_m = {node["id"]: node["z_m"] for node in nodes}
    raised_m = {record["node"]: nozzle["p0_pa"] / weight for record in nozzles}
    raised_m |= {name: pressure_pa / weight for name, pressure_pa in supplies.items()}
    litres = _litres(matched)
    emitter = 1000 * litres * weight ** nozzle["n"]  # for k = 1
    project = en.Project(en.LPS, en.DW)
    _set_options(project, nozzle["n"], water["viscosity_pa_s"] / water["density_kg_m3"])
    index = {name: project.integer("addnode", f"n{i}".encode(), en.RESERVOIR if name in supplies else en.JUNCTION)
             for i, name in enumerate(touched)}
    for name in touched:
        project.call("setnodevalue", index[name], en.ELEVATION, float(z_m[name] + raised_m.get(name, 0.0)))
    for record in nozzles:
        k = record.get("k", nozzle["k"])
        project.call("setnodevalue", index[record["node"]], en.EMITTER, float(emitter * k))
    names = {name: f"n{i}" for i, name in enumerate(touched)}
    constants = _Constants(gravity_m_s2 if matched else None)
    _add_pipes(project, _add_reducers(project, links, names, z_m, weight, constants), names, constants)
    return project


def _touched(links: Sequence[Record], supplies: Mapping[str, float]) -> list[str]:
    """The nodes at the links' ends; supplies come last, since a junction added after a reservoir renumbers it."""
    ends = {link[end] for link in links for end in ("from", "to")}
    return sorted(ends, key=lambda name: (name in supplies, name))


def _set_options(project: en.Project, exponent: float, viscosity_m2_s: float) -> None:
    for option, value in (
        (en.EMITEXPON, exponent),
        (en.EMITBACKFLOW, 0.0),
        (en.SP_VISCOS, viscosity_m2_s / EPANET_VISCOSITY_M2_S),
        (en.ACCURACY, ACCURACY),
        (en.TRIALS, 500.0),
    ):
        project.call("setoption", option, float(value))


class _Constants:
    """What lengths and minor losses are scaled by, so that the engine's constants cancel."""

    def __init__(self, matched_to_m_s2: float | None) -> None:
        self.friction = EPANET_GRAVITY_M_S2 / matched_to_m_s2 if matched_to_m_s2 else 1.0
        self.minor = EPANET_MINOR_GRAVITY_M_S2 / matched_to_m_s2 if matched_to_m_s2 else 1.0


def _add_reducers(
    project: en.Project,
    links: Sequence[Record],
    names: dict[str, str],
    z_m: Mapping[str, float],
    weight: float,
    constants: _Constants,
) -> list[Record]:
    """The links without reducers: each of these is a pressure-reducing valve of the engine, up to a junction of its
    own at the height of the link's start, from where the link goes on."""
    left = []
    for i, link in enumerate(links):
        if link.get("reducer_pa") is not None:
            outlet = f"{link['from']}|{i}"
            names[outlet] = f"r{i}"
            junction = project.integer("addnode", names[outlet].encode(), en.JUNCTION)
            project.call("setnodevalue", junction, en.ELEVATION, float(z_m[link["from"]]))
            ends = (names[link["from"]].encode(), names[outlet].encode())
            valve = project.integer("addlink", f"v{i}".encode(), en.PRV, *ends)
            for name, value in (
                (en.DIAMETER, 1000 * link["bore_m"]),
                (en.MINORLOSS, constants.minor * link["reducer_k"]),
                (en.INITSETTING, link["reducer_pa"] / weight),
            ):
                project.call("setlinkvalue", valve, name, float(value))
            link = {**link, "from": outlet}
        left.append(link)
    return left


def _add_pipes(
    project: en.Project, links: Sequence[Record], names: Mapping[str, str], constants: _Constants
) -> None:
    for i, link in enumerate(links):
        ends = (names[link["from"]].encode(), names[link["to"]].encode())
        pipe = project.integer("addlink", f"l{i}".encode(), en.PIPE, *ends)
        length_m = max(link["length_m"] * constants.friction, LEAST_LENGTH_M)
        values = (length_m, 1000 * link["bore_m"], 1000 * link["roughness_m"], constants.minor * link["minor_k"])
        project.call("setpipedata", pipe, *map(float, values))
