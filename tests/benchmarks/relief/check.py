"""The nonlinear state of a design.json and its run rules once more, by a calculation that shares no code with ours.

Darcy-Weisbach with Hagen and Poiseuille's law below Re 2000, Swamee and Jain's (1976) above 4000, Dunlop's cubic (1991)
between, as the EPANET 2.2 user manual states them (from memory); minor losses K v^2 / 2; a reducer holds its outlet or
passes its inlet less its loss. The unknowns are the nozzles' flows, solved by scipy's hybrid Powell method.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from itertools import pairwise
from typing import Any

import numpy as np
from scipy.optimize import root

from tests.benchmarks.relief.sites import ALLOWANCE, BAR, HEIGHT_M, Drawn

G = 9.80665
NEAR = 1e-6  # relative, of pressures, flows and lengths
SOLVED = 1e-8  # of a nozzle's flow, that the solution may be off

Record = Mapping[str, Any]


def faults(found: Drawn, design: Record) -> Iterator[str]:
    """What a design called verified breaks: band, capacity, set pressure, run rules, the site's heights and lengths."""
    low, high = (BAR * edge for edge in found.band_bar)
    usable = (1.0 - found.reserve) * found.delivery_l_min / 60000.0
    for pump in design["pumps"]:
        if not BAR * found.set_bar[0] * (1 - NEAR) <= pump["set_pressure_pa"] <= BAR * found.set_bar[1] * (1 + NEAR):
            yield f"{pump['id']}: set pressure {pump['set_pressure_pa']:.0f} Pa"
        flows = {circuit: dict(_state(design, pump, circuit)) for circuit in pump["circuits"]}
        for circuit, pressures in flows.items():
            for name, pressure in pressures.items():
                if not low * (1 - NEAR) <= pressure <= high * (1 + NEAR):
                    yield f"{name}: {pressure / BAR:.4f} bar, band {found.band_bar}"
            taken = sum(_flow(design, pressure) for pressure in pressures.values())
            if taken > usable * (1 + NEAR):
                yield f"{circuit}: {taken:.4g} m3/s of {usable:.4g}"
        taken_by = [sum(_flow(design, p) for p in pressures.values()) for pressures in flows.values()]
        share = found.rules.get("circuit_balance")
        if share is not None and min(taken_by) < (1 - share) * max(taken_by) * (1 - NEAR):
            yield f"{pump['id']}: circuits take {min(taken_by):.4g} and {max(taken_by):.4g} m3/s"
        for circuit in pump["circuits"]:
            yield from _run_faults(found, design, pump, circuit)
    yield from _ground_faults(found, design)


def _state(design: Record, pump: Record, circuit: str) -> Iterator[tuple[str, float]]:
    """Pressure at each nozzle of a circuit. AssertionError where scipy finds no state."""
    links, at = _tree(design, pump, circuit)
    nozzles = [one for one in design["nozzles"] if one["circuit"] == circuit]
    if not nozzles:
        return
    z = {node["id"]: node["z_m"] for node in design["nodes"]}
    weight, density = design["water"]["density_kg_m3"] * G, design["water"]["density_kg_m3"]
    scale = _flow(design, pump["set_pressure_pa"])

    def pressures(shares: Any) -> dict[str, float]:
        flow: dict[str, float] = {}
        for one, share in zip(nozzles, shares, strict=True):
            flow[one["node"]] = flow.get(one["node"], 0.0) + share * scale
        for _, start, end in reversed(links):
            flow[start] = flow.get(start, 0.0) + flow.get(end, 0.0)
        found = {pump["node"]: pump["set_pressure_pa"]}
        for link, start, end in links:
            through, bore = flow.get(end, 0.0), link["bore_m"]
            velocity = through / (math.pi / 4 * bore**2)
            heads = density / 2 * velocity * abs(velocity)
            inlet = found[start]
            if link["reducer_pa"] is not None:
                inlet = min(link["reducer_pa"], inlet - link["reducer_k"] * heads)
            lost = heads * link["minor_k"] + _friction_pa(design, link, velocity)
            found[end] = inlet - lost - weight * (z[end] - z[start])
        return {one["id"]: found[one["node"]] for one in nozzles}

    def lacks(shares: Any) -> Any:
        return np.array([_flow(design, p) for p in pressures(shares).values()]) / scale - shares

    answer = root(lacks, np.full(len(nozzles), 0.8), tol=1e-12)
    assert at and np.abs(answer.fun).max() < SOLVED, f"{circuit}: scipy finds no state"
    yield from pressures(answer.x).items()


