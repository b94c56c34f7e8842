"""Points of a grid in shapes: against GEOS's own point in polygon, one point at a time, and plain boxes by hand."""

from __future__ import annotations

import numpy as np
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from geometry.raster import Grid, incidence_at, signatures, spans

GRID = Grid(0.05, 0.05, 0.1, rows=60, columns=80)
ALL = np.arange(60 * 80)


def places() -> tuple[np.ndarray, np.ndarray]:
    return 0.05 + ALL % 80 * 0.1, 0.05 + ALL // 80 * 0.1


@st.composite
def blots(draw: st.DrawFn) -> list[shapely.Geometry]:
    """Up to five shapes, some of them with a hole, in two parts, or partly off the grid."""
    shapes = []
    for _ in range(draw(st.integers(1, 5))):
        x, y = draw(st.floats(-1, 9)), draw(st.floats(-1, 7))
        shape = shapely.Point(x, y).buffer(draw(st.floats(0.05, 2)), quad_segs=draw(st.integers(1, 9)))
        if draw(st.booleans()):
            shape = shape.difference(shapely.Point(x + 0.3, y).buffer(0.4))
        if draw(st.booleans()):
            shape = shapely.union(shape, shapely.box(x + 3, y, x + 3.7, y + 0.6))
        shapes.append(shape)
    return shapes


@settings(max_examples=60, deadline=None)
@given(shapes=blots())
def test_spans_hold_the_points_that_geos_holds(shapes: list[shapely.Geometry]) -> None:
    """Points within 1e-9 m of an edge may go either way."""
    held = incidence_at(spans(GRID, np.array(shapes, dtype=object)), ALL).toarray()
    x, y = places()
    for j, shape in enumerate(shapes):
        clear = shapely.distance(shapely.points(x, y), shape.boundary) > 1e-9
        np.testing.assert_array_equal(held[clear, j], shapely.contains_xy(shape, x, y)[clear])


@settings(max_examples=30, deadline=None)
@given(shapes=blots())
def test_points_of_one_signature_lie_in_the_same_shapes(shapes: list[shapely.Geometry]) -> None:
    of = spans(GRID, np.array(shapes, dtype=object))
    marks, held = signatures(GRID, of), incidence_at(of, ALL).toarray()
    kinds = {(int(mark), row.tobytes()) for mark, row in zip(marks, held, strict=True)}
    assert len(kinds) == len(set(marks.tolist())) == len({row.tobytes() for row in held})
    np.testing.assert_array_equal(marks == 0, ~held.any(axis=1))


def test_a_point_on_a_shared_edge_lies_in_one_of_its_shapes() -> None:
    """Four squares that meet at a point of the grid: right of upright edges, above level ones."""
    x, y = 4.05, 3.05
    squares = [shapely.box(x + a, y + b, x + a + 1, y + b + 1) for b in (-1, 0) for a in (-1, 0)]
    held = incidence_at(spans(GRID, np.array(squares, dtype=object)), np.array([30 * 80 + 40])).toarray()
    assert held.sum() == 1
    assert held[0, 3]


def test_some_points_only() -> None:
    of = spans(GRID, np.array([shapely.box(1, 1, 2, 2), shapely.box(1.5, 1, 3, 2)], dtype=object))
    points = np.array([0, 12 * 80 + 12, 12 * 80 + 17, 15 * 80 + 25])
    expected = [[False, False], [True, False], [True, True], [False, True]]
    np.testing.assert_array_equal(incidence_at(of, points).toarray(), expected)


def test_no_shapes_hold_no_points() -> None:
    none = spans(GRID, np.array([shapely.Polygon()], dtype=object))
    assert not signatures(GRID, none).any()
    assert incidence_at(spans(GRID, np.array([], dtype=object)), ALL).shape == (4800, 0)
