"""The plan: true to scale, same bytes, nothing on top of one another, runs told apart, figures as in the
design."""

from __future__ import annotations

import itertools
import math
import re
import xml.etree.ElementTree as ElementTree
from dataclasses import replace

import matplotlib
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from matplotlib.textpath import TextPath
from shapely import LineString, Point, Polygon, affinity, box, union_all

from geometry.drawing_shapes import covered_region
from geometry.geojson import geometry_of
from geometry.site import Site
from optimizer.design import Design, Link
from optimizer.protection import Stated
from optimizer.report import labels, routes, tubes
from optimizer.report.legend import legend_rows, run_rows, size_rows
from optimizer.report.lettering import draw_lettering, number_of, run_name
from optimizer.report.plan import plan_svg
from optimizer.report.sheet import COLUMN_MM, FRAME_MM, SCALES, blank_sheet, own_settings, view_of
from optimizer.report.style import keep_out_hatch, natural, run_styles, tubing_widths_pt, zone_tint
from optimizer.report.works import draw_works, look_of
from tests.optimizer.drawn_design import REACH_M, example_design, example_site

SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture(scope="module")
def site() -> Site:
    return example_site()


@pytest.fixture(scope="module")
def design(site: Site) -> Design:
    return example_design(site)


@pytest.fixture(scope="module")
def drawing(site: Site, design: Design) -> str:
    return plan_svg(design, site, "Example court (invented)", "Two pumps")


def words_of(svg: str) -> list[str]:
    """The words on a drawing: letters are outlines, and the backend writes each text as a comment before
    them."""
    return [found.strip() for found in re.findall(r"<!--(.*?)-->", svg, re.DOTALL)]


# The sheet


def test_the_sheet_is_a3_landscape(drawing: str) -> None:
    """ISO 216: A3 is 420 x 297 mm; SVG counts in points of 1/72 inch."""
    root = ElementTree.fromstring(drawing)
    assert root.tag == f"{SVG}svg"
    width, height = (float(root.attrib[key].removesuffix("pt")) for key in ("width", "height"))
    assert (width * 25.4 / 72, height * 25.4 / 72) == pytest.approx((420.0, 297.0), abs=1e-3)


def test_the_same_design_gives_the_same_bytes_whatever_the_users_settings(
    site: Site, design: Design, drawing: str
) -> None:
    changed = {"font.size": 30.0, "svg.fonttype": "none", "path.simplify": True, "axes.facecolor": "red"}
    with matplotlib.rc_context(changed):
        assert plan_svg(design, site, "Example court (invented)", "Two pumps") == drawing
    assert not re.search(r"<dc:date>|20\d\d-\d\d-\d\d", drawing)


def test_letters_need_no_font_of_the_reader(drawing: str) -> None:
    assert "<text" not in drawing


def test_a_metre_on_site_is_a_thousand_millimetres_over_the_scale_on_paper() -> None:
    view = view_of((0.0, 0.0), (124.0, 82.0))
    assert view.scale == 500  # 124 m in 270 mm need 1:459
    here, there = view.mm([(10.0, 5.0), (13.0, 9.0)])
    assert math.dist(here, there) == pytest.approx(5.0 * 1000 / 500)
    assert view.m(*here) == pytest.approx((10.0, 5.0))


@given(st.floats(0.5, 5000.0), st.floats(0.5, 5000.0))
def test_the_site_fits_at_the_largest_round_scale(width: float, height: float) -> None:
    view = view_of((0.0, 0.0), (width, height))
    low, high = view.mm([(0.0, 0.0), (width, height)])
    assert FRAME_MM[0] < low[0] and FRAME_MM[1] < low[1]
    assert high[0] < COLUMN_MM and high[1] < FRAME_MM[3]
    if view.scale in SCALES[1:]:
        larger = SCALES[SCALES.index(view.scale) - 1]
        assert width * 1000 / larger > 270.0 or height * 1000 / larger > 255.0


