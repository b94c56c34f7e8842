"""Corridors cut at nozzles, and the segments between junctions, against lengths and counts by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest

from geometry.corridors import corridors
from geometry.positions import candidate_positions
from optimizer.errors import NoDesign
from optimizer.runs.layout import STUB_M, Layout, layout
from optimizer.runs.segments import contract, fed, turn_deg
from tests.optimizer.drawn_design import example_site
from tests.optimizer.runs_sites import GROUNDS, CorridorArrays, estate, laid_out


def bent() -> CorridorArrays:
    """Pump, a link of 20 m paving to a line of 40 m plan that rises 3 m and bends at 30 and 10 m, drawn against its
    chainage."""
    c = CorridorArrays()
    pump, start, end = c.node(0, 0), c.node(0, 20), c.node(20, 40, 3.0)
    c.edge(pump, start, link=0, ground="paving", sleeve_cost=40.0)
    high, low = c.node(20, 30, 2.25), c.node(0, 30, 0.75)
    c.edge(end, high, line=3, from_m=40.0, to_m=30.0)
    c.edge(high, low, line=3, from_m=30.0, to_m=10.0)
    c.edge(low, start, line=3, from_m=10.0, to_m=0.0)
    c.site_node.append(pump)
    return c


def cut(c: CorridorArrays, chainages: list[float]) -> Layout:
    return layout(c, [3] * len(chainages), chainages, GROUNDS)  # type: ignore[arg-type]


def test_pieces_share_the_edge_by_chainage() -> None:
    found = cut(bent(), [25.0, 15.0])
    whole = math.hypot(20.0, 1.5) * 1.05
    assert found.points == 7 and found.pieces == 6
    # pieces of the middle stretch run as it was drawn: from chainage 30 to 25, 15 and 10
    assert found.length_m[2:5] == pytest.approx([whole / 4, whole / 2, whole / 4])
    assert list(zip(found.tail[2:5], found.head[2:5], strict=True)) == [(3, 5), (5, 6), (6, 4)]
    places = np.column_stack([found.x_m, found.y_m, found.z_m])[found.nozzle_point]
    assert places == pytest.approx(np.array([(15.0, 30.0, 1.875), (5.0, 30.0, 1.125)]))


def test_ground_work_is_paid_on_links_only() -> None:
    found = cut(bent(), [10.0])
    assert found.trench_cost == pytest.approx([20 * 28.0 + 40.0, 0, 0, 0])
    assert found.trench_m == pytest.approx([20.0, 0, 0, 0])


def test_own_unit_cost_beats_the_ground() -> None:
    c = bent()
    c.unit_cost[0] = 3.0
    assert cut(c, []).trench_cost[0] == pytest.approx(20 * 3.0 + 40.0)


def test_a_cut_is_no_turn() -> None:
    found = cut(bent(), [15.0, 25.0])
    assert found.azimuth_deg.tolist() == [0.0, 180.0, 270.0, 270.0, 270.0, 180.0]


def test_a_nozzle_at_a_bend_takes_its_node() -> None:
    found = cut(bent(), [30.0])
    assert found.nozzle_point.tolist() == [3] and found.points == 5


def test_nozzles_stand_where_their_positions_are() -> None:
    """Against geometry's positions, which know the lines and nothing of corridors."""
    site = example_site()
    at = candidate_positions(site, 0.7)
    found = layout(corridors(site, 0.05), at.line.astype(np.int64), at.chainage_m, GROUNDS)
    for axis, expected in ((found.x_m, at.x_m), (found.y_m, at.y_m), (found.z_m, at.z_m)):
        assert axis[found.nozzle_point] == pytest.approx(expected, abs=1e-9)


def test_nozzle_on_a_junction_takes_it_and_a_second_one_hangs_on_a_stub() -> None:
    c = bent()
    c.edge(1, c.node(-20, 20), line=4, from_m=0.0, to_m=20.0)
    found = layout(c, [3, 4, 3, 3], [0.0, 0.0, 15.0, 15.0], GROUNDS)  # type: ignore[arg-type]
    assert len(set(found.nozzle_point.tolist())) == 4
    assert found.nozzle_point[0] == 1
    assert np.flatnonzero(found.edge == -1).size == 2
    assert found.length_m[found.edge == -1].tolist() == [STUB_M, STUB_M]
    assert found.tail[found.edge == -1].tolist() == [1, int(found.nozzle_point[2])]


def test_a_nozzle_on_the_pump_site_hangs_on_a_stub() -> None:
    c = bent()
    c.site_node[0] = 1
    found = cut(c, [0.0])
    assert found.nozzle_point[0] != 1 and found.edge[-1] == -1


def test_a_nozzle_off_all_corridors_is_refused() -> None:
    with pytest.raises(NoDesign, match=r"nozzle at 41.00 m of mounting line 3.*\(rule: no_tubing\)"):
        cut(bent(), [41.0])


def test_a_ground_without_a_price_is_refused() -> None:
    c = bent()
    c.ground[0] = "rock"
    with pytest.raises(NoDesign, match="ground 'rock'"):
        cut(c, [])


def test_segments_hold_every_piece_once_and_end_at_junctions() -> None:
    c, spots = estate(7, across=2, down=2)
    found = laid_out(c, spots)
    segments = contract(found)
    assert sorted(segments.piece) == list(range(found.pieces))
    assert sorted(segments.point) == list(range(found.points))
    degree = np.bincount(np.concatenate([found.tail, found.head]), minlength=found.points)
    for way in segments.ways:
        inner = [segments.point[p] for p in way.points[1:-1]]
        assert all(degree[p] == 2 and p not in found.site_point for p in inner)
        assert len({bool(found.trench_cost[segments.piece[e]] > 0) for e in way.pieces}) == 1
        for a, e, b in zip(way.points, way.pieces, way.points[1:], strict=False):
            ends = {int(found.tail[segments.piece[e]]), int(found.head[segments.piece[e]])}
            assert ends == {segments.point[a], segments.point[b]}
    assert {p for way in segments.ways for p in way.points[1:-1]} == set(range(segments.inside))


def test_a_ring_without_junction_is_broken_once() -> None:
    c = CorridorArrays()
    a, b, d = c.node(0, 0), c.node(6, 0), c.node(0, 8)
    c.edge(a, b, line=0, from_m=0.0, to_m=6.0)
    c.edge(b, d, line=0, from_m=6.0, to_m=16.0)
    c.edge(d, a, line=0, from_m=16.0, to_m=24.0)
    segments = contract(layout(c, [0], [20.0], {}))  # type: ignore[arg-type]
    assert segments.count == 1 and segments.ways[0].start == segments.ways[0].end


def test_fed_counts_pieces_from_either_end() -> None:
    c = bent()
    segments = contract(cut(c, [10.0, 20.0, 30.0]))
    line = next(w for w in segments.ways if len(w.pieces) == 4 and w.forward)
    back = next(w for w in segments.ways if len(w.pieces) == 4 and not w.forward)
    for pattern in ("0000", "1000", "0011", "1011", "1111", "0110"):
        flags = bytearray(len(segments.piece))
        for i, mark in enumerate(pattern):
            flags[line.low + i] = int(mark)
        assert fed(flags, line) == len(pattern) - len(pattern.lstrip("1"))
        assert fed(flags, back) == len(pattern) - len(pattern.rstrip("1"))


def test_turns() -> None:
    assert turn_deg(350.0, 20.0) == pytest.approx(30.0)
    assert turn_deg(90.0, 270.0) == pytest.approx(180.0)
    assert turn_deg(math.nan, 20.0) == 90.0
