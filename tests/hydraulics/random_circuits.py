"""Random circuits, invented, in the shape of design.json, and the same as a TreeNetwork."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from hydraulics.network import Link, Node, NozzleAt, TreeNetwork, tree_network
from hydraulics.nozzle import NozzleCurve
from hydraulics.water import Water

SUPPLY = "n0"
CURVE = NozzleCurve("invented fine mist", k=1.45e-9, p0_pa=5.5e5, n=0.46)
BORES_M = (0.0044, 0.006, 0.0085)


@dataclass(frozen=True)
class Circuit:
    """Records as they stand in design.json."""

    nodes: list[dict[str, Any]]
    links: list[dict[str, Any]]
    nozzles: list[dict[str, Any]]
    nozzle: dict[str, Any]

    def network(self) -> TreeNetwork:
        curve = NozzleCurve(**self.nozzle)
        return tree_network(
            [Node(node["id"], node["z_m"]) for node in self.nodes],
            [Link(link["id"], link["from"], link["to"], link["length_m"], link["bore_m"],
                  link["roughness_m"], link["minor_k"], link.get("reducer_pa"), link.get("reducer_k", 0.0))
             for link in self.links],
            [NozzleAt(record["node"], curve) for record in self.nozzles],
            SUPPLY,
        )


def random_circuit(seed: int, most_nodes: int = 120, curve: NozzleCurve = CURVE) -> Circuit:
    """A bushy or stringy tree on sloping ground; some links point to the root, one has no length."""
    rng = np.random.default_rng(seed)
    count, back = int(rng.integers(5, most_nodes)), int(rng.integers(1, 6))
    nodes = [{"id": f"n{i}", "z_m": float(rng.uniform(-3, 3))} for i in range(count)]
    links = []
    for i in range(1, count):
        ends = [f"n{int(rng.integers(max(0, i - back), i))}", f"n{i}"]
        if rng.random() < 0.3:
            ends.reverse()
        links.append({
            "id": f"l{i}", "from": ends[0], "to": ends[1],
            "length_m": float(rng.uniform(0.5, 6)) if i > 1 else 0.0,
            "bore_m": float(rng.choice(BORES_M)), "roughness_m": 1.5e-6,
            "minor_k": float(rng.choice([0.0, 0.6, 0.9, 1.8])),
        })
    fed = [i for i in range(1, count) if rng.random() < 0.6 or i == count - 1]
    return Circuit(nodes, links, [{"id": f"z{i}", "node": f"n{i}"} for i in fed], asdict(curve))


def with_reducers(circuit: Circuit, seed: int, share: float, low_pa: float, high_pa: float) -> Circuit:
    """The circuit with reducers, set between two pressures, on a share of the links that point away from the supply,
    but on none that begins at it."""
    rng = np.random.default_rng(seed)

    def reduced(link: dict[str, Any]) -> dict[str, Any]:
        start, end = int(link["from"][1:]), int(link["to"][1:])
        if not 0 < start < end or rng.random() >= share:
            return link
        return {**link, "reducer_pa": float(rng.uniform(low_pa, high_pa)), "reducer_k": float(rng.uniform(0, 60))}

    return Circuit(circuit.nodes, [reduced(link) for link in circuit.links], circuit.nozzles, circuit.nozzle)


def water_record(water: Water) -> dict[str, float]:
    return asdict(water)