def test_a_scale_bar_is_as_long_as_it_says(drawing: str) -> None:
    """At 1:500 a bar of four times 5 m is 40 mm, of four times 25 ft (0.3048 m, NIST SP 811) 60.96 mm."""
    words = words_of(drawing)
    assert {"SCALE 1:500 at A3", "20 m", "100 ft"} <= set(words)
    bars = re.findall(r'<path d="M (\S+) \S+ \nL (\S+) \S+ \nL \S+ \S+ \nL \S+ \S+ \nz', drawing)
    widths_mm = {round((float(right) - float(left)) * 25.4 / 72, 2) for left, right in bars}
    assert {10.0, 15.24} <= widths_mm


# What the sheet says


def test_the_sheet_names_everything_that_stands_on_it(drawing: str, design: Design) -> None:
    words = words_of(drawing)
    expected = {"Terrace · 3", "Long lawn · 1", "Pergola walk · 2", "Pond", "Yard", "Hall, 6.5 m", "Stable, 4.0 m"}
    expected |= {"P1 · plant room", "P2 · shed", "gate house (not used)", "N", "CAUTIONS", "VERIFIED"}
    expected |= {"Example court (invented)", "Two pumps"}
    expected |= {str(number) for number in range(1, len(design.nozzles) + 1)}
    assert expected <= set(words)


def test_pressures_stand_in_bar_and_psi(drawing: str) -> None:
    """1 psi = 6894.757 Pa (NIST SP 811): 12 bar are 174.0 psi, 15 bar 217.6, 14.5 bar 210.3, 14 bar 203.1."""
    words = words_of(drawing)
    assert "12.00–15.00 bar (174–218 psi)" in words
    assert "P1 14.50 bar (210 psi), P2 14.00 bar (203 psi)" in words


def test_an_unverified_design_says_so_in_red(site: Site, drawing: str) -> None:
    unproven = plan_svg(example_design(site, verified=False), site, "Example court (invented)", "Two pumps")
    assert words_of(unproven).count("UNVERIFIED") == 2 and "VERIFIED" not in words_of(unproven)
    assert "Do not build. Faults: 2 too low" in words_of(unproven)
    assert "#b3141b" in unproven and "#b3141b" not in drawing


def test_names_are_drawn_as_they_are(site: Site, design: Design) -> None:
    """Neither mathematics nor markup: dollar signs, backslashes and angle brackets are letters."""
    title = r"A $5_0$ <b>&$\no{math}$"
    svg = plan_svg(design, site, title, "")
    ElementTree.fromstring(svg)
    assert any(r"$\no{math}$" in words for words in words_of(svg))


def test_the_tables_add_up_to_the_design(design: Design) -> None:
    """Nozzles and metres by run and by size are the design's; fixed losses at the pump are no tubing."""
    look = look_of(design)
    runs = [[words for _, words in row.words] for row in run_rows(design, look) if not row.heading]
    sizes = [[words for _, words in row.words] for row in size_rows(design, look) if not row.heading]
    metres = sum(link.length_m for link in design.links if link.tubing != "manifold")
    assert sum(int(words[1]) for words in runs) == len(design.nozzles)
    assert sum(float(words[2].split()[0]) for words in runs) == pytest.approx(metres, abs=0.05 * len(runs))
    assert sum(float(words[2].split()[0]) for words in sizes) == pytest.approx(metres, abs=0.05 * len(sizes))
    assert [words[0] for words in sizes] == ["3 mm", "5 mm", "6 mm"]


# The covered area


def test_the_covered_region_is_the_union_within_the_zones() -> None:
    """Closed form: two unit squares that overlap by half, in a zone that ends in the middle of the second."""
    squares = [box(0, 0, 1, 1), box(0.5, 0, 1.5, 1)]
    zones = [box(-1, -1, 1.25, 0.5), box(-1, 0.25, 1.25, 2)]
    region = covered_region(*([shape.__geo_interface__ for shape in shapes] for shapes in (squares, zones)))
    assert region["type"] == "MultiPolygon"
    assert geometry_of(region).area == pytest.approx(1.25)


def test_a_region_that_covers_nothing_is_empty() -> None:
    far = [box(5, 5, 6, 6).__geo_interface__]
    assert covered_region(far, [box(0, 0, 1, 1).__geo_interface__]) == {"type": "MultiPolygon", "coordinates": []}
    touching = covered_region([box(1, 0, 2, 1).__geo_interface__], [box(0, 0, 1, 1).__geo_interface__])
    assert touching["coordinates"] == []


