"""Rules on the runs of a design, checked from the design alone: lengths and counts by its links, loads by real flows.

A run is a branch of a circuit from its first branching on, the whole circuit where it does not branch; the trunk before
that branching counts as a run of its own for the nozzles on it; branches that a loop joins are one run. Metres of
tubing count by the shortest way from the pump's outlet, or from the valve of the circuit where a main leads to it.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from heapq import heappop, heappush

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
    """The runs of every circuit, as its branches, the trunk first; named as their links name them."""
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


Touching = dict[str, list[tuple[Link, str]]]  # by node: its links, and where each leads


def _runs(design: Design, pump: Pump, circuit: str) -> Iterator[Run]:
    start = _start(design, pump, circuit)
    touching = _touching(link for link in design.links if link.carries(circuit) and not _before(link))
    metres = _metres(start, touching)
    nozzles = Counter(nozzle.node for nozzle in design.nozzles if nozzle.circuit == circuit)
    trunk, ways, name = [start], touching[start], circuit
    while len(ways) == 1:
        ((link, node),) = ways
        trunk.append(node)
        ways = [way for way in touching[node] if way[0] is not link]
        name = link.run
    yield _run(circuit, name, trunk, touching, metres, nozzles)
    taken = set(trunk)
    for link, node in ways:
        if node not in taken:  # else a loop joins it with a branch before
            branch = _branch(node, touching, taken)
            taken.update(branch)
            yield _run(circuit, link.run, [trunk[-1], *branch], touching, metres, nozzles - Counter([trunk[-1]]))


def _before(link: Link) -> bool:
    """Whether a link lies before the tubing of a circuit itself: the unit's manifold, or its main."""
    return link.tubing == MANIFOLD or bool(link.shared)


def _start(design: Design, pump: Pump, circuit: str) -> str:
    """The node where the tubing of a circuit itself begins."""
    touching = _touching(link for link in design.links if link.carries(circuit) and _before(link))
    return max(_metres(pump.node, touching).items(), key=lambda place: place[1])[0]


def _touching(links: Iterable[Link]) -> Touching:
    touching: Touching = defaultdict(list)
    for link in links:
        touching[link.from_].append((link, link.to))
        touching[link.to].append((link, link.from_))
    return touching


def _metres(start: str, touching: Touching) -> dict[str, float]:
    """Metres of tubing from a node to every other, by the shortest way."""
    metres: dict[str, float] = {}
    heap = [(0.0, start)]
    while heap:
        so_far, node = heappop(heap)
        if node not in metres:
            metres[node] = so_far
            for link, other in touching[node]:
                heappush(heap, (so_far + link.length_m, other))
    return metres


def _branch(node: str, touching: Touching, taken: set[str]) -> list[str]:
    """The nodes reached from one without passing those taken."""
    reached, seen = [node], {node, *taken}
    for at in reached:
        onward = [other for _, other in touching[at] if other not in seen]
        reached.extend(dict.fromkeys(onward))
        seen.update(onward)
    return reached


def _run(
    circuit: str, name: str, reached: list[str], touching: Touching, metres: dict[str, float], nozzles: Counter[str]
) -> Run:
    """A run of these nodes; the furthest place of a link that closes a loop lies along it, where its two ways meet."""
    within = set(reached)
    ends = [((metres[node] + metres[other] + link.length_m) / 2, max(node, other, key=lambda at: metres[at]))
            for node in reached for link, other in touching[node] if other in within]
    length, end = max(ends, key=lambda place: place[0], default=(metres[reached[0]], reached[0]))
    return Run(circuit, name, sum(nozzles[node] for node in reached), length, end)
