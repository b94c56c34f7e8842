"""The corridor graph of small drawings; nodes, lengths and costs derived by hand from the drawing."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.sparse import coo_array
from scipy.sparse.csgraph import dijkstra

from geometry.corridors import Corridors, corridors
from geometry.errors import ArgumentError
from geometry.reached import reached_positions, unreached_lines
from geometry.site import KeepOut, PumpSite, Site, Stretch
from tests.geometry.drawn_sites import box_ring, line, link, site

Edge = tuple[tuple[float, float, float], tuple[float, float, float], float]


def edges(graph: Corridors) -> list[Edge]:
    """Edges as (tail place, head place, length), rounded to millimetres."""
    xyz = np.round(np.column_stack([graph.x_m, graph.y_m, graph.z_m]), 3) + 0.0
    place = [tuple(float(one) for one in row) for row in xyz]
    return [
        (place[a], place[b], round(float(length), 3))  # type: ignore[misc]
        for a, b, length in zip(graph.tail, graph.head, graph.length_m, strict=True)
    ]


def distance(graph: Corridors, start: int, end: int) -> float:
    """Shortest way between two nodes, by scipy's Dijkstra."""
    count = len(graph.x_m)
    shortest: dict[tuple[int, int], float] = {}
    for a, b, length in zip(graph.tail.tolist(), graph.head.tolist(), graph.length_m.tolist(), strict=True):
        shortest[a, b] = min(length, shortest.get((a, b), np.inf))
    ends = np.array(list(shortest), dtype=int).reshape(-1, 2).T
    matrix = coo_array((list(shortest.values()), (ends[0], ends[1])), shape=(count, count))
    return float(dijkstra(matrix.tocsr(), directed=False, indices=start)[end])


def test_a_line_has_a_straight_edge_from_vertex_to_vertex() -> None:
    graph = corridors(site([line("a", [(0, 0), (4, 0), (4, 3), (5, 3.2)])]), 0.10)
    last = np.hypot(1, 0.2)
    assert edges(graph) == [
        ((0, 0, 2), (4, 0, 2), 4.4),
        ((4, 0, 2), (4, 3, 2), 3.3),
        ((4, 3, 2), (5, 3.2, 2), round(1.1 * last, 3)),
    ]
    assert graph.azimuth_deg.tolist() == pytest.approx([90, 0, np.degrees(np.arctan2(1, 0.2))])
    assert graph.from_m.tolist() == [0, 4, 7] and graph.to_m.tolist() == pytest.approx([4, 7, 7 + last])
    assert graph.plan_m.tolist() == pytest.approx([4, 3, last])
    assert (graph.line.tolist(), graph.link.tolist(), graph.ground) == ([0] * 3, [-1] * 3, ("",) * 3)


def test_length_runs_along_the_slope() -> None:
    graph = corridors(site([line("a", [(0, 0, 1), (3, 0, 5), (9, 0, 5)])]), 0.0)
    assert edges(graph) == [((0, 0, 3), (3, 0, 7), 5.0), ((3, 0, 7), (9, 0, 7), 6.0)]
    assert graph.plan_m.tolist() == [3.0, 6.0]


def test_a_crossing_at_different_heights_gets_a_drop() -> None:
    graph = corridors(site([line("a", [(0, 0), (10, 0)], 2.5)], [link("b", [(4, -3), (4, 5)])]), 0.20)
    assert edges(graph) == [
        ((0, 0, 2.5), (4, 0, 2.5), 4.8),
        ((4, 0, 2.5), (10, 0, 2.5), 7.2),
        ((4, -3, 0), (4, 0, 0), 3.6),
        ((4, 0, 0), (4, 5, 0), 6.0),
        ((4, 0, 2.5), (4, 0, 0), 2.5),
    ]
    drop = 4
    assert (graph.line[drop], graph.link[drop], graph.plan_m[drop]) == (-1, -1, 0.0)
    assert np.isnan(graph.azimuth_deg[drop])


def test_lines_at_one_height_share_their_node() -> None:
    graph = corridors(site([line("a", [(0, 0), (10, 0)]), line("b", [(4, 0), (4, 5)])]), 0.0)
    assert edges(graph) == [((0, 0, 2), (4, 0, 2), 4), ((4, 0, 2), (10, 0, 2), 6), ((4, 0, 2), (4, 5, 2), 5)]