# Telling apart


def test_the_first_thirty_runs_all_look_different() -> None:
    styles = run_styles(("C1", f"R{number}") for number in range(30))
    assert len(set(styles.values())) == 30
    ordered = list(styles.values())
    for one, other in itertools.pairwise(ordered):
        assert one.colour != other.colour and one.dash != other.dash


# Machado, Oliveira and Fernandes (2009), IEEE TVCG 15(6), full severity, on linear RGB; from memory, each row sums to 1
VISION = {
    "normal": np.eye(3),
    "protanopia": [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]],
    "deuteranopia": [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]],
    "tritanopia": [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]],
}


@pytest.mark.parametrize("vision", VISION)
def test_the_colours_of_runs_differ_under_colour_blindness(vision: str) -> None:
    """CIE 1976 colour difference, sRGB and D65 as in IEC 61966-2-1 (memory); 10 is far above the just
    visible 2.3."""
    colours = [style.colour for style in run_styles(("C", str(number)) for number in range(6)).values()]
    seen = [_lab(colour, np.array(VISION[vision])) for colour in colours]
    for index, one in enumerate(seen):
        for other in seen[:index]:
            assert math.dist(one, other) > 10.0


def _lab(colour: str, vision: np.ndarray) -> np.ndarray:
    encoded = np.array([int(colour[k : k + 2], 16) for k in (1, 3, 5)]) / 255.0
    linear = np.where(encoded <= 0.04045, encoded / 12.92, ((encoded + 0.055) / 1.055) ** 2.4)
    to_xyz = [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]
    ratio = np.array(to_xyz) @ np.clip(vision @ linear, 0.0, 1.0) / (0.9505, 1.0, 1.0890)
    x, y, z = np.where(ratio > (6 / 29) ** 3, np.cbrt(ratio), ratio * 841 / 108 + 4 / 29)
    return np.array([116 * y - 16, 500 * (x - y), 200 * (y - z)])


def test_a_wider_bore_is_a_wider_line() -> None:
    for count in (1, 2, 4, 7):
        widths = tubing_widths_pt({f"size {k}": 0.003 + 0.001 * k for k in range(count)})
        assert list(widths) == [f"size {k}" for k in range(count)]
        assert np.all(np.diff(list(widths.values())) > 0.3)


def test_zones_and_keep_outs_are_told_apart() -> None:
    tints = [zone_tint(weight, (1.0, 2.0, 5.0)) for weight in (1.0, 2.0, 5.0)]
    assert len(set(tints)) == 3 and sum(tints[0]) > sum(tints[1]) > sum(tints[2])
    kinds = [{"mist"}, {"mounting"}, {"mist", "mounting"}, {"trench"}, {"tubing"}]
    assert len({keep_out_hatch(kind) for kind in kinds}) == len(kinds)


def test_names_are_short_and_in_their_natural_order() -> None:
    assert [number_of(name) for name in ("N007", "N120", "7", "K2-31", "east")] == ["7", "120", "7", "K2-31", "east"]
    assert run_name(("C1", "C1-R2")) == "C1-R2" and run_name(("C1", "R2")) == "C1·R2"
    assert sorted([("C1", "R10"), ("C1", "R2"), ("C10", "R1"), ("C2", "R1")], key=natural) == [
        ("C1", "R2"),
        ("C1", "R10"),
        ("C2", "R1"),
        ("C10", "R1"),
    ]


# Lettering


@settings(deadline=None, max_examples=40)
@given(st.integers(0, 10**6), st.integers(2, 40))
def test_no_label_lies_on_another_or_on_a_symbol(seed: int, count: int) -> None:
    """Checked with rectangles and shapely, where the program uses beads."""
    random = np.random.default_rng(seed)
    at = random.uniform(0.0, 40.0, (count, 2))
    facing = random.uniform(0.0, 360.0, count)
    texts = [str(number) for number in random.integers(1, 999, count)]
    asked = [
        labels.Label(words, 4.6, labels.around(x, y, turn, labels.text_size_mm(words, 4.6), radial=bool(k % 2)))
        for k, (words, (x, y), turn) in enumerate(zip(texts, at, facing, strict=True))
    ]
    spots = labels.place(asked, np.column_stack([at, np.full(count, 0.7)]), np.empty((0, 2)))
    placed = [_rectangle(label, spot) for label, spot in zip(asked, spots, strict=True) if spot is not None]
    assert placed
    for index, one in enumerate(placed):
        assert not any(one.intersects(Point(x, y).buffer(0.69)) for x, y in at)
        assert not any(one.intersects(other) for other in placed[:index])


