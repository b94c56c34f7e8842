"""An invented site and an invented design on it, to draw and to publish.

The program has computed none of its figures: pressures fall evenly along each run, lengths are plan lengths with
5 % added, footprints are half discs that nothing cuts.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, field

import numpy as np
from shapely import LineString, Point, Polygon

from geometry.frame import Frame
from geometry.geojson import mapping_of
from geometry.site import KeepOut, MountingLine, Obstacle, PumpSite, Site, Stretch, TubingLink, Zone
from hydraulics.friction import FRICTION_LAW
from hydraulics.nozzle import NozzleCurve
from hydraulics.water import water_at
from optimizer.design import Design, Link, Node, Nozzle, Pump, Verification, ZoneArea

REACH_M = 3.5
HALL = [(40, 30), (70, 30), (70, 52), (55, 52), (55, 44), (40, 44), (40, 30)]
EAVES = [(40, 29.6), (70.4, 29.6), (70.4, 52.4), (54.6, 52.4), (54.6, 44.4), (39.6, 44.4), (39.6, 29.6), (40, 29.6)]
FENCE = [(0, 60), (0, 0), (118, 0), (124, 40)]
PLANT, SHED, GARDEN, OUTLET, GATE = (71.2, 34.0), (15.0, 52.5), (14.0, 52.0), (70.4, 34.0), (86.0, 0.0)

Place = tuple[float, float]


def example_site(frame: Frame | None = None) -> Site:
    """Six-cornered plot of about 0.9 ha with two buildings, three zones, a pond and a yard."""
    gate, doors = Stretch(88.0, 98.0, "gate"), Stretch(10.0, 14.0, "doors")
    return Site(
        name="example court",
        boundary=Polygon([(0, 0), (118, 0), (124, 40), (110, 78), (30, 82), (0, 60)]),
        zones=(
            Zone("Terrace", Polygon([(34, 14), (80, 14), (80, 62), (34, 62)], [HALL]), 3.0),
            Zone("Long lawn", Polygon([(0.5, 0.5), (117, 0.5), (117, 9), (10, 9), (10, 58), (0.5, 58)]), 1.0),
            Zone("Pergola walk", Polygon([(12, 58), (54, 60), (54, 74), (28, 74)]), 2.0),
        ),
        keep_outs=(
            KeepOut("Pond", Point(98, 52).buffer(9.0), frozenset({"mist"}), 1.0),
            KeepOut("Yard", Polygon([(55, 44), (70, 44), (70, 58), (55, 58)]), frozenset({"mist", "mounting"})),
        ),
        obstacles=(
            Obstacle("Hall", Polygon(HALL), 6.5),
            Obstacle("Stable", Polygon([(88, 12), (104, 14), (103, 24), (87, 22)]), 4.0),
        ),
        lines=(
            MountingLine("fence", LineString(FENCE), (0.0,) * 4, 2.4, ("in",), no_nozzles=(gate,)),
            MountingLine("eaves", LineString(EAVES), (0.0,) * 8, 3.2, ("out",), no_nozzles=(doors,)),
            MountingLine("pergola", LineString([(14, 66), (30, 70), (52, 70)]), (0.0,) * 3, 2.8, ("right",)),
        ),
        links=(
            TubingLink("crossing", LineString([OUTLET, (80, 34), GATE]), (0.0,) * 3, "paving", None, 40.0),
            TubingLink("trench", LineString([(0, 52), GARDEN, (14, 66)]), (0.0,) * 3, "lawn"),
            TubingLink("hall link", LineString([(39.6, 40), (14, 40), GARDEN]), (0.0,) * 3, "lawn"),
        ),
        pump_sites=(
            PumpSite("plant room", *PLANT),
            PumpSite("gate house", 119.0, 6.0, missing=(("power", 900.0),)),
            PumpSite("shed", *SHED, missing=(("water", 700.0), ("pad", 250.0))),
        ),
        frame=frame,
    )


def example_design(site: Site, spacing_m: float = 5.0, *, verified: bool = True) -> Design:
    """Two pumps, nozzles every `spacing_m`; the link before each trunk stands for the pump's fixed losses."""
    works = _Works(site)
    works.manifold("A", "P1", PLANT)
    works.tube("A", "A-T", "6 mm", PLANT, OUTLET)
    works.row("A", "A-R1", "5 mm", "eaves", OUTLET, np.arange(36.8, 53.2, spacing_m))
    works.row("A", "A-R2", "3 mm", "eaves", OUTLET, np.arange(34.0, 14.5, -spacing_m))
    works.tube("A", "A-R3", "6 mm", OUTLET, GATE, via="crossing")
    works.row("A", "A-R3", "5 mm", "fence", GATE, np.arange(145.0, 100.0, -spacing_m))
    works.row("A", "A-R4", "3 mm", "fence", GATE, np.arange(147.0, 212.0, spacing_m))
    works.manifold("B", "P2", SHED)
    works.tube("B", "B-T", "6 mm", SHED, GARDEN)
    works.tube("B", "B-R1", "3 mm", GARDEN, (14.0, 66.0))
    works.row("B", "B-R1", "3 mm", "pergola", (14.0, 66.0), np.arange(1.0, 38.0, spacing_m))
    works.tube("B", "B-R2", "5 mm", GARDEN, (0.0, 52.0))
    works.row("B", "B-R2", "5 mm", "fence", (0.0, 52.0), np.arange(9.5, 86.0, spacing_m))
    return works.design(verified)


