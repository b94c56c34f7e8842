"""Every fault of a site file by its whole text, all at once, and nothing but faults from any damaged file.

The texts are the contract with the reader of the message: path, problem, value, mend.
"""

from __future__ import annotations

import copy
import json
from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geometry.errors import Fault, SiteFaults
from geometry.geojson import MAX_BYTES, read_site
from geometry.site import Site
from tests.geometry.drawn_sites import Json, box_ring, document, drawn, sound_features, text

BOUNDARY, ZONE, KEEP_OUT, OBSTACLE, FENCE, EAVES, LINK, PUMP = range(8)


def faults(source: str | bytes) -> list[str]:
    with pytest.raises(SiteFaults) as caught:
        read_site(source)
    assert all(isinstance(fault, Fault) and fault.mend for fault in caught.value.faults)
    return [str(fault) for fault in caught.value.faults]


def changed(index: int, **properties: Any) -> str:
    features = sound_features()
    features[index]["properties"].update(properties)
    return text(features)


def redrawn(index: int, coordinates: Any, **header: Any) -> str:
    features = sound_features()
    features[index]["geometry"]["coordinates"] = coordinates
    return text(features, **header)


def without(index: int, **header: Any) -> str:
    return text([feature for k, feature in enumerate(sound_features()) if k != index], **header)


def test_the_sound_site_reads() -> None:
    site = read_site(text(sound_features()))
    assert [zone.name for zone in site.zones] == ["terrace"]
    assert site.pump_sites[0].missing == (("power", 300.0),)
    assert site.lines[0].facings == ("in",) and site.lines[1].closed


def test_the_keys_of_rows_pitch_preference_and_cover_are_read() -> None:
    features = sound_features()
    features[ZONE]["properties"].update(least_coverage=0.8, cover_by=2)
    features[FENCE]["properties"].update(near_ends_m=1, near_corners_m=0.5, preferred_m=[7.5, 2], tilt_deg=[10, 0, 10])
    features[EAVES]["properties"].update(even_pitch=True, tilt_deg=-5)
    site = read_site(text(features))
    fence, eaves = site.lines
    assert (site.zones[0].least_coverage, site.zones[0].cover_by) == (0.8, 2)
    assert (fence.near_ends_m, fence.near_corners_m, fence.even_pitch) == (1.0, 0.5, False)
    assert (fence.preferred_m, fence.tilts_deg) == ((2.0, 7.5), (10.0, 0.0))
    assert (eaves.near_ends_m, eaves.near_corners_m, eaves.even_pitch, eaves.tilts_deg) == (None, None, True, (-5.0,))


def test_what_is_not_said_of_rows_pitch_preference_and_cover_is_not_asked_for() -> None:
    site = read_site(text(sound_features()))
    assert (site.zones[0].least_coverage, site.zones[0].cover_by) == (0.0, 1)
    assert (site.lines[0].preferred_m, site.lines[0].tilts_deg, site.lines[0].even_pitch) == ((), (0.0,), False)


