"""A small design made by hand, for tests of verification: two circuits of one pump, seven nozzles."""

from __future__ import annotations

from typing import Any

from hydraulics.friction import FRICTION_LAW, GRAVITY_M_S2
from hydraulics.nozzle import NozzleCurve
from hydraulics.water import water_at
from optimizer.design import Design, Link, Node, Nozzle, Pump, Verification, ZoneArea
from optimizer.verify import settled

BAND_PA = (12e5, 16e5)
CURVE = NozzleCurve("demo", 5.5e-10, 5.5e5, 0.53)


def square(x: float, y: float, side: float) -> dict[str, Any]:
    """A square with its lower left corner at (x, y), as GeoJSON."""
    ring = [[x, y], [x + side, y], [x + side, y + side], [x, y + side], [x, y]]
    return {"type": "Polygon", "coordinates": [ring]}


def two_circuits(band_pa: tuple[float, float] = BAND_PA) -> Design:
    """Circuit C1 feeds 4 nozzles in a row, C2 feeds 3 round a branching; all settled."""
    nodes = [Node("P1", 0.0, 0.0, 1.0)]
    links: list[Link] = []
    nozzles: list[Nozzle] = []
    for circuit, parents in (("C1", (-1, 0, 1, 2)), ("C2", (-1, 0, 0))):
        for i, parent in enumerate(parents):
            node = f"{circuit}-{i}"
            nodes.append(Node(node, 3.0 * i, 2.0 if circuit == "C2" else 0.0, 2.0 + 0.1 * i))
            start = "P1" if parent < 0 else f"{circuit}-{parent}"
            links.append(Link(f"{circuit}-L{i}", start, node, circuit, f"{circuit}-R1", "T4", 0.004, 1.5e-6, 12.0, 0.6))
            name = f"N{len(nozzles) + 1:03d}"
            mist = square(3.0 * i, 2.0 if circuit == "C2" else 0.0, 4.0)
            place = (f"{circuit}-R1", "fence", 3.0 * i, 2.0)
            nozzles.append(Nozzle(name, node, circuit, *place, 0.0, 0.0, 0.0, 0.0, mist))
    empty = Verification(False, band_pa, (), (), (), 0.0, 0.0, {}, 0.0, 0.0, 0.0)
    design = Design(
        schema_version=1,
        scenario="by_hand",
        option="two_circuits",
        gravity_m_s2=GRAVITY_M_S2,
        friction_law=FRICTION_LAW,
        velocity_of_minor_loss="link",
        water=water_at(20.0),
        nozzle=CURVE,
        pumps=(Pump("P1", "pump", "shed", "P1", 15e5, 18e5, 6e-6, 0.15, ("C1", "C2")),),
        nodes=tuple(nodes),
        links=tuple(links),
        nozzles=tuple(nozzles),
        zones=(ZoneArea("lawn", 2.0, square(0.0, 0.0, 8.0)), ZoneArea("path", 1.0, square(6.0, 0.0, 4.0))),
        verification=empty,
    )
    return settled(design, band_pa)
