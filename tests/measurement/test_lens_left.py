"""What is left of a lens in the tiles: both terms of its distortion with what they share."""

import math

import numpy as np
import pytest
from shapely.geometry import Polygon, box

from dieplat.measurement.areas import measure_area
from dieplat.measurement.lens_left import bend_factor, bend_u_px, lens_left
from dieplat.measurement.placement import Inputs, Placement
from dieplat.measurement.tile_network import radial_pull, stretch_by_lens
from dieplat.values import Layout, PairLink, PlacedTile, Scale

WIDTH, HEIGHT = 800, 600
NORM = 0.5 * math.hypot(WIDTH, HEIGHT)
PIXELS = Scale(1.0, 0.0, 1.0, 0.0, 1.0, 0.0, 0, 0.0, "pixels")
LENS = {"k1": 0.01, "k2": -0.004, "norm_px": NORM, "k1_u": 2e-4, "k2_u": 3e-4, "k1_k2_cov": -0.95 * 6e-8}


def layout_of(lens):
    tile = PlacedTile("t", 0.0, 0.0, 0.0, 0.0, "overlap", False, ())
    return Layout(WIDTH, HEIGHT, WIDTH, HEIGHT, (tile,), (), (), 0.0, lens)


def lens_u(geometry, lens):
    inputs = Inputs(PIXELS, Placement(vertex_u_px=0.0, edge_u_px=0.0, layout=layout_of(lens)))
    return {line.name: line.u for line in measure_area([geometry], inputs).budget}["lens of the tiles"]


def test_without_a_lens_what_registration_leaves_alone_counts():
    assert bend_u_px(layout_of(None)) == pytest.approx(0.05 / math.sqrt(3.0))


def test_terms_that_cancel_leave_less_than_either():
    together = NORM * math.sqrt(LENS["k1_u"] ** 2 + 2 * LENS["k1_k2_cov"] + LENS["k2_u"] ** 2)
    assert bend_u_px(layout_of(LENS)) == pytest.approx(together)
    assert together < 0.7 * NORM * LENS["k1_u"]


def test_the_factor_gives_the_covariance_back():
    factor = bend_factor(layout_of(LENS))
    shared = LENS["k1_k2_cov"]
    stated = np.array([[LENS["k1_u"] ** 2, shared], [shared, LENS["k2_u"] ** 2]])
    assert factor @ factor.T == pytest.approx(NORM**2 * stated)


def test_a_file_that_states_more_than_full_correlation_is_read_as_full():
    factor = bend_factor(layout_of({**LENS, "k1_k2_cov": 1.0}))
    assert factor.shape == (2, 1)
    assert factor[:, 0] == pytest.approx([NORM * LENS["k1_u"], NORM * LENS["k2_u"]])


def test_a_lens_of_one_term_has_one_cause():
    assert bend_factor(layout_of({**LENS, "k2_u": 0.0, "k1_k2_cov": 0.0})).shape == (2, 1)


@pytest.mark.parametrize("shared", [LENS["k1_k2_cov"], 0.0, -LENS["k1_k2_cov"]])
@pytest.mark.parametrize("shape", [box(40, 30, 760, 570), box(600, 400, 700, 560)])
def test_the_budget_line_is_what_drawing_the_lens_anew_gives(shape, shared):
    lens = {**LENS, "k1_k2_cov": shared}
    covariance = [[lens["k1_u"] ** 2, shared], [shared, lens["k2_u"] ** 2]]
    draws = np.random.default_rng(5).multivariate_normal([0.0, 0.0], covariance, 4000)
    away = np.asarray(shape.exterior.coords) - (WIDTH / 2, HEIGHT / 2)
    square = np.sum((away / NORM) ** 2, axis=1, keepdims=True)
    areas = [Polygon(away * (1 + k1 * square + k2 * square**2)).area for k1, k2 in draws]
    # 4000 draws tell a standard deviation to 1.1 %; four times that.
    assert lens_u(shape, lens) == pytest.approx(np.std(areas), rel=0.045)


def row_of(count, step_px, *, join=True):
    tiles = tuple(PlacedTile(str(i), i * step_px, 0.0, 0.0, 0.0, "overlap", False, ()) for i in range(count))
    pairs = tuple(PairLink(str(i), str(i + 1), step_px, 0.0, 0.0, join) for i in range(count - 1))
    return Layout(int((count - 1) * step_px) + WIDTH, HEIGHT, WIDTH, HEIGHT, tiles, pairs, (), 0.0, None)


def test_a_lens_left_in_the_tiles_spreads_a_row_of_them():
    """An overlap is pulled one way at a tile's right end and the other way at the next one's left end."""
    tiles = stretch_by_lens(row_of(5, 640.0))
    steps = np.diff(tiles[:, 0])
    x, y = np.meshgrid(np.linspace(240, 400, 400), np.linspace(-300, 300, 400))
    # The next tile sees the same places at x - 640: a mirrored strip, so the pulls differ by twice their mean.
    expected = 2 * np.mean(x * (x**2 + y**2)) / NORM**3
    assert steps == pytest.approx(expected, rel=0.02)
    assert tiles.mean(axis=0) == pytest.approx([0.0, 0.0], abs=1e-9)
    assert np.abs(tiles[:, 1]).max() < 1e-9


def test_tiles_without_overlaps_stay():
    assert np.all(stretch_by_lens(row_of(4, 640.0, join=False)) == 0.0)


def test_a_point_moves_within_its_tile_and_with_it():
    layout = row_of(3, 640.0)
    points, nearest = np.array([[30.0, 40.0], [1700.0, 500.0]]), np.array([0, 2])
    pulls = lens_left(layout).pulls(points, nearest)
    both = radial_pull(points, nearest, layout) + stretch_by_lens(layout)[nearest]
    assert pulls == pytest.approx(both[None] * 0.05 / math.sqrt(3.0))