def _rectangle(label: labels.Label, spot: labels.Spot) -> Polygon:
    width, height = labels.text_size_mm(label.text, label.size_pt, label.bold)
    level = box(spot.x_mm - width / 2, spot.y_mm - height / 2, spot.x_mm + width / 2, spot.y_mm + height / 2)
    return affinity.rotate(level, spot.angle_deg, origin=(spot.x_mm, spot.y_mm))


def test_a_label_without_room_is_left_out_and_the_others_stand() -> None:
    spot = (labels.Spot(0.0, 0.0), labels.Spot(0.3, 0.0))
    asked = [labels.Label("1", 5.0, spot), labels.Label("2", 5.0, spot), labels.Label("3", 5.0, ())]
    found = labels.place(asked, np.empty((0, 3)), np.empty((0, 2)))
    assert found == (labels.Spot(0.0, 0.0), None, None)


def test_a_label_avoids_lines_where_it_can() -> None:
    line = np.column_stack([np.linspace(-5, 5, 50), np.zeros(50)])
    label = labels.Label("12", 5.0, (labels.Spot(0.0, 0.0), labels.Spot(0.0, 4.0, cost=5.0)))
    assert labels.place([label], np.empty((0, 3)), line) == (labels.Spot(0.0, 4.0, cost=5.0),)


def test_an_area_is_named_inside_it_and_outside_its_holes() -> None:
    ring = np.array([(0, 0), (60, 0), (60, 30), (0, 30), (0, 0)], dtype=float)
    hole = np.array([(10, 5), (50, 5), (50, 25), (10, 25), (10, 5)], dtype=float)
    label = labels.Label("Lawn", 7.0, labels.inside(ring, [hole], labels.text_size_mm("Lawn", 7.0)))
    (spot,) = labels.place([label], np.empty((0, 3)), np.empty((0, 2)))
    assert spot is not None
    assert Polygon(ring, [hole]).contains(_rectangle(label, spot))


@pytest.mark.parametrize("spacing_m", [5.0, 1.5])
def test_every_nozzle_has_its_number(site: Site, spacing_m: float) -> None:
    """At 1.5 m nozzles stand 3 mm apart on paper, 180 of them."""
    dense = example_design(site, spacing_m)
    with own_settings():
        _, axes = blank_sheet()
        view = view_of((0.0, 0.0), (124.0, 82.0))
        works = draw_works(axes, view, dense, site)
        assert draw_lettering(axes, view, site, dense, works) == 0


# Tubing on the plan


def test_tubing_runs_along_the_features_that_carry_it(site: Site, design: Design) -> None:
    """Each tube's path is as long as the design says, which is 5 % more than its plan length, and lies on a feature,
    but for the one straight from the shed."""
    links = routes.laid(design)
    on_site = union_all(routes.ways(site)).buffer(1e-6)
    off = []
    for link, path in zip(links, routes.link_paths(links, design.nodes), strict=True):
        assert routes.path_length(path) == pytest.approx(link.length_m / 1.05, abs=1e-6)
        if not on_site.covers(LineString(path)):
            off.append(link.run)
    assert off == ["B-T"]


def test_a_part_of_a_line_keeps_its_bends() -> None:
    ring = np.array([(0.0, 0.0), (10.0, 0.0), (10.0, 10.0), (0.0, 10.0), (0.0, 0.0)])
    assert routes.part(ring, 5.0, 22.0).tolist() == [[5, 0], [10, 0], [10, 10], [8, 10]]
    assert routes.part(ring, 35.0, 40.0).tolist() == [[0, 5], [0, 0]]


