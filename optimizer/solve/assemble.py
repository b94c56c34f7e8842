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
from optimizer.brief import Schedule
from optimizer.design import (
    MANIFOLD,
    SCHEMA_VERSION,
    Design,
    Link,
    Misting,
    Node,
    Nozzle,
    Pump,
    Rated,
    RunRules,
    Verification,
    ZoneArea,
)
from optimizer.drift import basis_of
from optimizer.equipment import Reducer
from optimizer.instance import Instance
from optimizer.pump_type import PumpType
from optimizer.runs.plan import CircuitPlan, PieceUse, RunPlan
from optimizer.runs.problem import PumpChoice, RunProblem

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
        nodes=(*_pump_nodes(made), *_main_nodes(made), *(node for circuit in circuits for node in circuit.nodes())),
        links=(*_main_links(made), *(link for circuit in circuits for link in circuit.links())),
        nozzles=tuple(nozzle for circuit in circuits for nozzle in circuit.nozzles()),
        zones=tuple(ZoneArea(z.name, z.weight, mapping_of(z.polygon)) for z in scenario.site.zones),
        verification=UNCHECKED,
        run_rules=RunRules(
            scenario.rules.run_longest_m, scenario.rules.run_nozzles_most, scenario.rules.circuit_balance
        ),
        mist=basis_of(scenario, made.instance.option),
        misting=tuple(_mistings(made)),
        ratings=tuple(_ratings(made.instance)),
    )


def circuit_schedules(made: Layout) -> dict[str, Schedule]:
    """The schedule of every circuit by its name."""
    schedules = {one.name: one for one in made.instance.scenario.schedules}
    groups = made.instance.candidates.groups
    return {f"C{plan.circuit + 1}": schedules[groups[plan.group]] for plan in made.plan.circuits}


def _mistings(made: Layout) -> Iterator[Misting]:
    """Of every circuit, by the pumps and their circuits; none without a service."""
    if (service := made.instance.scenario.service) is not None:
        schedules = circuit_schedules(made)
        for plan in sorted(made.plan.circuits, key=lambda plan: plan.pump):
            schedule = schedules[circuit := f"C{plan.circuit + 1}"]
            yield Misting(circuit, schedule.name, *service.cycles(schedule))


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
            capacity_m3_s=pump.delivery_at_m3_s(choice.set_pressure_pa),
            reserve=scenario.rules.reserve,
            circuits=tuple(f"C{plan.circuit + 1}" for plan in made.plan.circuits if plan.pump == index),
            delivery=pump.curve,
            bypass_pa=pump.bypass_pa,
            relief_pa=pump.relief_pa,
            efficiency=pump.efficiency,
            power_w=pump.power_at_w(choice.set_pressure_pa),
            motor=pump.motor,
        )


def _ratings(instance: Instance) -> Iterator[Rated]:
    hot = instance.scenario.climate.tubing_temperature_c
    for tube in instance.tubing:
        rating = tube.rating_at_pa(hot)
        if rating is not None:
            yield Rated(tube.name, rating, hot if tube.ratings else None)


def _pump_nodes(made: Layout) -> Iterator[Node]:
    ground = made.problem.layout
    for index in range(len(made.problem.pumps)):
        point = made.problem.pump_point(index)
        yield Node(f"P{index + 1}", float(ground.x_m[point]), float(ground.y_m[point]), float(ground.z_m[point]))


def _main_nodes(made: Layout) -> Iterator[Node]:
    ground = made.problem.layout
    for index, choice in enumerate(made.problem.pumps):
        for point in _main_points(choice):
            x, y, z = ground.x_m[point], ground.y_m[point], ground.z_m[point]
            yield Node(f"P{index + 1}-{point}", float(x), float(y), float(z))


def _main_points(choice: PumpChoice) -> list[int]:
    return [choice.main[0].from_point, *(part.to_point for part in choice.main)] if choice.main else []


def _main_links(made: Layout) -> Iterator[Link]:
    """The manifold and main of each pump whose valves stand in the field, once for all its circuits."""
    for index, choice in enumerate(made.problem.pumps):
        if not choice.main:
            continue
        pump, start = f"P{index + 1}", choice.main[0].from_point
        shared = tuple(f"C{plan.circuit + 1}" for plan in made.plan.circuits if plan.pump == index)
        yield _manifold(choice, pump, pump, f"{pump}-{start}", f"{pump}-M", shared)
        for number, part in enumerate(choice.main, start=1):
            tube = made.problem.tubing[part.tubing]
            yield Link(
                id=f"{pump}-M{number}",
                from_=f"{pump}-{part.from_point}",
                to=f"{pump}-{part.to_point}",
                circuit=shared[0],
                run=f"{pump}-M",
                tubing=tube.name,
                bore_m=tube.bore_m,
                roughness_m=tube.roughness_m,
                length_m=float(made.problem.layout.length_m[part.piece]),
                minor_k=part.minor_k,
                shared=shared,
            )


def _manifold(choice: PumpChoice, name: str, pump: str, to: str, run: str, circuits: tuple[str, ...]) -> Link:
    """What filter, valve and manifold take, as a link; shared where it feeds a main."""
    return Link(
        id=f"{name}-{MANIFOLD}",
        from_=pump,
        to=to,
        circuit=circuits[0],
        run=run,
        tubing=MANIFOLD,
        bore_m=choice.fixed_bore_m,
        roughness_m=choice.fixed_roughness_m,
        length_m=choice.fixed_length_m,
        minor_k=choice.fixed_k,
        shared=circuits if choice.main else (),
    )


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
        return self.made.problem.outlet_point(self.plan.pump)

    @property
    def in_field(self) -> bool:
        """Whether its valve stands at the end of a main."""
        return bool(self.made.problem.pumps[self.plan.pump].main)

    def run(self, run: int) -> str:
        return f"{self.name}-R{run}" if run else f"{self.name}-T"

    def points(self) -> list[int]:
        """Each point once, though a loop leads to it twice."""
        reached = dict.fromkeys(use.to_point for use in self.plan.pieces)
        return [*([] if self.in_field else [self.start]), *(point for point in reached if point != self.start)]

    def node(self, point: int) -> str:
        owner = f"P{self.plan.pump + 1}" if self.in_field and point == self.start else self.name
        return f"{owner}-{point}"

    def nodes(self) -> Iterator[Node]:
        ground = self.made.problem.layout
        for point in self.points():
            x, y, z = ground.x_m[point], ground.y_m[point], ground.z_m[point]
            yield Node(self.node(point), float(x), float(y), float(z))

    def links(self) -> Iterator[Link]:
        pump = self.made.problem.pumps[self.plan.pump]
        if not self.in_field:
            own = self.node(self.start), self.run(0), (self.name,)
            yield _manifold(pump, self.name, f"P{self.plan.pump + 1}", *own)
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
        run_at = {use.to_point: self.run(use.run) for use in reversed(self.plan.pieces)}
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