@pytest.mark.parametrize(("gap", "joined"), [(0.0, True), (0.3, True), (0.5, True), (0.51, False)])
def test_an_end_joins_what_is_within_half_a_metre_with_its_gap(gap: float, joined: bool) -> None:
    graph = corridors(site([line("a", [(0, 0), (10, 0)]), line("b", [(4, gap), (4, 5)])]), 0.0)
    assert len(graph.tail) == {True: 3 + (gap > 0), False: 2}[joined]
    if joined:
        assert distance(graph, 0, int(np.argmax(graph.y_m))) == pytest.approx(4 + 5)


def test_an_end_drawn_past_the_line_meets_it_once() -> None:
    graph = corridors(site([line("a", [(0, 0), (10, 0)]), line("b", [(4, -0.2), (4, 5)])]), 0.0)
    assert edges(graph) == [
        ((0, 0, 2), (4, 0, 2), 4),
        ((4, 0, 2), (10, 0, 2), 6),
        ((4, -0.2, 2), (4, 0, 2), 0.2),
        ((4, 0, 2), (4, 5, 2), 5),
    ]


def test_three_heights_at_one_place_hang_on_one_drop() -> None:
    lines = [line("a", [(0, 0), (5, 0)], 3.0), line("b", [(5, 0), (9, 0)], 2.0)]
    graph = corridors(site(lines, [link("c", [(5, 0), (5, -4)])]), 0.0)
    drops = edges(graph)[3:]
    assert sorted(length for _, _, length in drops) == [1.0, 2.0]
    assert distance(graph, 0, int(np.argmin(graph.y_m))) == pytest.approx(5 + 3 + 4)


@pytest.mark.parametrize("seam", range(4))
@pytest.mark.parametrize("links", [1, 2])
def test_a_closed_line_gives_two_ways_round(seam: int, links: int) -> None:
    ring = box_ring(0, 0, 8, 4)[:-1]
    ring = [*ring[seam:], *ring[:seam], ring[seam]]
    feeds = [link("f", [(0, 0), (-3, 0)]), link("g", [(8, 4), (12, 4)])][:links]
    graph = corridors(site([line("ring", ring, 0.0)], feeds), 0.0)
    on_ring = graph.line == 0
    assert graph.plan_m[on_ring].sum() == pytest.approx(24)
    assert np.all(graph.tail != graph.head)
    assert np.all(graph.from_m[on_ring] < graph.to_m[on_ring])
    if links == 2:
        west, east = int(np.argmin(graph.x_m)), int(np.argmax(graph.x_m))
        assert distance(graph, west, east) == pytest.approx(3 + 12 + 4)


def test_a_loop_back_to_its_own_start_has_its_vertices_as_nodes() -> None:
    graph = corridors(site([line("a", [(0, 0), (5, 0)], 0.0)], [link("loop", [(5, 0), (9, 0), (9, 3), (5, 0)])]), 0.0)
    assert np.all(graph.tail != graph.head)
    assert graph.plan_m[graph.link == 0].tolist() == pytest.approx([4, 3, 5])


def test_a_free_stretch_has_nodes_at_its_own_bends_only() -> None:
    fence = line("a", [(0, 0), (4, 0), (4, 4), (8, 4)], no_tubing=(Stretch(3, 5, "gate"), Stretch(8, 9, "door")))
    graph = corridors(site([fence]), 0.0)
    assert list(zip(graph.from_m.tolist(), graph.to_m.tolist(), strict=True)) == [(0, 3), (5, 8), (9, 12)]
    assert graph.azimuth_deg.tolist() == pytest.approx([90, 0, 90])


def test_vertices_closer_than_a_junction_are_all_kept() -> None:
    """A link that ends at one of two vertices 4 mm apart: each stretch keeps its own direction and length."""
    graph = corridors(
        site([line("a", [(0, 0), (4, 0), (4, 0.004), (4, 4)], 0.0)], [link("b", [(4, 0.004), (9, 0.004)])]), 0.0
    )
    assert graph.plan_m.tolist() == pytest.approx([4, 0.004, 3.996, 5])
    assert graph.azimuth_deg.tolist() == pytest.approx([90, 0, 0, 90])
    assert graph.tail[3] == graph.head[1]