def test_every_tube_is_drawn_once(site: Site, design: Design) -> None:
    links = routes.laid(design)
    found = tubes.chains(links, routes.link_paths(links, design.nodes))
    assert sorted(index for chain in found for index in chain) == list(range(len(links)))
    for chain in found:
        for here, there in itertools.pairwise(chain):
            assert links[here].to == links[there].from_
        assert len({(links[k].circuit, links[k].run, links[k].tubing) for k in chain}) == 1


def test_a_tube_beside_a_corridor_keeps_its_distance_round_a_corner() -> None:
    """Closed form: the left parallel of an L of 10 and 10 at distance 1 turns at (9, 1)."""
    corner = np.array([(0.0, 0.0), (10.0, 0.0), (10.0, 10.0)])
    assert np.allclose(tubes.beside(corner, np.array([1.0, 1.0])), [(0, 1), (9, 1), (9, 10)])
    assert np.allclose(tubes.beside(corner, np.array([-1.0, -1.0])), [(0, -1), (11, -1), (11, 10)])
    assert np.allclose(tubes.beside(corner, np.array([0.0, 1.0])), [(0, 0), (10, 0), (9, 0), (9, 10)])


@pytest.mark.parametrize("backwards", [False, True])
def test_circuits_in_one_corridor_lie_side_by_side(site: Site, design: Design, backwards: bool) -> None:
    """Even where the water runs opposite ways; elsewhere they lie in the middle, where the nozzles are."""
    shared = [link for link in design.links if link.run == "A-R1"]
    twins = [replace(link, circuit="B") for link in shared]
    if backwards:
        twins = [replace(link, from_=link.to, to=link.from_) for link in twins]
    view = view_of((0.0, 0.0), (124.0, 82.0))
    alone = tubes.tubes(design, view)
    both = tubes.tubes(replace(design, links=(*design.links, *twins)), view)
    wall = view.mm([(70.4, 40.0)])[0, 0]
    assert [tube.points_mm[1, 0] for tube in alone if tube.run[1] == "A-R1"] == [pytest.approx(wall)]
    first, second = (tube.points_mm[1, 0] for tube in both if tube.run[1] == "A-R1")
    assert first + second == pytest.approx(2 * wall) and abs(first - second) == pytest.approx(0.9)
    others = [[tube.points_mm.tolist() for tube in drawn if tube.run[1] != "A-R1"] for drawn in (alone, both)]
    assert others[0] == others[1]


def test_circuits_that_flow_against_each_other_keep_their_sides_round_corners() -> None:
    """On the three sides of a U each circuit has the other on its right, the half distance from the middle."""
    corners = [np.array(point) for point in ((0.0, 0.0), (10.0, 0.0), (10.0, 10.0), (0.0, 10.0))]
    there = [np.array(pair) for pair in itertools.pairwise(corners)]
    back = [path[::-1] for path in reversed(there)]
    links = [Link("l", "", "", c, "R", "t", 0.003, 1e-6, 10.0, 0.0) for c in ("A", "A", "A", "B", "B", "B")]
    assert tubes.lanes(links, [*there, *back]) == (0.5,) * 6
    assert tubes.lanes(links, [*there, *there]) == (0.5,) * 3 + (-0.5,) * 3
    assert tubes.lanes(links[:3], there) == (0.0,) * 3


def test_nozzles_stand_at_their_nodes_and_ticks_point_their_way(site: Site, design: Design) -> None:
    nozzle = design.nozzles[0]
    (x, y) = next((node.x_m, node.y_m) for node in design.nodes if node.id == nozzle.node)
    middle = geometry_of(nozzle.footprint).centroid
    turn = math.radians(nozzle.azimuth_deg)
    distance = 4 * REACH_M / (3 * math.pi)  # centroid of a half disc
    assert (middle.x, middle.y) == pytest.approx(
        (x + distance * math.sin(turn), y + distance * math.cos(turn)), abs=0.01
    )
    with own_settings():
        _, axes = blank_sheet()
        view = view_of((0.0, 0.0), (124.0, 82.0))
        works = draw_works(axes, view, design, site)
    assert np.allclose(works.nozzles_mm[0], view.mm([(x, y)])[0])
    ticks = [line.get_xydata() for line in axes.lines if np.allclose(line.get_xydata()[0], works.nozzles_mm[0])]
    step = next(tick[1] - tick[0] for tick in ticks if len(tick) == 2 and np.hypot(*(tick[1] - tick[0])) < 3.0)
    assert math.degrees(math.atan2(step[0], step[1])) % 360 == pytest.approx(nozzle.azimuth_deg)


