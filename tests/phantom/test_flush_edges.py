"""Where several layers end on one line, the drawn edge lies on it, at any fraction of a pixel and on all four sides.

The sum over a profile across an edge, of how far it is from one level to the other, is the edge's place whatever the
point spread; it is compared with the coordinates that went into the drawing.
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import LineString, box

from dieplat.phantom.cells import MemoryPlan, add_memory
from dieplat.phantom.cuts import cut_axis
from dieplat.phantom.layers import Die, Sheet
from dieplat.phantom.padring import Rim, add_rim
from dieplat.phantom.render import MOUNT, DieRaster

GROUND, LOWER, UPPER = (0.1, 0.1, 0.1), (0.3, 0.5, 0.4), (0.9, 0.7, 0.8)
EXACT_PX = 2e-5
"""Sums of some dozens of values of single precision."""

fraction = st.floats(0.0, 1.0, exclude_max=True)
sides_px = st.tuples(fraction, fraction, fraction, fraction)


def drawn(sheet: Sheet, width: float = 40.0, height: float = 40.0) -> np.ndarray:
    die = Die(width, height, tuple(sheet.layers), (), 0.0, 0)
    return DieRaster(die, 1.0).window(0, 0, round(np.ceil(height)), round(np.ceil(width)))


def on_ground() -> Sheet:
    sheet = Sheet()
    sheet.box(GROUND, (-9.0, -9.0, 60.0, 60.0))
    return sheet


def box_at(sides: tuple[float, float, float, float]) -> tuple[float, float, float, float]:
    return 8.0 + sides[0], 9.0 + sides[1], 30.0 + sides[2], 28.0 + sides[3]


def ground_left(picture: np.ndarray, colours: list[tuple[float, float, float]]) -> np.ndarray:
    """How much of the ground is seen in every pixel (H, W), its colour and two others being all there is."""
    mixed = np.array([(*colour, 1.0) for colour in colours])
    seen = np.concatenate([picture, np.ones((1, *picture.shape[1:]))])
    return np.einsum("k,kij->ij", np.linalg.pinv(mixed.T)[0], seen)


def four_sides(ground: np.ndarray) -> tuple[float, float, float, float]:
    """Where what lies on the ground begins and ends along the middle row and column."""
    row, column = ground[18], ground[:, 18]
    return row[:18].sum(), column[:18].sum(), len(row) - row[18:].sum(), len(column) - column[18:].sum()


@settings(max_examples=40, deadline=None)
@given(sides_px)
def test_a_layer_flush_with_the_one_below_hides_no_more_ground(sides):
    sheet = on_ground()
    sheet.box(LOWER, box_at(sides))
    sheet.frame(UPPER, box_at(sides), 3.3, 0.8)
    colours = [GROUND, LOWER, tuple(0.2 * a + 0.8 * b for a, b in zip(LOWER, UPPER, strict=True))]
    assert four_sides(ground_left(drawn(sheet), colours)) == pytest.approx(box_at(sides), abs=EXACT_PX)


@settings(max_examples=25, deadline=None)
@given(sides_px, fraction)
def test_layers_that_meet_leave_no_ground_between_them(sides, where):
    x0, y0, x1, y1 = box_at(sides)
    sheet = on_ground()
    sheet.box(LOWER, (x0, y0, 17.0 + where, y1))
    sheet.area(UPPER, box(17.0 + where, y0, x1, y1))
    ground = ground_left(drawn(sheet), [GROUND, LOWER, UPPER])
    assert four_sides(ground) == pytest.approx((x0, y0, x1, y1), abs=EXACT_PX)
    assert ground[12:26, 12:26] == pytest.approx(0.0, abs=EXACT_PX)


@settings(max_examples=25, deadline=None)
@given(sides_px)
def test_two_edges_within_one_pixel_are_both_where_they_were_put(sides):
    x0, y0, x1, y1 = box_at(sides)
    sheet = on_ground()
    sheet.box(LOWER, (x0, y0, x1, y1))
    sheet.box(UPPER, (x0 + 0.3, y0 + 0.3, x1 - 0.3, y1 - 0.3))
    ground = ground_left(drawn(sheet), [GROUND, LOWER, UPPER])
    assert four_sides(ground) == pytest.approx((x0, y0, x1, y1), abs=EXACT_PX)


@settings(max_examples=25, deadline=None)
@given(sides_px)
def test_a_winding_of_upright_sides_is_as_wide_over_its_underpass(sides):
    x0, y0, x1, _ = box_at(sides)
    sheet = on_ground()
    line = LineString([(x0 + 3.0, 40.0), (x0 + 3.0, y0 + 3.0), (x1 - 3.0, y0 + 3.0), (x1 - 3.0, 40.0)])
    for colour in (LOWER, UPPER):
        sheet.area(colour, line.buffer(3.0, cap_style="flat", join_style="mitre"))
    ground = ground_left(drawn(sheet), [GROUND, LOWER, UPPER])
    row = ground[25]
    assert row[:18].sum() - (18.0 - (x0 + 6.0)) == pytest.approx(x0, abs=EXACT_PX)
    assert 40.0 - row[18:].sum() + (x1 - 6.0 - 18.0) == pytest.approx(x1, abs=EXACT_PX)
    assert ground[:12, 18].sum() == pytest.approx(y0, abs=EXACT_PX)


@pytest.mark.parametrize("size", [(300.0, 290.0), (300.31, 290.64), (300.5, 290.5), (300.87, 290.08)])
def test_a_die_ends_where_its_size_says(size):
    width, height = size
    sheet = Sheet()
    add_rim(sheet, width, height, Rim(1.0), np.random.default_rng(3))
    raster = DieRaster(Die(width, height, tuple(sheet.layers), (), 0.0, 5), 1.0)
    mount = DieRaster(Die(width, height, (), (), 0.0, 5), 1.0)
    picture, ground = (each.window(120, 280, 5, 40)[0, 2] for each in (raster, mount))
    rim = 0.2 * 0.27 + 0.8 * 0.20
    seen = (picture - ground) / (rim - ground)
    # What lies below is not even; the rim is, from the last whole pixel of the die on.
    assert 280.0 + 19.0 + seen[19:].sum() == pytest.approx(width, abs=1e-4)
    picture, ground = (each.window(270, 120, 40, 5)[0, :, 2] for each in (raster, mount))
    seen = (picture - ground) / (rim - ground)
    assert 270.0 + 19.0 + seen[19:].sum() == pytest.approx(height, abs=1e-4)
    assert MOUNT[0] < rim


def test_a_bank_flush_with_its_array_ends_where_the_truth_says():
    sheet = on_ground()
    plan = MemoryPlan(14.13, 12.27, 2, 2, 1, 1, 4.0, False, False)
    add_memory(sheet, "Array", (8.4, 9.7), plan, np.random.default_rng(0), base=UPPER)
    (below,) = sheet.layers[1:2]
    ground = ground_left(drawn(sheet), [GROUND, below.colour, UPPER])
    # Between the two cells of a row or column lies more than a pixel of base alone.
    row, column = ground[21], ground[:, 22]
    assert row[:20].sum() == pytest.approx(8.4, abs=EXACT_PX)
    assert column[:20].sum() == pytest.approx(9.7, abs=EXACT_PX)
    assert 40.0 - row[20:].sum() == pytest.approx(8.4 + 2 * 14.13, abs=EXACT_PX)
    assert 40.0 - column[20:].sum() == pytest.approx(9.7 + 2 * 12.27, abs=EXACT_PX)


def test_windows_agree_wherever_they_begin():
    rng = np.random.default_rng(8)
    sheet = on_ground()
    for k in range(200):
        x, y, w, h = rng.uniform(0.0, 500.0, 2).tolist() + rng.uniform(2.0, 60.0, 2).tolist()
        if k % 2:
            sheet.box(UPPER, (x, y, x + w, y + h), 0.6)
        else:
            sheet.rectangles(LOWER, [(x, y, x + w, y + h), (x + w, y, x + w + 9.0, y + h)], 0.7)
    raster = DieRaster(Die(500.0, 500.0, tuple(sheet.layers), (), 1.0, 2), 1.0)
    whole = raster.window(-3, -5, 520, 530)
    np.testing.assert_allclose(raster.window(190, 201, 120, 150), whole[:, 193:313, 206:356], atol=1e-5)


def test_an_axis_is_cut_where_edges_lie_and_nowhere_else():
    axis = cut_axis(np.array([-0.5, 0.25, 0.25 + 1e-9, 2.0, 3.5]), 3)
    np.testing.assert_allclose(axis.lines_px, [0.0, 0.25, 1.0, 2.0, 3.0])
    np.testing.assert_allclose(axis.to_cells(np.array([-1.0, 0.125, 0.625, 3.0, 5.0])), [-1.0, 0.5, 1.5, 4.0, 6.0])
    np.testing.assert_allclose(axis.means(np.array([[1.0, 2.0, 3.0, 4.0]]), axis=1), [[1.75, 3.0, 4.0]])