@dataclass
class _Works:
    """Collects nodes, links and nozzles tube by tube."""

    site: Site
    nodes: dict[tuple[str, Place], Node] = field(default_factory=dict)
    links: list[Link] = field(default_factory=list)
    nozzles: list[Nozzle] = field(default_factory=list)

    def node(self, circuit: str, place: Place) -> str:
        fresh = Node(f"{circuit}-{len(self.nodes)}", *place, 2.4)
        return self.nodes.setdefault((circuit, place), fresh).id

    def manifold(self, circuit: str, pump: str, place: Place) -> None:
        self.nodes[(pump, place)] = Node(pump, *place, 2.4)
        self._link(circuit, f"{circuit}-T", "manifold", pump, self.node(circuit, place), 1.0)

    def tube(self, circuit: str, run: str, tubing: str, start: Place, end: Place, via: str = "") -> None:
        track = next((link.line for link in self.site.links if link.name == via), LineString([start, end]))
        self._along(circuit, run, tubing, track, track.project(Point(start)), track.project(Point(end)))

    def row(self, circuit: str, run: str, tubing: str, line: str, start: Place, chainages_m: np.ndarray) -> None:
        mounting = next(one for one in self.site.lines if one.name == line)
        at = mounting.line.project(Point(start))
        free = [c for c in chainages_m if not any(s.from_m < c < s.to_m for s in mounting.no_nozzles)]
        for index, chainage in enumerate(free):
            there = self._along(circuit, run, tubing, mounting.line, at, float(chainage))
            self._nozzle(circuit, run, there, mounting, float(chainage), 14.0e5 - 0.02e5 * index)
            at = float(chainage)

    def _along(self, circuit: str, run: str, tubing: str, track: LineString, from_m: float, to_m: float) -> str:
        """Links from vertex to vertex of a track between two chainages; the node at the end."""
        vertices = np.cumsum([0.0, *(math.dist(a, b) for a, b in itertools.pairwise(track.coords))])
        within = [v for v in vertices.tolist() if min(from_m, to_m) + 1e-6 < v < max(from_m, to_m) - 1e-6]
        stops = [from_m, *sorted(within, reverse=from_m > to_m), to_m]
        nodes = [self.node(circuit, tuple(track.interpolate(stop).coords[0])) for stop in stops]
        for (here, there), (a, b) in zip(itertools.pairwise(nodes), itertools.pairwise(stops), strict=True):
            self._link(circuit, run, tubing, here, there, abs(b - a))
        return nodes[-1]

    def _link(self, circuit: str, run: str, tubing: str, here: str, there: str, plan_m: float) -> None:
        bore_m = 0.006 if tubing == "manifold" else float(tubing.split()[0]) / 1000.0
        name = f"{circuit}-L{len(self.links) + 1}"
        self.links.append(Link(name, here, there, circuit, run, tubing, bore_m, 1e-6, 1.05 * plan_m, 0.5))

    def _nozzle(self, circuit: str, run: str, node: str, line: MountingLine, chainage: float, pressure: float) -> None:
        x, y = line.line.interpolate(chainage).coords[0]
        azimuth = _azimuth(line, chainage)
        arc = np.radians(azimuth + np.linspace(-90.0, 90.0, 25))
        ring = [(x, y), *zip(x + REACH_M * np.sin(arc), y + REACH_M * np.cos(arc), strict=True), (x, y)]
        footprint = {"type": "Polygon", "coordinates": [[[float(a), float(b)] for a, b in ring]]}
        name, flow = f"N{len(self.nozzles) + 1:03d}", 8.3e-7 * math.sqrt(pressure / 14.0e5)
        height, tilt = line.height_m, 0.0
        at = (line.name, chainage, height, azimuth, tilt, pressure, flow, footprint)
        self.nozzles.append(Nozzle(name, node, circuit, run, *at))

    def design(self, verified: bool) -> Design:
        pressures = [nozzle.pressure_pa for nozzle in self.nozzles]
        flows = {c: sum(n.flow_m3_s for n in self.nozzles if n.circuit == c) for c in "AB"}
        low = () if verified else ("N001 stands at 11.9 bar", "N002 stands at 11.8 bar")
        return Design(
            schema_version=1,
            scenario=self.site.name,
            option="two_pumps",
            gravity_m_s2=9.80665,
            friction_law=FRICTION_LAW,
            velocity_of_minor_loss="link",
            water=water_at(20.0),
            nozzle=NozzleCurve("fine 30", 6.6e-10, 5.5e5, 0.5),
            pumps=(
                Pump("P1", "unit 9", "plant room", "P1", 14.5e5, 18e5, 1.5e-4, 0.15, ("A",)),
                Pump("P2", "unit 5", "shed", "P2", 14.0e5, 18e5, 0.8e-4, 0.15, ("B",)),
            ),
            nodes=tuple(self.nodes.values()),
            links=tuple(self.links),
            nozzles=tuple(self.nozzles),
            zones=tuple(ZoneArea(z.name, z.weight, mapping_of(z.polygon)) for z in self.site.zones),
            verification=Verification(
                verified, (12e5, 15e5), low, (), (), min(pressures), max(pressures), flows, 1e-13, 1e-12, 1234.5
            ),
        )


def _azimuth(line: MountingLine, chainage: float) -> float:
    here, there = (line.line.interpolate(chainage + step).coords[0] for step in (0.0, 1e-3))
    along = math.degrees(math.atan2(there[0] - here[0], there[1] - here[1]))
    return (along + (90.0 if line.facings[0] in ("right", "out") else -90.0)) % 360.0