def test_stretches_without_tubing_and_keep_outs_are_cut_out() -> None:
    yard = KeepOut("yard", shapely.box(6, -1, 7, 1), frozenset(["tubing"]))
    fence = line("a", [(0, 0), (10, 0)], no_tubing=(Stretch(2, 3, "gate"),))
    graph = corridors(site([fence], keep_outs=[yard]), 0.0)
    spans = list(zip(graph.from_m.tolist(), graph.to_m.tolist(), strict=True))
    assert spans == [(0, 2), (3, 6), (7, 10)]


@pytest.mark.parametrize(("forbids", "line_parts", "link_parts"), [("trench", 1, 2), ("tubing", 2, 2), ("mist", 1, 1)])
def test_a_trench_is_forbidden_to_links_only(forbids: str, line_parts: int, link_parts: int) -> None:
    keep_out = KeepOut("pond", shapely.box(4, -9, 5, 9), frozenset([forbids]))
    graph = corridors(site([line("a", [(0, 0), (9, 0)])], [link("b", [(0, 3), (9, 3)])], keep_outs=[keep_out]), 0.0)
    assert (np.count_nonzero(graph.line == 0), np.count_nonzero(graph.link == 0)) == (line_parts, link_parts)


def test_a_link_that_meets_a_line_where_no_tubing_may_lie_does_not_join_it() -> None:
    fence = line("a", [(0, 0), (10, 0)], no_tubing=(Stretch(3, 5, "gate"),))
    graph = corridors(site([fence], [link("b", [(4, 0), (4, 6)])]), 0.0)
    assert len(graph.tail) == 3


def test_costs_of_links() -> None:
    crossed = link("b", [(4, -2), (4, 6)], ground="paving", unit_cost=30.0, sleeve_cost=80.0)
    graph = corridors(site([line("a", [(0, 0), (10, 0)])], [crossed, link("c", [(0, 0), (0, 3)])]), 0.5)
    on = graph.link == 0
    assert graph.unit_cost[on].tolist() == [30.0, 30.0]
    assert graph.sleeve_cost[on].tolist() == pytest.approx([20.0, 60.0])
    assert np.isnan(graph.unit_cost[graph.link == 1]).all() and np.isnan(graph.unit_cost[graph.line == 0]).all()
    assert [graph.ground[e] for e in np.flatnonzero(on)] == ["paving", "paving"]


def test_pump_sites_join_the_nearest_way_within_a_metre() -> None:
    pumps = [PumpSite("near", 3.0, 0.6, 0.5), PumpSite("far", 5.0, 1.2), PumpSite("on", 10.0, 0.0, 2.0)]
    graph = corridors(site([line("a", [(0, 0), (10, 0)])], pump_sites=pumps), 0.0)
    joint = int(np.flatnonzero(graph.line < 0)[0])
    assert {graph.tail[joint], graph.head[joint]} >= {graph.site_node[0]}
    assert graph.length_m[joint] == pytest.approx(np.hypot(0.6, 1.5))
    assert graph.site_node[1] not in [*graph.tail, *graph.head]
    assert graph.site_node[2] in graph.head[graph.line == 0]


def reach_site() -> Site:
    lines = [
        line("near", [(0, 0), (10, 0)], no_tubing=(Stretch(6, 7, "gate"),)),
        line("beyond", [(0, 20), (10, 20)]),
        line("alone", [(0, 40), (10, 40)]),
    ]
    return site(lines, [link("b", [(2, 0), (2, 20)])], pump_sites=[PumpSite("p", 0, 0), PumpSite("q", 10, 0)])


def test_lines_that_no_pump_site_reaches_are_named() -> None:
    here = reach_site()
    assert unreached_lines(here, corridors(here, 0.0)) == ("alone",)


def test_positions_are_reached_by_the_pump_sites_asked_for() -> None:
    graph = corridors(reach_site(), 0.0)
    which, at = np.array([0, 0, 0, 1, 2]), np.array([1.0, 6.5, 9.0, 5.0, 5.0])
    assert reached_positions(graph, which, at).tolist() == [True, False, True, True, False]
    assert reached_positions(graph, which, at, [0]).tolist() == [True, False, False, True, False]
    assert reached_positions(graph, which, at, [1]).tolist() == [False, False, True, False, False]
    assert reached_positions(graph, which, at, []).tolist() == [False] * 5


