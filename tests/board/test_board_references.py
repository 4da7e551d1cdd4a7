"""What may be said to be known on a board."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from shapely.geometry import LineString, Point, Polygon

from dieplat.board.references import is_known, known_shapes
from dieplat.errors import AnnotationError
from dieplat.values import Region


def region(geometry: Any, kind: str = "trace", **properties: Any) -> Region:
    return Region("It", kind, geometry, properties=properties)


LINE = LineString([(0, 0), (300, 40)])
BOX = Polygon([(0, 0), (200, 10), (190, 120), (0, 100)])


def test_two_ends_a_ruler_a_rectangle_and_marks():
    two = known_shapes([region(LINE, length_um=30_000.0, known_u_um=30.0)])[0]
    np.testing.assert_allclose(two.points_um, [[0, 0], [30_000, 0]])
    assert two.length_u_rel == pytest.approx(1e-3)
    ruler = known_shapes([region(LineString([(0, 0), (100, 1), (200, 2)]), every_um=1000.0, above_um=500.0)])[0]
    np.testing.assert_allclose(ruler.points_um[:, 0], [0, 1000, 2000])
    assert ruler.above_um == 500.0
    part = known_shapes([region(BOX, "other", sides_um=[4000.0, 3000.0])])[0]
    np.testing.assert_allclose(part.points_um, [[0, 0], [4000, 0], [4000, 3000], [0, 3000]])
    marks = [region(Point(3, 4), "other", at_um=[0, 0]), region(Point(60, 4), "other", at_um=[500, 0])]
    assert known_shapes(marks)[0].points_px.tolist() == [[3, 4], [60, 4]]


def test_a_rectangle_drawn_the_other_way_round_is_not_turned_over():
    turned = Polygon(list(BOX.exterior.coords)[::-1])
    shape = known_shapes([region(turned, "other", sides_um=[3000.0, 4000.0])])[0]
    a, b = shape.points_px[1] - shape.points_px[0], shape.points_px[3] - shape.points_px[0]
    c, d = shape.points_um[1] - shape.points_um[0], shape.points_um[3] - shape.points_um[0]
    assert np.sign(a[0] * b[1] - a[1] * b[0]) == np.sign(c[0] * d[1] - c[1] * d[0])


def test_what_is_known_is_no_trace_to_measure():
    assert is_known(region(LINE, length_um=1.0))
    assert not is_known(region(LINE))


@pytest.mark.parametrize(
    ("drawn", "told"),
    [
        ([region(LINE)], "nothing in it has a known length"),
        ([region(LINE, length_um=-3.0)], "give a number of above 0"),
        ([region(LINE, length_um=True)], "give a number"),
        ([region(LINE, length_um=float("nan"))], "give a number"),
        ([region(LineString([(0, 0), (5, 5), (9, 9)]), length_um=3.0)], "two ends, and it has 3"),
        ([region(LINE, length_um=3.0, every_um=3.0)], "keep one of them"),
        ([region(BOX, "other", length_um=3.0)], "is for a line"),
        ([region(LINE, sides_um=[1, 2])], "four corners"),
        ([region(BOX, "other", sides_um=[1])], "give two numbers"),
        ([region(BOX, "other", sides_um=[1, 0])], "must be above 0"),
        ([region(Point(1, 2), "other", at_um=[0, 0])], "add another"),
        ([region(Point(1, 2), "other", at_um=[0, 0]), region(Point(2, 2), "other", at_um=[0, 0])], "one place"),
        ([region(LINE, at_um=[0, 0]), region(Point(2, 2), "other", at_um=[0, 0])], "is for marks"),
        ([region(LINE, length_um=3.0, above_um="high")], "above_um is 'high'"),
    ],
)
def test_refused_with_a_remedy(drawn, told):
    with pytest.raises(AnnotationError, match=told):
        known_shapes(drawn)
