"""A circuit's tubing made as narrow as the full calculation lets it be, stretch by stretch."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from hydraulics.errors import HydraulicsError
from hydraulics.network_loop import LoopNetwork
from hydraulics.steady import solve_network
from hydraulics.steady_loop import LoopState
from optimizer.design import Pump
from optimizer.progress import Stop
from optimizer.runs.plan import CircuitPlan, PieceUse
from optimizer.solve.assemble import Layout, assemble
from optimizer.solve.held import held
from optimizer.solve.priced import priced
from optimizer.solve.trial import Trial
from optimizer.verify import BAND_TOLERANCE, settled, solved_circuit, supply_of

LEAST_SAVING = 1e-6  # relative, of the price


def circuit_name(made: Layout, circuit: int) -> str:
    """The name in the design of a circuit of the plan."""
    return f"C{made.plan.circuits[circuit].circuit + 1}"


def sizes_in_use(made: Layout) -> list[int]:
    """The sizes in use, narrowest first."""
    used = {use.tubing for circuit in made.plan.circuits for use in circuit.pieces}
    used |= {part.tubing for choice in made.problem.pumps for part in choice.main}
    return sorted(used, key=lambda size: (made.problem.tubing[size].bore_m, size))


def with_pieces(made: Layout, circuit: int, pieces: Sequence[PieceUse]) -> Layout:
    """The layout with other tubing of one circuit, and what that costs."""
    circuits = list(made.plan.circuits)
    circuits[circuit] = replace(circuits[circuit], pieces=tuple(pieces))
    before, after = (_costs(made, some) for some in (made.plan.circuits, circuits))
    plan = replace(
        made.plan,
        circuits=tuple(circuits),
        tubing_cost=made.plan.tubing_cost + after[0] - before[0],
        trench_cost=made.plan.trench_cost + after[1] - before[1],
    )
    return replace(made, plan=plan)


def _costs(made: Layout, circuits: Sequence[CircuitPlan]) -> tuple[float, float]:
    """Tubing of circuits, and the ground work for it besides that of mains."""
    ground, uses = made.problem.layout, [use for circuit in circuits for use in circuit.pieces]
    dug = {use.piece for use in uses} - {part.piece for choice in made.problem.pumps for part in choice.main}
    tubing = sum(made.problem.tubing[use.tubing].cost_per_m * float(ground.length_m[use.piece]) for use in uses)
    return tubing, float(ground.trench_cost[sorted(dug)].sum())


def reduced_circuits(made: Layout) -> set[str]:
    """The names of the circuits that have pressure reducers."""
    return {one.link.split("-")[0] for one in made.reducers}


def slimmed(trial: Trial, stop: Stop) -> Trial:
    """A verified trial with the tubing of each circuit as narrow as the full calculation allows, where that costs less.

    The run split sizes tubing by a head budget at reckoned flows; real flows may leave some of it to spare. Circuits
    with pressure reducers stay as they are.
    """
    if not held(trial).verification.verified:
        return trial
    reduced = reduced_circuits(trial.layout)
    for circuit in range(len(trial.layout.plan.circuits)):
        if circuit_name(trial.layout, circuit) not in reduced:
            trial = cheaper(trial, narrowed(trial.layout, circuit, (), stop)) or trial
    return trial


def cheaper(trial: Trial, made: Layout | None) -> Trial | None:
    """A layout as a trial, where it verifies and its price is below that of another trial."""
    if made is None:
        return None
    found = Trial(made, settled(assemble(made), trial.design.verification.band_pa), trial.mended)
    saves = priced(made, found.design).price < priced(trial.layout, trial.design).price * (1 - LEAST_SAVING)
    return found if saves and held(found).verification.verified else None


def narrowed(made: Layout, circuit: int, joints: Sequence[int], stop: Stop) -> Layout | None:
    """The layout with the circuit's stretches as narrow as the band lets them be, dearest first, each tube in the
    direction of its flow, as far as that came before a stop; None where the band is not kept to begin with."""
    name, pieces = circuit_name(made, circuit), list(made.plan.circuits[circuit].pieces)
    check = _Check.of(made, name)
    state = check.state(made, pieces)
    if state is None:
        return None
    sizes, failed = sizes_in_use(made), set[int]()
    stretches = _stretches(made, circuit, joints)
    while True:
        steps = sorted((-saved, number, narrower) for number, stretch in enumerate(stretches) if number not in failed
                       for saved, narrower in _step(made, pieces, stretch, sizes))
        if not steps or stop():
            return with_pieces(made, circuit, _turned(pieces, state.link_flow_m3_s[check.links].tolist()))
        _, number, narrower = steps[0]
        tried = list(pieces)
        for i in stretches[number]:
            tried[i] = replace(tried[i], tubing=narrower)
        found = check.state(made, tried)
        if found is None:
            failed.add(number)  # narrower tubing elsewhere will not help it
        else:
            pieces, state = tried, found


def _step(
    made: Layout, pieces: Sequence[PieceUse], stretch: Sequence[int], sizes: Sequence[int]
) -> Iterator[tuple[float, int]]:
    """What the next narrower size saves along a stretch, where it saves anything."""
    tubing, at = made.problem.tubing, sizes.index(pieces[stretch[0]].tubing)
    if at:
        length = sum(float(made.problem.layout.length_m[pieces[i].piece]) for i in stretch)
        saved = length * (tubing[sizes[at]].cost_per_m - tubing[sizes[at - 1]].cost_per_m)
        if saved > 0:
            yield saved, sizes[at - 1]


def _stretches(made: Layout, circuit: int, joints: Sequence[int]) -> list[list[int]]:
    """The circuit's pieces (by index) from one tee that parts or joins tubing, or change of size, to the next."""
    plan = made.plan.circuits[circuit]
    touching: dict[int, list[int]] = defaultdict(list)
    for i, use in enumerate(plan.pieces):
        touching[use.from_point].append(i)
        touching[use.to_point].append(i)
    whole = {made.problem.outlet_point(plan.pump), *joints}
    label = list(range(len(plan.pieces)))
    for point, ends in touching.items():
        alike = len({plan.pieces[i].tubing for i in ends}) == 1
        if len(ends) == 2 and alike and point not in whole:
            old, new = label[ends[1]], label[ends[0]]
            label = [new if one == old else one for one in label]
    groups: dict[int, list[int]] = defaultdict(list)
    for i, one in enumerate(label):
        groups[one].append(i)
    return list(groups.values())