@pytest.mark.parametrize("share", [-0.1, float("nan"), float("inf")])
def test_an_allowance_of_no_share_is_named(share: float) -> None:
    with pytest.raises(ArgumentError, match="routing_allowance"):
        corridors(site([line("a", [(0, 0), (1, 0)])]), share)


def test_a_site_without_ways_has_its_pump_sites_only() -> None:
    graph = corridors(site(pump_sites=[PumpSite("p", 1, 2, 3)]), 0.0)
    assert (graph.x_m.tolist(), graph.tail.tolist(), graph.site_node.tolist()) == ([1.0], [], [0])


@settings(max_examples=40, deadline=None)
@given(cut=st.floats(0.2, 7.8), bend=st.floats(-2, 2), turn=st.floats(0, 360), seed=st.integers(0, 5))
def test_turning_splitting_and_reordering_change_no_distance(cut: float, bend: float, turn: float, seed: int) -> None:
    """Metamorphic: shortest ways from the pump site to the far ends stay, whatever the drawing's order or turn."""
    drawn = {
        "fence": [(0, 0), (8, 0), (12, bend)],
        "row": [(4, 6), (4, 12)],
        "path": [(4, 0), (4, 6)],
    }
    plain = far_ends(drawn, 0.0, ["fence", "row", "path"])
    split = {**drawn, "fence": [(0, 0), (cut, 0), (8, 0), (12, bend)]}
    order = [list(drawn)[k] for k in np.random.default_rng(seed).permutation(3)]
    np.testing.assert_allclose(far_ends(split, turn, order), plain, rtol=1e-9)


def far_ends(drawn: dict[str, list[tuple[float, float]]], turn_deg: float, order: list[str]) -> list[float]:
    angle = np.radians(turn_deg)
    matrix = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    turned = {name: np.array(points, dtype=float) @ matrix.T for name, points in drawn.items()}
    lines = [line(name, turned[name].tolist()) for name in order if name != "path"]
    graph = corridors(site(lines, [link("path", turned["path"].tolist())], pump_sites=[PumpSite("p", 0, 0, 2)]), 0.1)
    xy = np.column_stack([graph.x_m, graph.y_m])
    ends = [np.argmin(np.hypot(*(xy - turned[name][-1]).T)) for name in ("fence", "row")]
    return [distance(graph, int(graph.site_node[0]), int(end)) for end in ends]


@st.composite
def grid_segments(draw: st.DrawFn) -> list[tuple[tuple[int, int], tuple[int, int]]]:
    """Up to eight upright or level segments on whole metres."""
    found = []
    for _ in range(draw(st.integers(1, 8))):
        x, y, length = draw(st.integers(0, 9)), draw(st.integers(0, 9)), draw(st.integers(1, 6))
        found.append(((x, y), (x + length, y) if draw(st.booleans()) else (x, y + length)))
    return found


@settings(max_examples=100, deadline=None)
@given(segments=grid_segments(), allowance=st.sampled_from([0.0, 0.25]))
def test_what_touches_is_connected_and_no_metre_is_lost(
    segments: list[tuple[tuple[int, int], tuple[int, int]]], allowance: float
) -> None:
    """Independent: level and upright segments touch where their whole-number boxes do; union by plain loops."""
    graph = corridors(site([line(f"l{k}", segment, 0.0) for k, segment in enumerate(segments)]), allowance)
    for k, ((x0, y0), (x1, y1)) in enumerate(segments):
        assert graph.plan_m[graph.line == k].sum() == pytest.approx(x1 - x0 + y1 - y0)
    assert graph.length_m.sum() == pytest.approx((1 + allowance) * graph.plan_m.sum())
    part = list(range(len(segments)))
    for i, (a, b) in enumerate(segments):
        for j, (c, d) in enumerate(segments):
            if max(a[0], c[0]) <= min(b[0], d[0]) and max(a[1], c[1]) <= min(b[1], d[1]):
                part = [min(part[i], part[j]) if p in (part[i], part[j]) else p for p in part]
    for i, (a, _) in enumerate(segments):
        for j, (c, _) in enumerate(segments):
            places = [np.flatnonzero((graph.x_m == q[0]) & (graph.y_m == q[1]))[0] for q in (a, c)]
            assert np.isfinite(distance(graph, *map(int, places))) == (part[i] == part[j])