PLAIN = [
    ("", "file: is empty; start from the site file of one of the demo scenarios"),
    (" \n", "file: is empty; start from the site file of one of the demo scenarios"),
    (b"\xff\xfe", "file: is not UTF-8 text at byte 0; save it as UTF-8"),
    (
        '{"type"',
        "file: is not JSON at line 1, column 8: Expecting ':' delimiter; mend it there or export it again",
    ),
    ("[" * 100_000, "file: nests lists too deeply; export it again"),
    ("[1]", 'file: is no JSON object (found list); start with {"type": "FeatureCollection", ...'),
    ('{"type": "FeatureCollection"}', "schema_version: is no schema version; give 1"),
    (
        text([], schema_version=2),
        "schema_version: is newer than this program (found 2); install a newer version, or export the site as "
        "schema version 1",
    ),
    (text([], schema_version="1"), 'schema_version: is no schema version (found "1"); give 1'),
    (text([], schema_version=0), "schema_version: is no schema version (found 0); give 1"),
    (
        text(sound_features(), naem="x"),
        'naem: is no known key (found "x"); did you mean "name"?',
    ),
    (
        text(sound_features(), frame="metres"),
        'frame: is no known frame (found "metres"); give "local_m" for metres, or leave it out for longitude and '
        "latitude",
    ),
    (text(sound_features(), name=""), 'name: is no name (found ""); give a name of 1 to 80 characters'),
    (
        text(sound_features(), type="Topology"),
        'type: is no site file (found "Topology"); give "FeatureCollection"',
    ),
    (
        without(BOUNDARY),
        "features: do not hold exactly one boundary (found 0); draw one polygon with role boundary",
    ),
    (
        text([*sound_features(), sound_features()[0]]),
        "features: do not hold exactly one boundary (found 2); draw one polygon with role boundary",
    ),
    (without(ZONE), "features: hold no zone; draw at least one feature with role zone"),
    (without(PUMP), "features: hold no pump site; draw at least one feature with role pump_site"),
    (
        changed(EAVES, name="fence"),
        'features: name 2 features with role mounting_line alike (found "fence"); give each a name of its own',
    ),
    (
        changed(ZONE, role="zoen"),
        'features[1].properties.role: is no known role (found "zoen"); did you mean "zone"?',
    ),
    (
        changed(ZONE, wieght=3),
        'features[1] (zone "terrace").properties.wieght: is no known key (found 3); did you mean "weight"?',
    ),
    (
        changed(ZONE, weight=-2),
        'features[1] (zone "terrace").properties.weight: is not above 0 (found -2); give a number above 0',
    ),
    (
        changed(ZONE, weight=float("nan")),
        'features[1] (zone "terrace").properties.weight: is not a finite number (found NaN); give a number above 0',
    ),
    (
        changed(ZONE, weight="high"),
        'features[1] (zone "terrace").properties.weight: is not a number (found "high"); give a number above 0',
    ),
    (
        changed(ZONE, kind="poeple"),
        'features[1] (zone "terrace").properties.kind: is not a known word (found "poeple"); did you mean "people"?',
    ),
    (
        changed(KEEP_OUT, forbids=[]),
        'features[2] (keep_out "pond").properties: forbids nothing and is of no kind; add forbids, a list of some of '
        "mist, mounting, tubing, trench, or a kind",
    ),
    (
        changed(KEEP_OUT, forbids=[], kind="watre"),
        'features[2] (keep_out "pond").properties.kind: is not a known word (found "watre"); did you mean "water"?',
    ),
    (
        changed(KEEP_OUT, forbids=["mists"]),
        'features[2] (keep_out "pond").properties.forbids[0]: is not a known word (found "mists"); did you mean '
        '"mist"?',
    ),
    (
        changed(OBSTACLE, height_m=0),
        'features[3] (obstacle "house").properties.height_m: is not above 0 (found 0); give metres above the '
        "ground, above 0 to 500",
    ),
    (
        changed(FENCE, facing="inward"),
        'features[4] (mounting_line "fence").properties.facing: is not a facing (found "inward"); give in, out, '
        "left, right, all or an azimuth in degrees, or a list of these",
    ),
    (
        changed(FENCE, facing=["in", "out"]),
        'features[4] (mounting_line "fence").properties.facing: points out of the site from its boundary (found '
        "out); let it face in",
    ),
    (
        changed(PUMP, power=False),
        'features[7] (pump_site "shed").properties.power: is neither at hand nor priced (found false); give true '
        'where it is at hand, else what it costs, like {"cost": 1200}',
    ),
    (
        changed(FENCE, no_nozzles=[{"from_m": 58, "to_m": 62}]),
        'features[4] (mounting_line "fence").properties.no_nozzles[0]: runs past the end of the line (found 58 to '
        "62 m); the line is 60.00 m long as drawn",
    ),
    (
        changed(FENCE, no_tubing=[{"from_m": 5, "to_m": 5}]),
        'features[4] (mounting_line "fence").properties.no_tubing[0]: ends before it starts (found 5 to 5 m); give '
        "from_m below to_m; divide one that runs over a closed line's start",
    ),
    (
        changed(FENCE, locked_m=[61]),
        'features[4] (mounting_line "fence").properties.locked_m[0]: lies past the end of the line (found 61 m); the '
        "line is 60.00 m long as drawn",
    ),
    (
        changed(FENCE, locked_m=[5], no_nozzles=[{"from_m": 4, "to_m": 6, "reason": "gate"}]),
        'features[4] (mounting_line "fence").properties.locked_m[0]: locks a nozzle within a stretch of no_nozzles '
        "(found 5 m); unlock it or free its place",
    ),
    (
        changed(FENCE, preferred_m=[61]),
        'features[4] (mounting_line "fence").properties.preferred_m[0]: lies past the end of the line (found 61 m); '
        "the line is 60.00 m long as drawn",
    ),
    (
        changed(FENCE, preferred_m=[5], no_tubing=[{"from_m": 4, "to_m": 6}]),
        'features[4] (mounting_line "fence").properties.preferred_m[0]: prefers a nozzle within a stretch of '
        "no_tubing (found 5 m); prefer another place or free this one",
    ),
    (
        changed(FENCE, preferred_m=[3, 8], forbidden_m=[8]),
        'features[4] (mounting_line "fence").properties.preferred_m[1]: prefers a nozzle at a forbidden chainage '
        "(found 8 m); prefer another place or free this one",
    ),
    (
        changed(EAVES, near_ends_m=1),
        'features[5] (mounting_line "eaves").properties.near_ends_m: has no meaning on a closed line (found 1 m); '
        "leave it out; near_corners_m holds for corners",
    ),
    (
        changed(FENCE, near_ends_m=0),
        'features[4] (mounting_line "fence").properties.near_ends_m: is not above 0 (found 0); give metres, above 0',
    ),
    (
        changed(FENCE, near_corner_m=1),
        'features[4] (mounting_line "fence").properties.near_corner_m: is no known key (found 1); did you mean '
        '"near_corners_m"?',
    ),
    (
        changed(FENCE, near_corners_m="1 m"),
        'features[4] (mounting_line "fence").properties.near_corners_m: is not a number (found "1 m"); give metres, '
        "above 0",
    ),
    (
        changed(FENCE, even_pitch=1),
        'features[4] (mounting_line "fence").properties.even_pitch: is not true or false (found 1); give true or false',
    ),
    (
        changed(FENCE, tilt_deg=[0, 90]),
        'features[4] (mounting_line "fence").properties.tilt_deg[1]: is not below 90 (found 90); give degrees above '
        "the level, -90 to 90, or a list of these",
    ),
    (
        changed(FENCE, tilt_deg=[]),
        'features[4] (mounting_line "fence").properties.tilt_deg: has no entry (found []); give degrees above the '
        "level, -90 to 90, or a list of these",
    ),
    (
        changed(ZONE, least_coverage=1.01),
        'features[1] (zone "terrace").properties.least_coverage: is above 1 (found 1.01); give a share of the area, '
        "above 0 to 1",
    ),
    (
        changed(ZONE, least_coverage=0),
        'features[1] (zone "terrace").properties.least_coverage: is not above 0 (found 0); give a share of the area, '
        "above 0 to 1",
    ),
    (
        changed(ZONE, cover_by=3),
        'features[1] (zone "terrace").properties.cover_by: is above 2 (found 3); give 1 or 2 nozzles',
    ),
    (
        changed(ZONE, cover_by=1.5),
        'features[1] (zone "terrace").properties.cover_by: is not a whole number (found 1.5); give 1 or 2 nozzles',
    ),
    (
        redrawn(ZONE, [box_ring(5, 2, 25, 12)[:-1]]),
        'features[1] (zone "terrace").geometry.coordinates[0]: is a ring that is not closed (found (5, 2) to (5, '
        "12)); repeat its first position as its last",
    ),
    (
        redrawn(ZONE, [[[5, 2], [25, 12], [25, 2], [5, 12], [5, 2]]]),
        'features[1] (zone "terrace").geometry: crosses itself at (15, 7); redraw it as one plain outline with its '
        "holes inside",
    ),
    (
        redrawn(ZONE, [[[5, 2], [25, 2], [5, 2]]]),
        'features[1] (zone "terrace").geometry.coordinates[0]: is no ring (found 3 positions); give at least three '
        "corners",
    ),
    (
        redrawn(ZONE, [box_ring(50, 2, 62, 12)]),
        'features[1] (zone "terrace").geometry: reaches outside the boundary (found 20.00 m2 outside); keep zones '
        "within the site's boundary",
    ),
    (
        redrawn(FENCE, [[0, 0], [60, 0], [60, "x"]]),
        'features[4] (mounting_line "fence").geometry.coordinates[2]: holds something that is no number (found [60, '
        '"x"]); give 2 or 3 finite numbers',
    ),
    (
        redrawn(FENCE, [[0, 0], [60, 0], [70, 0]]),
        'features[4] (mounting_line "fence").geometry: runs off the site (found 10.00 m outside); keep lines on the '
        "site, at most 0.5 m outside its boundary",
    ),
    (
        redrawn(FENCE, [[3, 0], [3, 0]]),
        'features[4] (mounting_line "fence").geometry: is a line without length; give at least two different positions',
    ),
    (
        redrawn(FENCE, [[0, 0], [60, 0], [60, 10], [30, -1e-3]]),
        'features[4] (mounting_line "fence").geometry: crosses or touches itself at (30.0029997, 0); divide it there '
        "into lines of their own",
    ),
    (
        redrawn(EAVES, [[30, 15, 0], [45, 15], [45, 25], [30, 15, 1]]),
        'features[5] (mounting_line "eaves").geometry: closes at two ground elevations (found 0 and 1 m); give both '
        "ends the same one",
    ),
    (
        redrawn(PUMP, [61, 1]),
        'features[7] (pump_site "shed").geometry: lies outside the boundary (found 1.00 m outside); put pump sites '
        "inside the boundary",
    ),
    (
        redrawn(PUMP, [59, 5]),
        'features[4] (mounting_line "fence"): is reached from no pump site; draw links that end within 0.5 m of it, '
        "and a pump site within 1 m",
    ),
    (
        without(LINK),
        'features[5] (mounting_line "eaves"): is reached from no pump site; draw links that end within 0.5 m of it, '
        "and a pump site within 1 m",
    ),
    (
        redrawn(ZONE, [box_ring(5, 2, 30_000, 12)]),
        "features: are more than 20 km apart (found 30 km); look for a position that is off",
    ),
    (
        text([5]),
        'features[0]: is no feature (found 5); give "properties" with a role, and a "geometry"',
    ),
]