def _turned(pieces: Sequence[PieceUse], flows_m3_s: Sequence[float]) -> list[PieceUse]:
    """Each tube in the direction of its flow."""
    return [replace(use, from_point=use.to_point, to_point=use.from_point) if flow < 0 else use
            for use, flow in zip(pieces, flows_m3_s, strict=True)]


@dataclass(frozen=True)
class _Check:
    """One circuit, ready to be solved with other sizes: links are the indices of its pieces' links in the network."""

    pump: Pump
    net: LoopNetwork
    links: list[int]
    band_pa: tuple[float, float]

    @classmethod
    def of(cls, made: Layout, name: str) -> _Check:
        design, rules = assemble(made), made.instance.scenario.rules
        pump = next(pump for pump in design.pumps if name in pump.circuits)
        net, _ = solved_circuit(design, pump, name)
        at = {link: i for i, link in enumerate(net.link_ids)}
        count = sum(link.startswith(f"{name}-L") for link in net.link_ids)
        links = [at[f"{name}-L{number}"] for number in range(1, count + 1)]
        return cls(pump, net, links, (rules.band_low_pa, rules.band_high_pa))

    def state(self, made: Layout, pieces: Sequence[PieceUse]) -> LoopState | None:
        """The state with these sizes; None where it breaks the band or asks too much of the pump."""
        bore, roughness = self.net.bore_m.copy(), self.net.roughness_m.copy()
        bore[self.links] = [made.problem.tubing[use.tubing].bore_m for use in pieces]
        roughness[self.links] = [made.problem.tubing[use.tubing].roughness_m for use in pieces]
        net = replace(self.net, bore_m=bore, roughness_m=roughness)
        try:
            state = solve_network(net, [supply_of(self.pump)], made.problem.water)
        except HydraulicsError:
            return None
        pressure = state.pressure_pa[net.nozzle_k > 0]
        low, high = self.band_pa
        within = np.all(pressure >= low * (1 - BAND_TOLERANCE)) and np.all(pressure <= high * (1 + BAND_TOLERANCE))
        holds = state.pressure_pa[net.supply[0]] >= self.pump.set_pressure_pa * (1 - BAND_TOLERANCE)
        usable = (1.0 - self.pump.reserve) * self.pump.capacity_m3_s * (1 + BAND_TOLERANCE)
        return state if within and holds and state.supply_flow_m3_s[0] <= usable else None
