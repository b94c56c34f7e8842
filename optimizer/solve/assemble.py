"""From a placement and its run plan to a design: nodes, links and nozzles with the names that installers read.

Circuits are C1, C2, ...; their runs C1-R1, ... (C1-T the trunk before the first branching); nozzles are numbered in
the order in which the water reaches them.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from geometry.geojson import mapping_of
from hydraulics.fittings import k_of_loss
from hydraulics.friction import FRICTION_LAW, GRAVITY_M_S2
from optimizer.catalogue import PumpType
from optimizer.design import (
    MANIFOLD,
    SCHEMA_VERSION,
    Design,
    Link,
    Node,
    Nozzle,
    Pump,
    RunRules,
    Verification,
    ZoneArea,
)
from optimizer.equipment import Reducer
from optimizer.instance import Instance
from optimizer.runs.plan import CircuitPlan, PieceUse, RunPlan
from optimizer.runs.problem import RunProblem

UNCHECKED = Verification(False, (0.0, 0.0), (), (), (), 0.0, 0.0, {}, 0.0, 0.0, 0.0)


@dataclass(frozen=True)
class ReducerAt:
    """A pressure-reducing fitting at the start of a link, by the link's name in the design, and its outlet pressure."""

    link: str
    reducer: Reducer
    outlet_pa: float


@dataclass(frozen=True)
class Layout:
    """What was chosen: candidates (sorted indices), the type of each pump, the run plan that feeds them, and the
    pressure-reducing fittings in it."""

    instance: Instance
    pumps: tuple[PumpType, ...]
    chosen: tuple[int, ...]
    problem: RunProblem
    plan: RunPlan
    reducers: tuple[ReducerAt, ...] = ()


def assemble(made: Layout) -> Design:
    """The design of a layout, its verification still empty (verify.settled fills it)."""
    scenario = made.instance.scenario
    names = nozzle_names(made.plan)
    circuits = [_Circuit(made, index, names) for index in range(len(made.plan.circuits))]
    return Design(
        schema_version=SCHEMA_VERSION,
        scenario=scenario.name,
        option=made.instance.option.name,
        gravity_m_s2=GRAVITY_M_S2,
        friction_law=FRICTION_LAW,
        velocity_of_minor_loss="link",
        water=made.problem.water,
        nozzle=made.instance.nozzle.curve,
        pumps=tuple(_pumps(made)),
        nodes=(*_pump_nodes(made), *(node for circuit in circuits for node in circuit.nodes())),
        links=tuple(link for circuit in circuits for link in circuit.links()),
        nozzles=tuple(nozzle for circuit in circuits for nozzle in circuit.nozzles()),
        zones=tuple(ZoneArea(z.name, z.weight, mapping_of(z.polygon)) for z in scenario.site.zones),
        verification=UNCHECKED,
        run_rules=RunRules(
            scenario.rules.run_longest_m, scenario.rules.run_nozzles_most, scenario.rules.circuit_balance
        ),
    )


def nozzle_names(plan: RunPlan) -> dict[int, str]:
    """Names of the nozzles, by their index among the chosen."""
    order = [k for circuit in plan.circuits for k in circuit.served]
    width = max(3, len(str(len(order))))
    return {k: f"N{number:0{width}d}" for number, k in enumerate(order, start=1)}


def _pumps(made: Layout) -> Iterator[Pump]:
    scenario = made.instance.scenario
    for index, (choice, pump) in enumerate(zip(made.problem.pumps, made.pumps, strict=True)):
        yield Pump(
            id=f"P{index + 1}",
            type=pump.name,
            site=scenario.site.pump_sites[choice.site].name,
            node=f"P{index + 1}",
            set_pressure_pa=choice.set_pressure_pa,
            limit_pa=pump.limit_pa,
            capacity_m3_s=pump.delivery_m3_s,
            reserve=scenario.rules.reserve,
            circuits=tuple(f"C{plan.circuit + 1}" for plan in made.plan.circuits if plan.pump == index),
        )


