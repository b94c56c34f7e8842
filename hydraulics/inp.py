"""A circuit as a network in the public EPANET text format, so that anyone can check it with another engine.

Laid out as the EPANET 2.2 user manual, appendix C.2, states the sections. Flows are in L/s, heads and pressures in
metres of the water itself. The specific gravity stays 1: it changes no head, and engines of version 2.2 and 2.3 do
not agree on what it changes of emitters and settings.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from hydraulics.errors import NetworkError
from hydraulics.friction import GRAVITY_M_S2
from hydraulics.network_loop import LoopNetwork
from hydraulics.steady_loop import LoopState
from hydraulics.units import BAR_PA, FOOT_M, LITRE_M3
from hydraulics.water import Water

REFERENCE_VISCOSITY_M2_S = 1.1e-5 * FOOT_M**2  # of viscosity 1, in the engine's source
LONGEST_ID = 31
LEAST_LENGTH_M = 1e-6  # the engine has no pipes of length 0, nor of roughness 0
LEAST_ROUGHNESS_M = 1e-12
_OWN_FEED, _OWN_OUTLET = "feed-of-", "outlet-of-"  # junctions that the file needs beside those of the network

READING = (
    "A nozzle's junction stands higher than the nozzle by closing pressure / (density x gravity), so that an emitter,",
    "which gives C p^n, gives k (p - closing pressure)^n: add the closing pressure to what its junction reads.",
    "An engine lets water flow back through an emitter where a nozzle would close: compare where all nozzles are open.",
    "Behind each junction stands the pressure that this file's author computed. Engines differ by up to 5e-4 of it,",
    "for they take gravity and the minor-loss constant from rounded US units.",
)


@dataclass(frozen=True)
class _Writer:
    """What one network needs to be written."""

    network: LoopNetwork
    state: LoopState
    water: Water
    places_m: Mapping[str, tuple[float, float]]

    @property
    def metre_pa(self) -> float:
        """Pressure of one metre of the water."""
        return self.water.density_kg_m3 * GRAVITY_M_S2

    @property
    def supply(self) -> int:
        """The node that the pump feeds."""
        return int(self.network.supply[0])

    @cached_property
    def ends(self) -> NDArray[np.int64]:
        """[L, 2] nodes of each link, the one nearer the supply first where the network is a tree."""
        ends, hung = np.column_stack([self.network.from_node, self.network.to_node]), self.network.tree
        if hung is not None:
            turned = hung.link[hung.sign < 0]
            ends[turned] = ends[turned, ::-1]
        return ends

    def nozzle(self, node: int) -> bool:
        return bool(self.network.nozzle_k[node] > 0)

    def reduced(self, link: int) -> bool:
        return not np.isnan(self.network.reducer_pa[link])

    def start(self, link: int) -> str:
        """The node that the pipe of a link begins at."""
        if self.reduced(link):
            return _OWN_OUTLET + self.network.link_ids[link]
        return self.network.node_ids[int(self.ends[link, 0])]

    def size_mm(self, link: int) -> str:
        """Bore and roughness of a link."""
        roughness = max(float(self.network.roughness_m[link]), LEAST_ROUGHNESS_M)
        return f"{1000 * self.network.bore_m[link]:.12g} {1000 * roughness:.12g}"

    def fed_apart(self, link: int) -> bool:
        """Whether the reducer at the start of a link needs a pipe before it: no valve may touch a reservoir."""
        return self.reduced(link) and int(self.ends[link, 0]) == self.supply


def inp_text(
    network: LoopNetwork,
    state: LoopState,
    water: Water,
    title: str,
    remarks: Sequence[str] = (),
    places_m: Mapping[str, tuple[float, float]] | None = None,
) -> str:
    """The network fed at the state's supply pressure, as the text of an EPANET input file.

    remarks: lines of comment at the head; places_m: x and y of nodes, for a map. Raises NetworkError where the format
    has no way to say it: names with spaces, quotes, semicolons, too long or twice; nozzles of different exponents;
    several supplies.
    """
    faults = tuple(_faults(network))
    if faults:
        raise NetworkError(faults)
    writer = _Writer(network, state, water, places_m or {})
    metre = f"Heads and pressures are in metres of the water itself; one metre is {writer.metre_pa:.6g} Pa."
    lines = [*(f"; {text}" for text in (*remarks, metre, *READING)), ""]
    for section, rows in (
        ("TITLE", [title]),
        ("JUNCTIONS", _junctions(writer)),
        ("RESERVOIRS", _reservoir(writer)),
        ("PIPES", _pipes(writer)),
        ("VALVES", _valves(writer)),
        ("EMITTERS", _emitters(writer)),
        ("OPTIONS", _options(writer)),
        ("TIMES", [" Duration 0"]),
        ("REPORT", [" Status No", " Summary No", " Nodes All", " Links All"]),
        ("COORDINATES", _coordinates(writer)),
    ):
        lines += [f"[{section}]", *rows, ""]
    return "\n".join((*lines, "[END]", ""))


def _junctions(writer: _Writer) -> Iterator[str]:
    network = writer.network
    yield ";ID elevation_m demand_L/s"
    for i in _others(writer):
        raised = float(network.nozzle_p0_pa[i]) if writer.nozzle(i) else 0.0
        pressure = float(writer.state.pressure_pa[i])
        reads = f"reads {(pressure - raised) / writer.metre_pa:.4f} m, " + (
            f"the nozzle has {pressure / BAR_PA:.4f} bar" if writer.nozzle(i) else f"{pressure / BAR_PA:.4f} bar"
        )
        yield f" {network.node_ids[i]} {network.z_m[i] + raised / writer.metre_pa:.12g} 0 ;{reads}"
    for link in _reducers(writer):
        height = f"{network.z_m[writer.ends[link, 0]]:.12g}"
        if writer.fed_apart(link):
            yield f" {_OWN_FEED}{network.link_ids[link]} {height} 0"
        yield f" {_OWN_OUTLET}{network.link_ids[link]} {height} 0"


def _reservoir(writer: _Writer) -> Iterator[str]:
    pressure = float(writer.state.pressure_pa[writer.supply])
    head = writer.network.z_m[writer.supply] + pressure / writer.metre_pa
    yield ";ID head_m"
    yield f" {writer.network.node_ids[writer.supply]} {head:.12g} ;{pressure / BAR_PA:.4f} bar at the gauge"


def _pipes(writer: _Writer) -> Iterator[str]:
    network = writer.network
    yield ";ID from to length_m bore_mm roughness_mm minor_loss status"
    for link, name in enumerate(network.link_ids):
        length = max(float(network.length_m[link]), LEAST_LENGTH_M)
        size = f"{writer.size_mm(link)} {network.minor_k[link]:.12g}"
        end = network.node_ids[writer.ends[link, 1]]
        yield f" {name} {writer.start(link)} {end} {length:.12g} {size} Open"
    for link in _reducers(writer):
        if writer.fed_apart(link):
            feed, supply = _OWN_FEED + network.link_ids[link], network.node_ids[writer.supply]
            yield f" {feed} {supply} {feed} {LEAST_LENGTH_M:g} {writer.size_mm(link)} 0 Open"


def _valves(writer: _Writer) -> Iterator[str]:
    network = writer.network
    yield ";ID from to bore_mm type setting_m minor_loss"
    for link in _reducers(writer):
        name = network.link_ids[link]
        start = _OWN_FEED + name if writer.fed_apart(link) else network.node_ids[writer.ends[link, 0]]
        setting = f"{network.reducer_pa[link] / writer.metre_pa:.12g} {network.reducer_k[link]:.12g}"
        yield f" R-{name} {start} {_OWN_OUTLET}{name} {1000 * network.bore_m[link]:.12g} PRV {setting}"


def _emitters(writer: _Writer) -> Iterator[str]:
    """C = k (pressure of one metre)^n, in L/s."""
    network = writer.network
    yield ";ID C_L/s_per_m^n"
    for i in _others(writer):
        if writer.nozzle(i):
            coefficient = float(network.nozzle_k[i]) * writer.metre_pa ** float(network.nozzle_n[i]) / LITRE_M3
            yield f" {network.node_ids[i]} {coefficient:.12g}"


def _options(writer: _Writer) -> Iterator[str]:
    water, network = writer.water, writer.network
    exponents = network.nozzle_n[network.nozzle_k > 0]
    viscosity = water.viscosity_pa_s / water.density_kg_m3 / REFERENCE_VISCOSITY_M2_S
    yield " Units LPS"
    yield " Headloss D-W"
    yield " Specific Gravity 1"
    yield f" Viscosity {viscosity:.12g}"
    yield " Trials 500"
    yield " Accuracy 0.00001"
    yield " Unbalanced Stop"
    yield " Quality None"
    if exponents.size:
        yield f" Emitter Exponent {exponents[0]:.12g}"


def _coordinates(writer: _Writer) -> Iterator[str]:
    yield ";ID x_m y_m"
    network, places = writer.network, writer.places_m
    own = [(prefix + network.link_ids[i], network.node_ids[writer.ends[i, 0]]) for i in _reducers(writer)
           for prefix in ((_OWN_FEED, _OWN_OUTLET) if writer.fed_apart(i) else (_OWN_OUTLET,))]
    for name, at in (*((node, node) for node in network.node_ids), *own):
        if at in places:
            yield f" {name} {places[at][0]:.12g} {places[at][1]:.12g}"


def _reducers(writer: _Writer) -> list[int]:
    return [link for link in range(len(writer.network.link_ids)) if writer.reduced(link)]


def _others(writer: _Writer) -> list[int]:
    """All nodes but the supply."""
    return [i for i in range(len(writer.network.node_ids)) if i != writer.supply]


def _faults(network: LoopNetwork) -> Iterator[str]:
    reduced = not np.isnan(network.reducer_pa).all()
    longest = LONGEST_ID - max(len(_OWN_FEED), len(_OWN_OUTLET)) if reduced else LONGEST_ID
    for what, names, most in (("node", network.node_ids, LONGEST_ID), ("link", network.link_ids, longest)):
        for name in names:
            if not name or len(name) > most or set(name) & set(' \t";'):
                yield f"{what} {name!r} is no name of the EPANET format; give 1 to {most} signs without space, quote, ;"
        if len({name.upper() for name in names}) < len(names):
            yield f"{what}s that differ in capitals only, or not at all; name each apart"
    exponents = sorted({float(n) for n, k in zip(network.nozzle_n, network.nozzle_k, strict=True) if k > 0})
    if len(exponents) > 1:
        yield f"nozzles of exponents {', '.join(f'{n:g}' for n in exponents)}; the EPANET format has one for all"
    if len(network.supply) > 1:
        yield f"{len(network.supply)} supplies; this format is written with one"
    first = int(network.supply[0])
    if network.nozzle_k[first] > 0:
        yield f"a nozzle at the supply {network.node_ids[first]!r}; give it a node of its own"
