"""Rules on the runs of a design, checked from the design alone: lengths and counts by its links, loads by real flows.

A run is a branch of a circuit from its first branching on, the whole circuit where it does not branch; the trunk before
that branching counts as a run of its own for the nozzles on it. Metres of tubing count from the pump's outlet, or from
the valve of the circuit where a main leads to it.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from hydraulics.units import show_both
from optimizer.design import MANIFOLD, Design, Link, Pump

TOLERANCE = 1e-9  # relative, so that a run exactly as long as the rule allows keeps it


@dataclass(frozen=True)
class Run:
    """One run: nozzles on it, and metres of tubing from where the circuit starts to its furthest end."""

    circuit: str
    name: str
    nozzles: int
    length_m: float
    end: str


def runs(design: Design) -> tuple[Run, ...]:
    """The runs of every circuit, as branches of its tree, the trunk first; named as their links name them."""
    return tuple(run for pump in design.pumps for circuit in pump.circuits for run in _runs(design, pump, circuit))


def run_faults(design: Design, flow_m3_s: Mapping[str, float]) -> tuple[str, ...]:
    """A sentence on each run and circuit that breaks a run rule of the design; flow_m3_s: real flow by circuit."""
    rules = design.run_rules
    found = runs(design) if rules.run_longest_m is not None or rules.run_nozzles_most is not None else ()
    return (
        *(fault for run in found for fault in _faults_of(design, run)),
        *(fault for pump in design.pumps for fault in _balance_faults(design, pump, flow_m3_s)),
    )


def _faults_of(design: Design, run: Run) -> Iterator[str]:
    longest, most = design.run_rules.run_longest_m, design.run_rules.run_nozzles_most
    if longest is not None and run.length_m > longest * (1 + TOLERANCE):
        length, allowed = show_both(run.length_m, "length"), show_both(longest, "length")
        yield f"{run.name}: {length} of tubing to its end at {run.end}, run_longest allows {allowed}"
    if most is not None and run.nozzles > most:
        yield f"{run.name}: {run.nozzles} nozzles, run_nozzles_most allows {most}"


def _balance_faults(design: Design, pump: Pump, flow_m3_s: Mapping[str, float]) -> Iterator[str]:
    share = design.run_rules.circuit_balance
    if share is None or not pump.circuits:
        return
    greatest = max(pump.circuits, key=lambda circuit: flow_m3_s[circuit])
    for circuit in pump.circuits:
        if flow_m3_s[circuit] < (1 - share) * flow_m3_s[greatest] * (1 - TOLERANCE):
            least = f"{100 * (1 - share):g} % of what circuit {greatest} takes"
            yield f"{pump.id}: circuit {circuit} takes less than {least}, the least that circuit_balance allows"


Onward = dict[str, list[tuple[Link, str]]]  # by node: the links that lead on from it, and where to


def _runs(design: Design, pump: Pump, circuit: str) -> Iterator[Run]:
    onward = _onward(design, pump, circuit)
    nozzles = Counter(nozzle.node for nozzle in design.nozzles if nozzle.circuit == circuit)
    start = _start(pump.node, onward)
    trunk, name = [(start, 0.0)], circuit
    for node, metres in trunk:
        if len(onward[node]) == 1:
            ((link, other),) = onward[node]
            trunk.append((other, metres + link.length_m))
            name = link.run
    yield _run(circuit, name, trunk, nozzles)
    end, metres = trunk[-1]
    for link, other in onward[end]:
        branch = [(other, metres + link.length_m)]
        for node, so_far in branch:
            branch.extend((further, so_far + after.length_m) for after, further in onward[node])
        yield _run(circuit, link.run, branch, nozzles)


def _onward(design: Design, pump: Pump, circuit: str) -> Onward:
    """The links of a circuit in the direction of flow, whichever way they are written down."""
    touching: Onward = defaultdict(list)
    for link in design.links:
        if link.carries(circuit):
            touching[link.from_].append((link, link.to))
            touching[link.to].append((link, link.from_))
    onward: Onward = defaultdict(list)
    reached, seen = [pump.node], {pump.node}
    for node in reached:
        onward[node] = [(link, other) for link, other in touching[node] if other not in seen]
        reached.extend(other for _, other in onward[node])
        seen.update(other for _, other in onward[node])
    return onward


def _start(node: str, onward: Onward) -> str:
    """The node where the tubing of a circuit itself begins: behind the unit's manifold and behind its main."""
    for link, other in onward[node]:
        if link.tubing == MANIFOLD or link.shared:
            return _start(other, onward)
    return node


def _run(circuit: str, name: str, reached: list[tuple[str, float]], nozzles: Mapping[str, int]) -> Run:
    end, length = max(reached, key=lambda place: place[1])
    return Run(circuit, name, sum(nozzles.get(node, 0) for node, _ in reached), length, end)