@pytest.mark.parametrize(("source", "expected"), PLAIN, ids=[expected[:60] for _, expected in PLAIN])
def test_each_fault_is_named(source: str | bytes, expected: str) -> None:
    assert expected in faults(source)


def geographic(swap: bool) -> str:
    """The sound site at an invented spot in the open ocean, in degrees; swapped on request."""
    features = sound_features()
    for feature in features:
        geometry = feature["geometry"]
        geometry["coordinates"] = on_leaves(geometry["coordinates"], lambda x, y: at_sea(x, y, swap))
    header = document(features)
    del header["frame"]
    return json.dumps(header)


def at_sea(x: float, y: float, swap: bool) -> list[float]:
    place = [-150 + x / 85_000, -40 + y / 111_000]
    return place[::-1] if swap else place


def on_leaves(raw: Any, change: Callable[[float, float], list[float]]) -> Any:
    return change(*raw) if not isinstance(raw[0], list) else [on_leaves(one, change) for one in raw]


def test_longitude_and_latitude_read_to_metres() -> None:
    site = read_site(geographic(swap=False))
    assert site.frame is not None and site.frame.lon0 == pytest.approx(-150, abs=0.001)
    assert site.lines[0].line.length == pytest.approx(60, rel=0.01)


def test_latitude_first_is_noticed() -> None:
    assert faults(geographic(swap=True)) == [
        "features[0] (boundary).geometry: lies beyond the globe (found latitude -150); GeoJSON gives longitude "
        'first, then latitude; metres need "frame": "local_m"'
    ]


