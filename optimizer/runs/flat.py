"""A prepared problem as plain arrays: all that the compiled search reads."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from optimizer.runs.distances import Distances
from optimizer.runs.prepared import FLOW_UNIT_M3_S, KNOTS, TABLE_MARGIN, Prepared
from optimizer.runs.segments import STRAIGHT_DEG, TURN_DEG, turn_deg
from optimizer.runs.trees import fitting_k

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bytes = NDArray[np.uint8]
RUIN_MOST = 48  # nozzles known to be near each nozzle


class Flat(NamedTuple):
    """Points P, pieces E, ways W, nozzles K, circuits C, pumps U, sizes D; two prices of pieces (0 with
    trench, 1 without).

    ends: [E, 2]; length_m, rise_pa, trench: [E]; around_from: [P + 1] where the steps of each point begin in
    around_piece, around_point; nozzle: [P]; spot: [K]; way_start, way_end, way_low, way_high: [W];
    out_from: [P + 1] where the ways that start at each point begin in out_way; k_alone, k_tee: [2, E] loss
    factor at the start of a piece inside its segment, walked forward (0) or backward (1), as the only way
    on and as one of several; bend: [W, W] way on from a way's end: 0 straight, 1 elbow if alone, 2 branch.
    k: entrance, elbow, tee run, tee branch. flow: [U, P] flow units; root: [U]; pump, group, room: [C];
    may: [C, K]; cost_per_m, minor_pa: [D]; gradient: [D, knots]; supply: [U, knots] pressure at the outlet
    point; per_unit: knots a flow unit. price: [2, E] and distance, before: [2, P, P] of cheapest ways (before:
    last point before the end); nearest, near_price: [2, K, P] points by distance from each nozzle, with it;
    neighbours: [K, N] nozzles likewise. limits: band low, highest need worth a label (Pa), longest run (m),
    balance (1: any); run_most: nozzles on a run.
    """

    ends: Ints
    length_m: Floats
    rise_pa: Floats
    trench: Floats
    around_from: Ints
    around_piece: Ints
    around_point: Ints
    nozzle: Ints
    spot: Ints
    way_start: Ints
    way_end: Ints
    way_low: Ints
    way_high: Ints
    out_from: Ints
    out_way: Ints
    k_alone: Floats
    k_tee: Floats
    bend: Bytes
    k: Floats
    flow: Ints
    root: Ints
    pump: Ints
    group: Ints
    room: Ints
    may: Bytes
    cost_per_m: Floats
    minor_pa: Floats
    gradient: Floats
    supply: Floats
    per_unit: float
    price: Floats
    distance: Floats
    before: NDArray[np.int32]
    nearest: NDArray[np.int32]
    near_price: Floats
    neighbours: NDArray[np.int32]
    limits: Floats
    run_most: int


def flat(prepared: Prepared, both: tuple[Distances, Distances]) -> Flat:
    """The arrays of a problem. both: cheapest ways with trench and without."""
    problem, segments = prepared.problem, prepared.segments
    ways, circuits = segments.ways, problem.circuits
    spot = np.array(prepared.spot, dtype=np.int64)
    distance = np.stack([d.cost for d in both])
    k = problem.k
    around_from, steps = _listed([list(near) for near in segments.around])
    out_from, out_way = _listed([[(w, w) for w in out] for out in segments.outgoing])
    alone, tee = _factors(prepared)
    near = np.argsort(distance[0][np.ix_(spot, spot)], axis=1, kind="stable")[:, :RUIN_MOST]
    nearest = np.argsort(distance[:, spot, :], axis=2, kind="stable")
    none = problem.nozzles + 1
    return Flat(
        ends=np.array(segments.ends, dtype=np.int64).reshape(-1, 2),
        length_m=np.array(prepared.length_m),
        rise_pa=np.array(prepared.rise_pa),
        trench=np.array(prepared.trench_cost),
        around_from=around_from,
        around_piece=steps[:, 0].copy(),
        around_point=steps[:, 1].copy(),
        nozzle=np.array(prepared.nozzle, dtype=np.int64),
        spot=spot,
        way_start=np.array([w.start for w in ways], dtype=np.int64),
        way_end=np.array([w.end for w in ways], dtype=np.int64),
        way_low=np.array([w.low for w in ways], dtype=np.int64),
        way_high=np.array([w.high for w in ways], dtype=np.int64),
        out_from=out_from,
        out_way=out_way[:, 0].copy(),
        k_alone=alone,
        k_tee=tee,
        bend=_bends(prepared),
        k=np.array([k.entrance, k.elbow, k.tee_run, k.tee_branch]),
        flow=np.array(prepared.flow, dtype=np.int64),
        root=np.array(prepared.root, dtype=np.int64),
        pump=np.array([c.pump for c in circuits], dtype=np.int64),
        group=np.array([c.group for c in circuits], dtype=np.int64),
        room=np.array([c.nozzles_at_most for c in circuits], dtype=np.int64),
        may=np.array(prepared.may_feed, dtype=np.uint8).reshape(len(circuits), problem.nozzles),
        cost_per_m=np.array([s.cost_per_m for s in prepared.sizes]),
        minor_pa=np.array([s.minor_pa for s in prepared.sizes]),
        gradient=np.stack([s.gradient_pa_m for s in prepared.sizes]),
        supply=np.stack([_supply(prepared, pump) for pump in range(len(problem.pumps))]),
        per_unit=prepared.sizes[0].knots_per_unit,
        price=np.array([d.weight for d in both]),
        distance=distance,
        before=np.stack([d.before for d in both]).astype(np.int32),
        nearest=nearest.astype(np.int32),
        near_price=np.take_along_axis(distance[:, spot, :], nearest, axis=2),
        neighbours=near.astype(np.int32),
        limits=np.array([
            problem.band_low_pa,
            max(p.set_pressure_pa for p in problem.pumps),
            problem.longest_run_m,
            1.0 if problem.balance is None else problem.balance,
        ]),
        run_most=none if problem.run_nozzles_most is None else problem.run_nozzles_most,
    )  # fmt: skip


def _listed(rows: list[list[tuple[int, int]]]) -> tuple[Ints, Ints]:
    """Where each row begins, and all rows one after the other."""
    first = np.concatenate([[0], np.cumsum([len(row) for row in rows])]).astype(np.int64)
    return first, np.array([pair for row in rows for pair in row], dtype=np.int64).reshape(-1, 2)


def _factors(prepared: Prepared) -> tuple[Floats, Floats]:
    alone, tee = np.zeros((2, 2, len(prepared.length_m)))
    for way in prepared.segments.ways:
        side = 0 if way.forward else 1
        for i in range(1, len(way.pieces)):
            alone[side, way.pieces[i]] = fitting_k(prepared, 1, way.turns[i])
            tee[side, way.pieces[i]] = fitting_k(prepared, 2, way.turns[i])
    return alone, tee


def _bends(prepared: Prepared) -> Bytes:
    ways = prepared.segments.ways
    bend = np.zeros((len(ways), len(ways)), dtype=np.uint8)
    for a, before in enumerate(ways):
        for b in prepared.segments.outgoing[before.end]:
            turn = turn_deg(before.arrive_deg, ways[b].leave_deg)
            bend[a, b] = (turn > TURN_DEG) + (turn >= STRAIGHT_DEG)
    return bend


def _supply(prepared: Prepared, pump: int) -> Floats:
    """Supply at the knots, its losses raised like those of the tubing."""
    units = np.minimum(np.arange(KNOTS + 2), KNOTS) / prepared.sizes[0].knots_per_unit
    still = float(prepared.problem.supply_pa(pump, 0.0))
    left = prepared.problem.supply_pa(pump, units * FLOW_UNIT_M3_S)
    return np.asarray(still - (still - left) * (1.0 + TABLE_MARGIN))
