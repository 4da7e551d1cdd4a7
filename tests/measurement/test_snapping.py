"""Edges and corners found on drawn pictures whose truth is known to the last digit."""

import numpy as np
import pytest
from edge_pictures import picture_of, points_of, turned_box
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import MultiPolygon, Polygon, box

from dieplat.errors import UndecidedError
from dieplat.measurement.edge_fit import FLOOR_PX, find_edge
from dieplat.measurement.snapping import snap_outline
from memory_mosaic import Memory

TRUTH = turned_box(40.3, 50.6, 180.9, 140.2, 3.0)
PICTURE = picture_of([(TRUTH, 180.0)], (200, 230))


def drawn(polygon, seed, spread=0.7):
    points = points_of(polygon)
    return Polygon(points + np.random.default_rng(seed).normal(0, spread, points.shape))


def off(snapped, truth):
    return np.linalg.norm(points_of(snapped.geometry) - points_of(truth), axis=1)


@settings(max_examples=12, deadline=None)
@given(st.floats(-25, 25), st.floats(0, 1), st.floats(0, 1), st.floats(0.5, 1.5), st.integers(0, 99))
def test_corners_come_back_to_a_tenth_of_a_pixel(degrees, dx, dy, blur, seed):
    truth = turned_box(60 + dx, 70 + dy, 170 + dx, 150 + dy, degrees)
    picture = picture_of([(truth, 170.0)], (220, 230), blur=blur, seed=seed)
    result = snap_outline(picture, drawn(truth, seed))
    assert result.found == 4, [move.reason for move in result.moves]
    assert off(result, truth).max() < 0.1


def test_the_stated_uncertainty_covers_the_error_and_is_a_gain():
    inside = total = 0
    for seed in range(25):
        picture = picture_of([(TRUTH, 150.0)], (200, 230), noise=4.0, seed=seed)
        result = snap_outline(picture, drawn(TRUTH, seed))
        for move, true in zip(result.moves, points_of(TRUTH), strict=True):
            assert move.u_px is not None
            assert max(move.u_px) < 0.2 < move.u_before_px[0]
            inside += int(np.sum(np.abs(np.array(move.at_px) - true) <= 2 * np.array(move.u_px)))
            total += 2
    # Vertices carry twice the variance of their sides (see `meet`), so they are covered more often than 95 %.
    assert inside / total >= 0.95


def test_the_drawing_stays_and_every_move_is_told():
    shape = drawn(TRUTH, 3)
    before = list(shape.exterior.coords)
    result = snap_outline(PICTURE, shape)
    assert list(shape.exterior.coords) == before
    for move, point, now in zip(result.moves, before[:-1], points_of(result.geometry), strict=True):
        assert move.drawn_px == pytest.approx(point)
        assert move.at_px == pytest.approx(tuple(now))
        assert move.moved_px == pytest.approx(float(np.hypot(*(now - point))))


def test_holes_are_refined_too():
    hole = turned_box(80.2, 75.4, 130.7, 110.9, 3.0)
    truth = Polygon(TRUTH.exterior.coords, [hole.exterior.coords])
    picture = picture_of([(truth, 180.0)], (200, 230))
    shape = Polygon(drawn(TRUTH, 1).exterior.coords, [drawn(hole, 2).exterior.coords])
    result = snap_outline(picture, shape)
    assert result.found == 8
    assert result.geometry.symmetric_difference(truth).area < 0.1 * truth.length


def test_parts_stay_parts():
    other = box(190, 150, 220, 190)
    picture = picture_of([(TRUTH, 180.0), (other, 180.0)], (200, 230))
    result = snap_outline(picture, MultiPolygon([drawn(TRUTH, 1), drawn(other, 2)]))
    assert isinstance(result.geometry, MultiPolygon)
    assert result.found == 8


def test_a_blank_picture_moves_nothing():
    rng = np.random.default_rng(1)
    blank = Memory(np.clip(rng.normal(120, 3, (200, 230, 3)), 0, 255).astype(np.uint8))
    shape = drawn(TRUTH, 1)
    result = snap_outline(blank, shape)
    assert result.found == 0
    assert result.geometry.equals_exact(shape, 0.0)
    assert all(move.reason and move.u_px is None for move in result.moves)