def test_metres_without_their_frame_are_noticed() -> None:
    header = document(sound_features())
    del header["frame"]
    assert 'metres need "frame": "local_m"' in faults(json.dumps(header))[0]


def test_degrees_in_a_local_frame_are_noticed() -> None:
    raw = json.loads(geographic(swap=False))
    assert faults(json.dumps({**raw, "frame": "local_m"}))[0].startswith(
        "features[0] (boundary).geometry: is too small for a site"
    )


def test_a_file_of_a_hundred_megabytes_is_refused_unread() -> None:
    found = faults(" " * (2 * MAX_BYTES))
    assert found == ["file: is larger than 50 MB (found 100 MB); leave out what the design does not need"]


def test_all_faults_come_at_once() -> None:
    features = sound_features()
    features[ZONE]["properties"]["weight"] = -1
    features[ZONE]["geometry"]["coordinates"] = [box_ring(5, 2, 25, 12)[:-1]]
    features[KEEP_OUT]["properties"]["forbid"] = ["mist"]
    features[OBSTACLE]["properties"].pop("height_m")
    features[FENCE]["geometry"]["coordinates"] = [[0, 0], [80, 0]]
    features[EAVES]["properties"]["no_nozzles"] = [{"from_m": 1, "to_m": 99}]
    features[PUMP]["properties"]["name"] = ""
    features.append(drawn("zone", "Polygon", [box_ring(50, 30, 70, 35)], name="terrace"))
    found = faults(text(features, frames="local"))
    assert len(found) == 10
    for part in (
        "frames:",
        "alike",
        "weight:",
        "not closed",
        "forbid:",
        "height_m:",
        "runs off",
        "past the end",
    ):
        assert any(part in fault for fault in found), part


