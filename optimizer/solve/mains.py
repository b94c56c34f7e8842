"""Mains: the trunk that the circuits of a pump unit share where their valves stand in the field.

A main runs along corridor edges, whatever nozzles cut them, in one tubing size; the valve box stands at its end.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from itertools import pairwise

from geometry.corridors import Corridors
from optimizer.equipment import Equipment
from optimizer.runs.layout import Layout
from optimizer.runs.problem import LossFactors, MainPiece, PumpChoice, RunProblem
from optimizer.runs.segments import TURN_DEG, turn_deg


@dataclass(frozen=True)
class Main:
    """Corridor edges from a pump's site to its valve box, and the index of their tubing among the sizes on offer."""

    edges: tuple[int, ...]
    tubing: int


def box_node(graph: Corridors, site: int, main: Main) -> int:
    """Corridor node of the valve box."""
    return [int(graph.site_node[site]), *(end for _, end in _steps(graph, site, main))][-1]


def with_main(choice: PumpChoice, main: Main | None, graph: Corridors, ground: Layout, k: LossFactors) -> PumpChoice:
    """The pump unit with its main laid on the pieces of a layout; its last fitting branches off to the valves."""
    if main is None:
        return choice
    pieces = list(_pieces(graph, choice.site, main, ground))
    fittings = [k.entrance]
    for (before, start), (after, then) in pairwise(pieces):
        turn = turn_deg(_heading_deg(ground, before, start), _heading_deg(ground, after, then))
        fittings.append(k.elbow if turn > TURN_DEG else 0.0)
    fittings[-1] += k.tee_branch
    laid = tuple(
        MainPiece(piece, start, _other(ground, piece, start), main.tubing, own)
        for (piece, start), own in zip(pieces, fittings, strict=True)
    )
    return replace(choice, root=laid[-1].to_point, main=laid)


def main_of(problem: RunProblem, pump: int) -> Main | None:
    """The main of a pump unit in a run problem."""
    laid, edge = problem.pumps[pump].main, problem.layout.edge
    edges = tuple(dict.fromkeys(int(edge[part.piece]) for part in laid))
    return Main(edges, laid[0].tubing) if laid else None


def mains_cost(problem: RunProblem, sold: Equipment) -> float:
    """What mains cost beside the run plan: tubing, wire and boxes; ground work once a piece, whoever else uses it."""
    laid = [part for choice in problem.pumps for part in choice.main]
    wire = sold.wire_per_m or 0.0
    metres = problem.layout.length_m
    dug = sum(float(problem.layout.trench_cost[piece]) for piece in {part.piece for part in laid})
    tubes = sum(float(metres[part.piece]) * (problem.tubing[part.tubing].cost_per_m + wire) for part in laid)
    boxes = sum(box_price(sold, circuits) for circuits in _circuits_in_field(problem))
    return dug + tubes + boxes


def box_price(sold: Equipment, circuits: int) -> float:
    """Price of the boxes for the valves of so many circuits."""
    return 0.0 if sold.valve_box is None else -(-circuits // sold.valve_box.valves) * sold.valve_box.price


def _circuits_in_field(problem: RunProblem) -> Iterator[int]:
    for pump, choice in enumerate(problem.pumps):
        if choice.main:
            yield sum(circuit.pump == pump for circuit in problem.circuits)


def _steps(graph: Corridors, site: int, main: Main) -> Iterator[tuple[int, int]]:
    """Start and end of each edge, in the direction of flow."""
    at = int(graph.site_node[site])
    for edge in main.edges:
        ends = int(graph.tail[edge]), int(graph.head[edge])
        start, at = (ends[0], ends[1]) if ends[0] == at else (ends[1], ends[0])
        yield start, at


def _pieces(graph: Corridors, site: int, main: Main, ground: Layout) -> Iterator[tuple[int, int]]:
    """Pieces of the main in the direction of flow, each with the point at its start."""
    for edge, (start, end) in zip(main.edges, _steps(graph, site, main), strict=True):
        left = {i for i in range(ground.pieces) if int(ground.edge[i]) == edge}
        at = start
        while at != end:
            piece = next(i for i in sorted(left) if at in (int(ground.tail[i]), int(ground.head[i])))
            left.remove(piece)
            yield piece, at
            at = _other(ground, piece, at)


def _other(ground: Layout, piece: int, point: int) -> int:
    ends = int(ground.tail[piece]), int(ground.head[piece])
    return ends[1] if ends[0] == point else ends[0]


def _heading_deg(ground: Layout, piece: int, start: int) -> float:
    return float(ground.azimuth_deg[piece]) + (0.0 if int(ground.tail[piece]) == start else 180.0)


def boxes_of(graph: Corridors, sites: Iterable[int], mains: Iterable[Main | None]) -> tuple[int, ...]:
    """Corridor nodes of all valve boxes."""
    pairs = zip(sites, mains, strict=True)
    return tuple(sorted({box_node(graph, site, main) for site, main in pairs if main is not None}))