def test_the_width_of_a_text_is_that_of_its_outline() -> None:
    """By the other way matplotlib has: the extent of the letters' outlines, which lacks their side bearings."""
    for words in ("Market lawn", "188", "N"):
        width, _ = labels.text_size_mm(words, 20.0)
        extent = TextPath((0, 0), words, size=20.0).get_extents().width * 25.4 / 72
        assert extent < width < extent + 0.25 * 20.0 * 25.4 / 72


def test_a_long_title_stays_within_its_block(site: Site, design: Design) -> None:
    for title in ("word " * 40, "x" * 200):
        (shown,) = [words for words in words_of(plan_svg(design, site, title, "")) if words.endswith("…")]
        width, _ = labels.text_size_mm(shown, 0.6 * 10.5, True)
        assert 80.0 < width <= FRAME_MM[2] - COLUMN_MM


# Pressure reducers


def reduced_design(design: Design) -> Design:
    """The example with a reducer at the start of three of its links."""
    able = [link.id for link in design.links if link.tubing != "manifold"]
    chosen = dict(zip(able[3:9:2], (12e5, 12e5, 13.5e5), strict=True))
    return replace(design, links=tuple(
        replace(link, reducer_pa=chosen[link.id], reducer_k=5.0, reducer="R") if link.id in chosen else link
        for link in design.links
    ))


def test_reducers_stand_on_their_links_and_in_the_legend(site: Site, design: Design) -> None:
    """Judged by shapely on the millimetres drawn: each on its tube, behind the node that the water comes from."""
    fitted = reduced_design(design)
    with own_settings():
        _, axes = blank_sheet()
        view = view_of((0.0, 0.0), (60.0, 40.0))
        works = draw_works(axes, view, fitted, site)
    links = [link for link in fitted.links if link.reducer_pa is not None]
    paths = [LineString(view.mm(path)) for path in routes.link_paths(links, fitted.nodes)]
    assert len(works.reducers_mm) == len(links) == 3
    for at, path in zip(works.reducers_mm, paths, strict=True):
        assert path.distance(Point(at)) < 1e-9
        assert path.project(Point(at)) <= min(4.4, path.length / 2) + 1e-9
    words = [words for row in legend_rows(site, fitted, 0) for _, words in row.words]
    told = [one for one in words if one.startswith("Pressure reducer")]
    assert len(told) == 2
    assert told[0].startswith("Pressure reducer, holds 12.00 bar (174.0 psi): ")
    plain = [words for row in legend_rows(site, design, 0) for _, words in row.words]
    assert not any("reducer" in one for one in plain)


def test_the_sheet_tells_the_rules_that_must_be_kept_when_it_runs(site: Site, design: Design) -> None:
    rules = (Stated("wind_most", "", 3.0, "a label"), Stated("notice_days", "", 2.0, "a code"),
             Stated("nozzle_flow", "", 1e-6, "a label"))  # fmt: skip
    words = words_of(plan_svg(replace(design, protection=rules), site, "Example court (invented)", "Two pumps"))
    assert "Wind speed at which misting stops: at most 3.0 m/s (6.7 mph)" in words
    assert "Days of notice to neighbours: at least 2" in words
    assert "RULES TO KEEP (sources in study.json)" in words and not any("low of a nozzle" in one for one in words)


def test_a_rule_of_protection_that_is_broken_keeps_a_plan_from_being_built(site: Site, design: Design) -> None:
    broken = replace(design.verification, verified=False, protection_faults=("cycles a day is 4, at most 3 (a label)",))
    words = words_of(plan_svg(replace(design, verification=broken), site, "Example court (invented)", "Two pumps"))
    assert "Do not build. Faults: 1 of protection" in words and "VERIFIED" not in words