WILD = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(),
    st.floats(allow_nan=True, allow_infinity=True),
    st.text(max_size=5),
    st.just([]),
    st.just({}),
    st.just([[1, 2], [3, 4]]),
    st.floats(-100, 100),
)


def paths(value: Any, at: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    inner = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    return [at, *(path for key, one in inner for path in paths(one, (*at, key)))]


PATHS = [path for path in paths(document(sound_features())) if path]


def damaged(changes: list[tuple[tuple[Any, ...], Any, bool]]) -> Json:
    raw = copy.deepcopy(document(sound_features()))
    for path, wild, drop in changes:
        try:
            owner = raw
            for key in path[:-1]:
                owner = owner[key]
            if drop:
                del owner[path[-1]]
            else:
                owner[path[-1]] = copy.deepcopy(wild)
        except (TypeError, KeyError, IndexError):
            continue
    return raw


@settings(max_examples=400, deadline=None)
@given(changes=st.lists(st.tuples(st.sampled_from(PATHS), WILD, st.booleans()), min_size=1, max_size=3))
def test_a_damaged_file_gives_faults_or_a_site(changes: list[tuple[tuple[Any, ...], Any, bool]]) -> None:
    try:
        assert isinstance(read_site(json.dumps(damaged(changes))), Site)
    except SiteFaults as caught:
        assert caught.faults and all(str(fault) for fault in caught.faults)


@settings(max_examples=100, deadline=None)
@given(cut=st.integers(0, 2000), insert=st.binary(max_size=4))
def test_damaged_bytes_give_faults_or_a_site(cut: int, insert: bytes) -> None:
    raw = text(sound_features()).encode()
    cut %= len(raw)
    try:
        read_site(raw[:cut] + insert + raw[cut + 1 :])
    except SiteFaults as caught:
        assert caught.faults