def _friction_pa(design: Record, link: Record, velocity: float) -> float:
    water, bore = design["water"], link["bore_m"]
    reynolds = water["density_kg_m3"] * abs(velocity) * bore / water["viscosity_pa_s"]
    if reynolds == 0.0:
        return 0.0
    rough = link["roughness_m"] / bore
    if reynolds < 2000.0:
        factor = 64.0 / reynolds
    elif reynolds > 4000.0:
        factor = 0.25 / math.log10(rough / 3.7 + 5.74 / reynolds**0.9) ** 2
    else:
        y2 = rough / 3.7 + 5.74 / 4000.0**0.9
        y3 = -0.86859 * math.log(y2)
        fa, r = y3**-2, reynolds / 2000.0
        fb = fa * (2.0 - 0.00514215 / (y2 * y3))
        x1, x2 = 7.0 * fa - fb, 0.128 - 17.0 * fa + 2.5 * fb
        x3, x4 = -0.128 + 13.0 * fa - 2.0 * fb, r * (0.032 - 3.0 * fa + 0.5 * fb)
        factor = x1 + r * (x2 + r * (x3 + x4))
    return factor * link["length_m"] / bore * water["density_kg_m3"] / 2 * velocity * abs(velocity)


def _flow(design: Record, pressure_pa: float) -> float:
    nozzle = design["nozzle"]
    return float(nozzle["k"] * max(pressure_pa - nozzle["p0_pa"], 0.0) ** nozzle["n"])


def _tree(design: Record, pump: Record, circuit: str) -> tuple[list[tuple[Record, str, str]], set[str]]:
    """Links of a circuit from the pump on, with the node each starts and ends at; the nodes reached."""
    left = [link for link in design["links"] if circuit == link["circuit"] or circuit in link["shared"]]
    reached, order = {pump["node"]}, []
    while left:
        next_ones = [link for link in left if (link["from"] in reached) != (link["to"] in reached)]
        assert next_ones, f"{circuit}: links that hang on nothing, or a loop"
        for link in next_ones:
            ends = (link["from"], link["to"]) if link["from"] in reached else (link["to"], link["from"])
            order.append((link, *ends))
            reached.add(ends[1])
        left = [link for link in left if not any(link is one for one in next_ones)]
    return order, reached


def _run_faults(found: Drawn, design: Record, pump: Record, circuit: str) -> Iterator[str]:
    """Lengths and counts by walking from every nozzle back to the outlet."""
    above = {end: (start, link) for link, start, end in _tree(design, pump, circuit)[0]}
    starts = [start for start, _ in above.values()]
    metres: dict[str, float] = {}
    runs: dict[str, int] = {}
    for nozzle in (one for one in design["nozzles"] if one["circuit"] == circuit):
        node, way = nozzle["node"], []
        while node in above:
            start, link = above[node]
            if link["tubing"] != "manifold" and not link["shared"]:
                way.append((start, link))
            node = start
        way.reverse()
        metres[nozzle["id"]] = sum(link["length_m"] for _, link in way)
        forks = [i for i, (start, _) in enumerate(way) if starts.count(start) > 1]
        run = way[forks[0]][1]["id"] if forks else "trunk"
        runs[run] = runs.get(run, 0) + 1
    longest, most = found.rules.get("run_longest_m", math.inf), found.rules.get("run_nozzles_most", math.inf)
    yield from (f"{name}: {length:.2f} m of {longest}" for name, length in metres.items() if length > longest + NEAR)
    yield from (f"{circuit}, run at {run}: {count} nozzles of {most}" for run, count in runs.items() if count > most)


def _ground_faults(found: Drawn, design: Record) -> Iterator[str]:
    """Nozzles off the height of their fence, pumps off their site's, tubes shorter than the straight way."""
    at = {node["id"]: (node["x_m"], node["y_m"], node["z_m"]) for node in design["nodes"]}
    fences = {one["properties"]["name"]: one["geometry"]["coordinates"] for one in found.features
              if one["properties"]["role"] == "mounting_line"}
    for nozzle in design["nozzles"]:
        place = _along(fences[nozzle["line"]], nozzle["chainage_m"])
        if math.dist(place, at[nozzle["node"]]) > 1e-6:
            yield f"{nozzle['id']}: at {at[nozzle['node']]}, its fence runs at {place}"
    (hill,) = (one["geometry"]["coordinates"] for one in found.features if one["properties"]["role"] == "pump_site")
    for pump in design["pumps"]:
        if math.dist(hill, at[pump["node"]]) > 1e-6:
            yield f"{pump['id']}: at {at[pump['node']]}, its site is at {hill}"
    for link in design["links"]:
        ends = at[link["from"]], at[link["to"]]
        upright = math.dist(ends[0][:2], ends[1][:2]) < 1e-9  # a riser makes no detours
        straight = (1.0 if upright else 1 + ALLOWANCE) * math.dist(*ends)
        if link["length_m"] < straight * (1 - NEAR):
            yield f"{link['id']}: {link['length_m']:.3f} m of tubing for {straight:.3f} m"


def _along(fence: list[list[float]], chainage_m: float) -> list[float]:
    """The point of a fence at a plan distance from its start, as high as nozzles hang over the ground there."""
    left = chainage_m
    for start, end in pairwise(fence):
        length = math.dist(start[:2], end[:2])
        if left <= length + 1e-9:
            x, y, z = (a + left / length * (b - a) for a, b in zip(start, end, strict=True))
            return [x, y, z + HEIGHT_M]
        left -= length
    raise ValueError(f"{chainage_m} m is beyond the end of the fence")