def test_two_edges_within_reach_are_not_chosen_between():
    ring = Polygon(
        TRUTH.buffer(5, join_style="mitre").exterior.coords, [TRUTH.buffer(1.0, join_style="mitre").exterior.coords]
    )
    picture = picture_of([(ring, 180.0)], (200, 230), blur=0.6)
    middle = TRUTH.buffer(3.0, join_style="mitre")
    result = snap_outline(picture, middle)
    assert result.found == 0
    assert "2 edges of like strength" in result.moves[0].reason


def test_an_edge_that_lies_too_far_is_left():
    far = Polygon(points_of(TRUTH) + np.array([2.1, 2.1]))
    assert snap_outline(PICTURE, far, most_px=3.0).found == 4
    result = snap_outline(PICTURE, far, most_px=1.5)
    assert result.found == 0
    assert result.geometry.equals_exact(far, 0.0)


def test_where_only_one_side_shows_the_vertex_moves_across_that_one():
    # The lower half of the shape fades into the ground: its two upper corners are crossings, the others are not.
    truth = box(60, 50, 170, 140)
    picture = picture_of([(truth, 180.0), (box(0, 120, 230, 200), 120.0)], (200, 230))
    moved = Polygon(points_of(truth) + np.array([0.8, 0.6]))
    result = snap_outline(picture, moved)
    told = {tuple(np.round(move.drawn_px).astype(int)): move for move in result.moves}
    upper, lower = told[(171, 51)], told[(171, 141)]
    assert upper.u_px is not None
    assert not upper.reason
    assert "of its sides" in lower.reason or "one side only" in lower.reason


def test_an_edge_at_known_place_and_angle():
    edge = find_edge(PICTURE, *(points_of(TRUTH)[[0, 1]] + np.array([0.5, -0.4])), reach_px=3.0)
    start, end = points_of(TRUTH)[[0, 1]]
    along = (end - start) / np.linalg.norm(end - start)
    assert abs(float(edge.along @ along)) == pytest.approx(1.0, abs=1e-5)
    assert abs(float((edge.point - start) @ edge.normal)) < 0.05
    assert edge.blur_px == pytest.approx(0.85, abs=0.2)  # 0.8 and the pixel's own 0.29
    assert edge.shift_u_px >= FLOOR_PX
    with pytest.raises(UndecidedError, match="shorter than"):
        find_edge(PICTURE, np.array([10.0, 10.0]), np.array([15.0, 10.0]), reach_px=3.0)
    with pytest.raises(UndecidedError, match="outside the picture"):
        find_edge(PICTURE, np.array([900.0, 900.0]), np.array([990.0, 900.0]), reach_px=3.0)


def test_a_long_slanting_side_is_read_in_pieces():
    truth = turned_box(60, 60, 2300, 260, 4.0)
    picture = picture_of([(truth, 170.0)], (420, 2400))
    result = snap_outline(picture, drawn(truth, 5))
    assert result.found == 4
    assert off(result, truth).max() < 0.1
    assert picture.largest < 600 * 120  # pieces of about 512 px, as high as they slant


@pytest.mark.parametrize(("inside_px", "kept"), [(1.3, True), (0.5, False)])
def test_cells_that_end_inside_their_outline_do_not_move_it_unsaid(inside_px, kept):
    # The clear edge belongs to the cells' metal, `inside_px` within the block's outline, which was drawn exactly.
    metal = turned_box(40.0 + inside_px, 50.0 + inside_px, 180.0 - inside_px, 140.0 - inside_px, 0.0)
    block = turned_box(40.0, 50.0, 180.0, 140.0, 0.0)
    result = snap_outline(picture_of([(metal, 180.0)], (200, 230)), block, textured=True)
    if kept:
        assert result.found == 0
        assert off(result, block).max() == 0.0
    else:
        assert result.found == 4
    for move, true in zip(result.moves, points_of(block), strict=True):
        u = move.u_px or move.u_before_px
        assert np.all(np.abs(np.array(move.at_px) - true) <= 2 * np.array(u))