def _pump_nodes(made: Layout) -> Iterator[Node]:
    ground = made.problem.layout
    for index in range(len(made.problem.pumps)):
        point = made.problem.pump_point(index)
        yield Node(f"P{index + 1}", float(ground.x_m[point]), float(ground.y_m[point]), float(ground.z_m[point]))


@dataclass(frozen=True)
class _Circuit:
    """One circuit while it is being written down."""

    made: Layout
    index: int
    names: dict[int, str]

    @property
    def plan(self) -> CircuitPlan:
        return self.made.plan.circuits[self.index]

    @property
    def name(self) -> str:
        return f"C{self.plan.circuit + 1}"

    @property
    def start(self) -> int:
        return self.made.problem.pump_point(self.plan.pump)

    def run(self, run: int) -> str:
        return f"{self.name}-R{run}" if run else f"{self.name}-T"

    def points(self) -> list[int]:
        return [self.start, *(use.to_point for use in self.plan.pieces)]

    def node(self, point: int) -> str:
        return f"{self.name}-{point}"

    def nodes(self) -> Iterator[Node]:
        ground = self.made.problem.layout
        for point in self.points():
            x, y, z = ground.x_m[point], ground.y_m[point], ground.z_m[point]
            yield Node(self.node(point), float(x), float(y), float(z))

    def links(self) -> Iterator[Link]:
        pump = self.made.problem.pumps[self.plan.pump]
        yield Link(
            id=f"{self.name}-{MANIFOLD}",
            from_=f"P{self.plan.pump + 1}",
            to=self.node(self.start),
            circuit=self.name,
            run=self.run(0),
            tubing=MANIFOLD,
            bore_m=pump.fixed_bore_m,
            roughness_m=pump.fixed_roughness_m,
            length_m=pump.fixed_length_m,
            minor_k=pump.fixed_k,
        )
        for number, use in enumerate(self.plan.pieces, start=1):
            yield self._link(number, use)

    def _link(self, number: int, use: PieceUse) -> Link:
        tube, name = self.made.problem.tubing[use.tubing], f"{self.name}-L{number}"
        reducer = next((one for one in self.made.reducers if one.link == name), None)
        return Link(
            id=name,
            from_=self.node(use.from_point),
            to=self.node(use.to_point),
            circuit=self.name,
            run=self.run(use.run),
            tubing=tube.name,
            bore_m=tube.bore_m,
            roughness_m=tube.roughness_m,
            length_m=float(self.made.problem.layout.length_m[use.piece]),
            minor_k=use.minor_k,
            reducer_pa=reducer.outlet_pa if reducer else None,
            reducer_k=self._reducer_k(reducer.reducer, tube.bore_m) if reducer else 0.0,
            reducer=reducer.reducer.name if reducer else None,
        )

    def _reducer_k(self, reducer: Reducer, bore_m: float) -> float:
        """The loss of a fully open reducer, counted on the velocity in its tube."""
        density = self.made.problem.water.density_kg_m3
        return k_of_loss(reducer.loss_pa, reducer.loss_flow_m3_s, bore_m, density)

    def nozzles(self) -> Iterator[Nozzle]:
        found, site = self.made.instance.candidates, self.made.instance.scenario.site
        point_of = self.made.problem.layout.nozzle_point
        run_at = {use.to_point: self.run(use.run) for use in self.plan.pieces}
        for k in self.plan.served:
            j, point = self.made.chosen[k], int(point_of[k])
            yield Nozzle(
                id=self.names[k],
                node=self.node(point),
                circuit=self.name,
                run=run_at.get(point, self.run(0)),
                line=site.lines[found.line[j]].name,
                chainage_m=float(found.chainage_m[j]),
                height_m=float(found.height_m[j]),
                azimuth_deg=float(found.azimuth_deg[j]),
                tilt_deg=float(found.tilt_deg[j]),
                pressure_pa=0.0,
                flow_m3_s=0.0,
                footprint=mapping_of(found.polygons[j]),
            )
