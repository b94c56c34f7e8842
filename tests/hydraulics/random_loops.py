"""Random networks with loops, invented, in the shape of design.json, and the same as a LoopNetwork."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np

from hydraulics.network import Link, Node, NozzleAt
from hydraulics.network_loop import LoopNetwork, loop_network
from hydraulics.nozzle import NozzleCurve
from tests.hydraulics.random_circuits import BORES_M, CURVE, SUPPLY, Circuit, random_circuit


@dataclass(frozen=True)
class Looped:
    """A circuit whose links close loops, and the nodes that are fed."""

    circuit: Circuit
    supplies: tuple[str, ...] = (SUPPLY,)

    def network(self) -> LoopNetwork:
        return network_of(self.circuit, self.supplies)


def network_of(circuit: Circuit, supplies: Sequence[str] = (SUPPLY,)) -> LoopNetwork:
    curve = NozzleCurve(**circuit.nozzle)
    return loop_network(
        [Node(node["id"], node["z_m"]) for node in circuit.nodes],
        [Link(link["id"], link["from"], link["to"], link["length_m"], link["bore_m"], link["roughness_m"],
              link["minor_k"], link.get("reducer_pa"), link.get("reducer_k", 0.0)) for link in circuit.links],
        [NozzleAt(record["node"], curve) for record in circuit.nozzles],
        supplies,
    )


def random_looped(seed: int, most_nodes: int = 120, curve: NozzleCurve = CURVE, supplies: int = 1) -> Looped:
    """A random tree with links across it, some of them parallel to others; further supplies, all at the height of the
    first, each come with a link of their own. No link is without length: the engine has none."""
    circuit = random_circuit(seed, most_nodes, curve)
    rng = np.random.default_rng(seed + 10_000)
    nodes = [*circuit.nodes]
    names = [node["id"] for node in nodes]
    links = [link | {"length_m": max(link["length_m"], 0.2)} for link in circuit.links]
    for i in range(int(rng.integers(1, max(2, len(names) // 8) + 1))):
        if rng.random() < 0.2:  # beside another
            beside = links[int(rng.integers(len(links)))]
            ends = [beside["to"], beside["from"]]
        else:
            ends = [str(name) for name in rng.choice(names, size=2, replace=False)]
        links.append(random_link(rng, f"x{i}", ends[0], ends[1]))
    fed = [f"s{i}" for i in range(1, supplies)]
    for name in fed:
        nodes.append({"id": name, "z_m": nodes[0]["z_m"]})
        links.append(random_link(rng, f"to {name}", str(rng.choice(names)), name))
    return Looped(Circuit(nodes, links, circuit.nozzles, circuit.nozzle), (SUPPLY, *fed))


def blocks(nozzles: int, seed: int, across: int, looped: bool) -> Circuit:
    """A site of several blocks: a ring main of wide tubing with a lateral of nozzles from every tap, each lateral's end
    joined with the next one's (looped), or the main cut open and the laterals ending dead.

    across: laterals. The tubing is wide enough for all, and no wider than usual.
    """
    rng = np.random.default_rng(seed)
    nodes, links, fed = [{"id": SUPPLY, "z_m": 0.0}], [], []
    ends: list[str] = []
    tap = SUPPLY
    wide = 0.012 * max(1.0, nozzles / 200) ** 0.4
    for lateral in range(across):
        before, tap = tap, f"t{lateral}"
        nodes.append({"id": tap, "z_m": float(rng.uniform(-1, 1))})
        links.append(random_link(rng, f"m{lateral}", before, tap) | {"bore_m": wide, "minor_k": 0.6})
        at = tap
        for i in range(nozzles // across + (lateral < nozzles % across)):
            at, last = f"z{lateral}.{i}", at
            nodes.append({"id": at, "z_m": float(rng.uniform(-1, 1))})
            links.append(random_link(rng, f"l{lateral}.{i}", last, at) | {"bore_m": 0.0044})
            fed.append({"id": f"nozzle at {at}", "node": at})
        ends.append(at)
    if looped:
        links.append(random_link(rng, "ring", tap, SUPPLY) | {"bore_m": wide})
        links += [random_link(rng, f"e{i}", a, b) | {"bore_m": 0.0044}
                  for i, (a, b) in enumerate(pairwise(ends))]
    return Circuit(nodes, links, fed, {"name": CURVE.name, "k": CURVE.k, "p0_pa": CURVE.p0_pa, "n": CURVE.n})


def random_link(rng: np.random.Generator, name: str, start: str, end: str) -> dict[str, Any]:
    return {
        "id": name, "from": start, "to": end, "length_m": float(rng.uniform(0.5, 6)),
        "bore_m": float(rng.choice(BORES_M)), "roughness_m": 1.5e-6,
        "minor_k": float(rng.choice([0.0, 0.6, 0.9, 1.8])),
    }
