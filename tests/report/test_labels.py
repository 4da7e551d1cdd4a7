"""Names on the map: inside when they fit, beside otherwise, never one over another."""

from __future__ import annotations

import itertools

from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import LineString, Polygon, box

from dieplat.report.labels import Label, LabelPlan, plan_labels

SIZE = (1000.0, 800.0)


def text_size(text: str, size_px: float) -> tuple[float, float]:
    """A made-up type: every letter 0.6 wide, one high."""
    return 0.6 * size_px * len(text), size_px


def bounds(label: Label) -> tuple[float, float, float, float]:
    """The box of the letters alone."""
    wide, high = text_size(label.text, label.size_px)
    return label.x - wide / 2, label.y - high / 2, label.x + wide / 2, label.y + high / 2


def plan(shapes: list[tuple[str, object]], **options: object) -> LabelPlan:
    """Labels on the test's picture."""
    return plan_labels(shapes, width_px=SIZE[0], height_px=SIZE[1], text_size=text_size, **options)  # type: ignore[arg-type]


def test_a_name_that_fits_stands_in_the_middle_at_full_size() -> None:
    (label,) = plan([("LOGIC", box(100, 100, 700, 500))]).labels
    assert (label.x, label.y, label.size_px, label.leader) == (400, 300, 34.0, None)


def test_a_small_block_gets_a_leader() -> None:
    (label,) = plan([("a long name", box(500, 400, 510, 410))]).labels
    assert label.leader is not None
    assert box(500, 400, 510, 410).covers(box(*label.leader, *label.leader).centroid)


def test_the_name_of_a_ring_does_not_fall_into_its_hole() -> None:
    ring = Polygon(box(100, 100, 900, 700).exterior, [box(200, 200, 800, 600).exterior])
    (label,) = plan([("RING", ring)]).labels
    assert label.leader is None
    assert ring.contains(box(*bounds(label)))


def test_a_path_is_named_beside_it_with_a_leader_to_the_nearest_point() -> None:
    (label,) = plan([("feed", LineString([(100, 100), (500, 100)]))]).labels
    assert label.leader == (500, 100)
    assert label.x > 500


def test_names_for_inside_only_are_dropped_in_silence() -> None:
    found = plan([("a long name", box(500, 400, 510, 410))], inside_only={"a long name"})
    assert found == LabelPlan((), ())


def test_reserved_ground_stays_free() -> None:
    reserved = (0.0, 0.0, 1000.0, 400.0)
    (label,) = plan([("TOP", box(0, 0, 1000, 380))], reserved=[reserved]).labels or (None,)
    assert label is not None
    assert bounds(label)[1] >= 400


def test_names_without_room_are_told() -> None:
    crowd = [(f"name {i}", box(500, 400, 503, 403)) for i in range(400)]
    found = plan(crowd)
    assert len(found.labels) + len(found.unplaced) == 400
    assert found.unplaced


@settings(max_examples=30, deadline=None)
@given(
    st.lists(
        st.tuples(st.floats(0, 900), st.floats(0, 700), st.floats(2, 400), st.floats(2, 300)),
        min_size=1,
        max_size=25,
    )
)
def test_labels_never_overlap_and_never_leave_the_picture(
    places: list[tuple[float, float, float, float]],
) -> None:
    shapes = [(f"B{i}", box(x, y, min(x + w, SIZE[0]), min(y + h, SIZE[1]))) for i, (x, y, w, h) in enumerate(places)]
    labels = plan(shapes).labels
    for label in labels:
        x0, y0, x1, y1 = bounds(label)
        assert x0 >= 0
        assert y0 >= 0
        assert x1 <= SIZE[0]
        assert y1 <= SIZE[1]
    for first, second in itertools.combinations(labels, 2):
        assert box(*bounds(first)).intersection(box(*bounds(second))).area == 0
