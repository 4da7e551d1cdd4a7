"""Inductors read from drawn pictures: counts must be right or refused, lengths within a part of a pixel."""

from __future__ import annotations

import re
import sys
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.affinity import affine_transform, rotate, translate
from shapely.geometry import LineString, box
from shapely.ops import unary_union

from dieplat.errors import UndecidedError
from dieplat.measurement.inductors import measure_inductor
from dieplat.phantom.inductor import draw_spiral as phantom_spiral

sys.path.insert(0, str(Path(__file__).parent))
from inductor_drawing import draw_spiral, draw_symmetric, finish, paint

# Sub-pixel edges: the aim stated for the tool; the errors seen are a tenth of it.
EDGE_PX = 0.3


def measure(drawn, **scale):
    return measure_inductor(drawn.image, drawn.polygon, **({"um_per_px_x": 1.0, "um_per_px_y": 1.0} | scale))


def check(found, drawn):
    assert (found.shape, found.turns, found.method) == (drawn.shape, drawn.turns, "image")
    assert found.width_um == pytest.approx(drawn.width, abs=EDGE_PX)
    assert found.spacing_um == pytest.approx(drawn.spacing, abs=EDGE_PX)
    # Four standard uncertainties: a chance of 6e-5 a comparison, were they normal.
    assert abs(found.outer_um - drawn.outer) < 4 * found.outer_um_u
    assert abs(found.inner_um - drawn.inner) < 4 * found.inner_um_u


@pytest.mark.parametrize(
    ("shape", "turns", "rotation", "drift"),
    [
        ("square", 2.5, 0.0, False),
        ("square", 3.25, 0.4, False),
        ("hexagon", 3.0, 0.2, False),
        ("octagon", 2.75, 0.0, False),
        ("circle", 3.0, 0.0, False),
        ("circle", 2.25, 0.0, True),
    ],
)
def test_spiral(shape, turns, rotation, drift):
    rng = np.random.default_rng(7)
    drawn = draw_spiral(rng, shape, turns, 170.0, 8.3, 6.1, rotation=rotation, drift=drift)
    found = measure(drawn)
    check(found, drawn)
    assert found.symmetric is not True
    assert np.hypot(found.centre_px[0] - drawn.centre[0], found.centre_px[1] - drawn.centre[1]) < 1.0


@pytest.mark.parametrize("reach", [0.25, 0.5])
def test_a_last_side_that_is_hardly_begun_counts_as_drawn(reach):
    # At a whole turn the last side ends where the next would lie a pitch further in: here a third of it is left.
    coil = phantom_spiral("octagon", 2.0, 186.0, 12.7, 11.8, centre_um=(150.0, 150.0), lead_um=40.0)
    end, along = coil.path_um[-1], coil.path_um[-1] - coil.path_um[-2]
    along = along / np.hypot(*along) * coil.width_um
    cut = LineString([end + reach * along, end + 0.6 * along]).buffer(0.51 * coil.width_um, cap_style="flat")
    metal = unary_union(coil.metal).difference(cut)
    size, rng = (300, 300), np.random.default_rng(44)
    look = {"blur": 1.4, "noise": 3.0, "levels": None, "light": 0.2, "colour": True}
    image = finish(paint(size, metal), paint(size, unary_union(coil.under)), rng, **look)
    found = measure_inductor(image, box(40, 40, 260, 260), um_per_px_x=1.0, um_per_px_y=1.0)
    assert (found.shape, found.turns) == ("octagon", 2.0)
    assert found.inner_um == pytest.approx(coil.inner_um, abs=4 * found.inner_um_u)


@pytest.mark.parametrize(("shape", "turns"), [("octagon", 3), ("square", 2)])
def test_a_winding_with_crossings_is_told_from_a_spiral(shape, turns):
    drawn = draw_symmetric(np.random.default_rng(3), shape, turns, 170.0, 9.0, 6.0)
    found = measure(drawn)
    check(found, drawn)
    assert found.symmetric is True


def test_a_crossing_whose_lower_half_shines_through_is_one_crossing():
    levels = ((70, 60, 90), (190, 170, 120), (139, 123, 107))
    drawn = draw_symmetric(np.random.default_rng(9), "octagon", 3, 180.0, 9.0, 6.0, levels=levels)
    found = measure(drawn)
    check(found, drawn)
    assert found.symmetric is True


@pytest.mark.parametrize(("shape", "turns"), [("hexagon", 2 + 1 / 6), ("hexagon", 1 + 5 / 6), ("octagon", 2.625)])
def test_a_polygon_may_end_after_any_side(shape, turns):
    drawn = draw_spiral(np.random.default_rng(21), shape, turns, 180.0, 9.0, 7.0, rotation=0.3)
    assert measure(drawn).turns == pytest.approx(turns, abs=1e-9)


@pytest.mark.parametrize(("shape", "turns"), [("square", 2.5), ("octagon", 2.75), ("circle", 2.5)])
def test_the_centre_line_is_traced_from_end_to_end(shape, turns):
    drawn = draw_spiral(np.random.default_rng(8), shape, turns, 180.0, 9.0, 7.0, rotation=0.7)
    line = LineString(measure(drawn).path_um)
    true = LineString(drawn.line)
    # The ends are open by half a width each: where metal ends, it may be by the via's half width.
    assert line.length == pytest.approx(true.length, abs=2 * drawn.width)
    middle = [line.interpolate(part, normalized=True) for part in np.linspace(0.05, 0.95, 50)]
    assert max(true.distance(point) for point in middle) < 2 * EDGE_PX
    assert np.hypot(*(np.array(line.coords[0]) - drawn.line[0])) < drawn.width


def test_a_side_hidden_by_the_underpass_stays_on_its_ring():
    # The underpass covers one half of the side on which the winding steps in, the step the other.
    levels = ((70, 60, 90), (190, 170, 120), (125, 110, 103))
    drawn = draw_spiral(
        np.random.default_rng(20), "hexagon", 2 + 5 / 6, 254.0, 15.0, 8.4, rotation=0.4, blur=1.6, levels=levels
    )
    line, true = LineString(measure(drawn).path_um), LineString(drawn.line)
    middle = [line.interpolate(part, normalized=True) for part in np.linspace(0.02, 0.98, 100)]
    assert max(true.distance(point) for point in middle) < 3 * EDGE_PX


def test_the_centre_line_of_a_winding_with_crossings_passes_all_rings():
    drawn = draw_symmetric(np.random.default_rng(3), "octagon", 3, 200.0, 9.0, 6.0)
    line = LineString(measure(drawn).path_um)
    around = np.unwrap(np.arctan2(*(np.array(line.coords) - drawn.centre).T[::-1]))
    # Three rings from port to port, less the port.
    assert abs(around[-1] - around[0]) / (2 * np.pi) == pytest.approx(3.0, abs=0.1)
    assert not line.is_simple
    rings = sum((drawn.outer - drawn.width) / 2 - k * 15.0 for k in range(3))
    assert line.length == pytest.approx(2 * 8 * np.tan(np.pi / 8) * rings, rel=0.03)


def test_a_ring_of_metal_around_is_not_counted_but_told():
    drawn = draw_spiral(np.random.default_rng(4), "octagon", 2.5, 160.0, 8.0, 6.0, ringed=True, loose=1.5)
    found = measure(drawn)
    check(found, drawn)
    assert any("ring of metal" in remark for remark in found.remarks)


def test_an_outline_on_the_outermost_edge_will_do():
    drawn = draw_spiral(np.random.default_rng(14), "square", 2.25, 160.0, 8.0, 6.0)
    (x, y), half = drawn.centre, drawn.outer / 2
    found = measure_inductor(drawn.image, box(x - half, y - half, x + half, y + half), um_per_px_x=1.0, um_per_px_y=1.0)
    check(found, drawn)


def test_a_taper_is_told_and_the_mean_is_stated():
    drawn = draw_spiral(np.random.default_rng(15), "square", 3.0, 220.0, 8.0, 9.0, taper=1.5)
    found = measure(drawn)
    assert found.turns == 3.0
    assert found.width_um == pytest.approx(9.5, abs=EDGE_PX)
    told = [
        re.search(r"its width changes from turn to turn by ([+-][\d.]+) um inwards", remark) for remark in found.remarks
    ]
    assert [float(words[1]) for words in told if words] == [pytest.approx(1.5, abs=EDGE_PX / 2)]
    # Along the line the widths are those of the three turns, four sides each.
    assert found.piece_widths_um == pytest.approx(np.repeat([8.0, 9.5, 11.0], 4), abs=EDGE_PX)


def test_an_even_conductor_has_no_taper():
    drawn = draw_spiral(np.random.default_rng(16), "square", 3.0, 200.0, 8.0, 9.0)
    found = measure(drawn)
    assert not any("changes" in remark for remark in found.remarks)
    assert found.piece_widths_um == ()


def test_an_end_part_of_the_way_along_a_side_is_stated_as_such():
    drawn = draw_spiral(np.random.default_rng(17), "square", 2.5, 180.0, 8.0, 7.0, leads=False)
    image = drawn.image.copy()
    # The last side is cut at half its length: 2.25 turns and about half a side.
    last = drawn.line[-2:]
    middle = last.mean(axis=0)
    x0, x1 = sorted((middle[0], last[1][0] + np.sign(last[1][0] - middle[0]) * 8))
    y0, y1 = sorted((middle[1], last[1][1] + np.sign(last[1][1] - middle[1]) * 8))
    rows, columns = slice(int(y0) - 6, int(y1) + 6), slice(int(x0), int(x1))
    if abs(last[0][0] - last[1][0]) < 1:
        rows, columns = slice(int(y0), int(y1)), slice(int(x0) - 6, int(x1) + 6)
    image[rows, columns] = image[int(drawn.centre[1]), int(drawn.centre[0])]
    found = measure_inductor(image, drawn.polygon, um_per_px_x=1.0, um_per_px_y=1.0)
    assert found.turns == pytest.approx(2.375, abs=0.03)
    assert any("part of the way" in remark for remark in found.remarks)


@settings(max_examples=8, deadline=None, derandomize=True)
@given(quarters=st.integers(0, 3), mirrored=st.booleans(), inverted=st.booleans(), um=st.sampled_from([0.2, 3.0]))
def test_turning_mirroring_inverting_and_scaling_change_nothing(quarters, mirrored, inverted, um):
    drawn = draw_spiral(np.random.default_rng(30), "hexagon", 1.5, 120.0, 7.0, 6.0, rotation=0.2)
    image, size = drawn.image, drawn.image.shape[0]
    outline = drawn.polygon
    if mirrored:
        image, outline = image[:, ::-1], affine_transform(outline, [-1, 0, 0, 1, size, 0])
    image = np.rot90(image, quarters)
    outline = rotate(outline, -90 * quarters, origin=(size / 2, size / 2))
    image = 255 - image if inverted else image
    found = measure_inductor(image, outline, um_per_px_x=um, um_per_px_y=um)
    assert (found.shape, found.turns, found.symmetric) == ("hexagon", 1.5, False)
    assert found.width_um / um == pytest.approx(drawn.width, abs=EDGE_PX)
    assert found.spacing_um / um == pytest.approx(drawn.spacing, abs=EDGE_PX)
    assert LineString(found.path_um).length / um == pytest.approx(LineString(drawn.line).length, abs=2 * drawn.width)


def test_rotation_is_that_of_the_side_normals():
    drawn = draw_spiral(np.random.default_rng(5), "hexagon", 2.5, 160.0, 8.0, 6.0, rotation=np.radians(17.0))
    # A side is some 90 px long and its ends are known to a tenth of a pixel, 0.1 degrees.
    assert measure(drawn).rotation_deg == pytest.approx(17.0, abs=1.0)


@pytest.mark.parametrize(
    ("levels", "colour", "light"),
    [
        (((200, 190, 180), (90, 60, 50), (170, 160, 150)), True, 0.4),
        # Metal and background equally bright, told by colour alone.
        (((120, 100, 140), (130, 140, 60), (122, 108, 125)), True, 0.3),
        (((120, 120, 120), (160, 160, 160), (128, 128, 128)), False, 0.5),
    ],
    ids=["dark metal", "colour only", "weak grey, uneven light"],
)
def test_any_polarity_colour_and_light(levels, colour, light):
    rng = np.random.default_rng(11)
    drawn = draw_spiral(rng, "octagon", 2.5, 170.0, 9.0, 7.0, levels=levels, colour=colour, light=light)
    check(measure(drawn), drawn)


def as_jpeg(image, quality=92):
    """The picture after JPEG with colour at half the sharpness (4:2:0), OpenCV's own choice."""
    saved = cv2.imencode(".jpg", cv2.cvtColor(image, cv2.COLOR_RGB2BGR), [cv2.IMWRITE_JPEG_QUALITY, quality])[1]
    return cv2.cvtColor(cv2.imdecode(saved, cv2.IMREAD_COLOR), cv2.COLOR_BGR2RGB)


def warned(found):
    return any("told apart by colour" in remark for remark in found.remarks)


def test_metal_told_by_colour_alone_is_less_certain_where_colour_is_stored_less_sharply():
    equally_bright = ((120, 90, 90), (80, 112, 80), (105, 97, 87))
    drawn = draw_spiral(np.random.default_rng(45), "square", 2.5, 200.0, 9.0, 8.0, levels=equally_bright)
    sharp = measure(drawn)
    check(sharp, drawn)
    assert not warned(sharp)
    halved = measure(replace(drawn, image=as_jpeg(drawn.image)))
    check(halved, drawn)
    assert warned(halved)
    # 0.75 levels of a step of about 47, over its slope, on both edges of a bar: 0.16 px at a blur of 2 px.
    assert 0.08 < halved.width_um_u < 0.25
    assert halved.width_um_u > 1.5 * sharp.width_um_u


@pytest.mark.parametrize("metal", [(126, 145, 80), (170, 150, 120)], ids=["mostly colour", "mostly brightness"])
def test_edges_are_measured_on_brightness_where_a_picture_keeps_colour_less_sharply(metal):
    levels = ((120, 100, 140), metal, (122, 108, 125))
    drawn = draw_spiral(np.random.default_rng(46), "octagon", 2.5, 190.0, 7.0, 9.0, levels=levels)
    found = measure(replace(drawn, image=as_jpeg(drawn.image)))
    check(found, drawn)
    assert not warned(found)
    # Four standard uncertainties: a chance of 6e-5 each, were they normal.
    assert abs(found.width_um - drawn.width) < 4 * found.width_um_u
    assert abs(found.spacing_um - drawn.spacing) < 4 * found.spacing_um_u


def test_blur_of_a_third_of_the_width_leaves_the_edges_where_they_are():
    drawn = draw_spiral(np.random.default_rng(2), "square", 3.0, 150.0, 5.0, 5.0, blur=1.6)
    check(measure(drawn), drawn)


def test_lengths_scale_and_the_crop_may_lie_anywhere():
    drawn = draw_spiral(np.random.default_rng(4), "square", 2.5, 150.0, 8.0, 6.0)
    found = measure_inductor(
        drawn.image,
        translate(drawn.polygon, 1000.0, 500.0),
        um_per_px_x=0.5,
        um_per_px_y=0.5,
        origin_px=(1000.0, 500.0),
    )
    assert found.width_um == pytest.approx(4.0, abs=0.5 * EDGE_PX)
    assert found.centre_px == pytest.approx((drawn.centre[0] + 1000, drawn.centre[1] + 500), abs=1.0)


def test_pixels_need_not_be_square():
    drawn = draw_spiral(np.random.default_rng(4), "circle", 2.5, 170.0, 9.0, 7.0, drift=True)
    # The same picture with columns 10 % closer together.
    wide = np.stack(
        [
            np.stack(
                [np.interp(np.arange(0, row.shape[0] - 1, 0.9), np.arange(row.shape[0]), row[:, c]) for c in range(3)],
                1,
            )
            for row in drawn.image.astype(float)
        ]
    )
    x0, y0, x1, y1 = drawn.polygon.bounds
    found = measure_inductor(wide, box(x0 / 0.9, y0, x1 / 0.9, y1), um_per_px_x=0.9, um_per_px_y=1.0)
    assert (found.shape, found.turns) == ("circle", 2.5)
    assert found.width_um == pytest.approx(9.0, abs=EDGE_PX)
    assert found.spacing_um == pytest.approx(7.0, abs=EDGE_PX)


def test_noise_alone_is_refused_and_asks_for_a_path():
    noise = np.random.default_rng(0).normal(100, 5, (160, 160, 3)).clip(0, 255).astype(np.uint8)
    with pytest.raises(UndecidedError, match="conductor"):
        measure_inductor(noise, box(2, 2, 158, 158), um_per_px_x=1.0, um_per_px_y=1.0)


def test_parallel_lines_are_refused():
    picture = np.full((160, 160), 60.0)
    picture[:, (np.arange(160) // 8) % 2 == 1] = 180.0
    picture += np.random.default_rng(0).normal(0, 3, picture.shape)
    with pytest.raises(UndecidedError):
        measure_inductor(picture, box(2, 2, 158, 158), um_per_px_x=1.0, um_per_px_y=1.0)


def test_a_single_ring_is_refused_as_it_has_no_spacing():
    drawn = draw_symmetric(np.random.default_rng(1), "octagon", 1, 150.0, 10.0, 6.0)
    with pytest.raises(UndecidedError):
        measure(drawn)


def test_a_quarter_that_is_hidden_is_refused():
    drawn = draw_spiral(np.random.default_rng(6), "circle", 3.5, 170.0, 8.0, 6.0, drift=True)
    image = drawn.image.copy()
    cx, cy = (int(v) for v in drawn.centre)
    image[cy : cy + 120, cx : cx + 120] = (180, 40, 40)
    with pytest.raises(UndecidedError):
        measure_inductor(image, drawn.polygon, um_per_px_x=1.0, um_per_px_y=1.0)


GRIME = 35.0
"""Darker than the drawn metal and ground, as dirt is."""


def specked(drawn, part, radius, level=GRIME):
    """The picture with a round speck on the conductor, `part` of the way along it."""
    at = LineString(drawn.line).interpolate(part, normalized=True)
    y, x = np.indices(drawn.image.shape[:2]) + 0.5
    return covered(drawn, np.hypot(x - at.x, y - at.y) < radius, level)


def covered(drawn, where, level=GRIME):
    """The picture with something opaque on it."""
    over = cv2.GaussianBlur(where.astype(float), (0, 0), 2.0)[..., None]
    return np.round(drawn.image * (1 - over) + np.asarray(level) * over).astype(np.uint8)


@pytest.mark.parametrize(
    ("outer", "width", "spacing", "part"), [(560.0, 32.0, 7.5, 0.46), (330.0, 16.0, 6.5, 0.93), (330.0, 16.0, 6.5, 0.3)]
)
def test_a_speck_of_dust_on_the_conductor_does_not_break_it(outer, width, spacing, part):
    # The speck darkens the middle of its band, and metal runs on around it.
    drawn = draw_spiral(np.random.default_rng(41), "square", 3.25, outer, width, spacing)
    found = measure_inductor(specked(drawn, part, 0.2 * width), drawn.polygon, um_per_px_x=1.0, um_per_px_y=1.0)
    check(found, drawn)


@pytest.mark.parametrize("part", [0.3, 0.55])
def test_a_grain_that_covers_the_whole_width_is_seen_for_what_it_is(part):
    drawn = draw_spiral(np.random.default_rng(41), "square", 3.25, 330.0, 16.0, 6.5)
    found = measure_inductor(specked(drawn, part, 12.0), drawn.polygon, um_per_px_x=1.0, um_per_px_y=1.0)
    check(found, drawn)


@pytest.mark.parametrize("shape", ["square", "octagon", "circle"])
def test_a_fibre_across_all_turns_does_not_break_them(shape):
    drawn = draw_spiral(np.random.default_rng(42), shape, 3.25, 330.0, 12.0, 8.0)
    y, x = np.indices(drawn.image.shape[:2]) + 0.5
    cx, cy = drawn.centre
    along, off = (x - cx) * 0.8 + (y - cy) * 0.6, (y - cy) * 0.8 - (x - cx) * 0.6
    fibre = (along > 0) & (np.abs(off - 6 * np.sin(along / 30)) < 3.5)
    found = measure_inductor(covered(drawn, fibre), drawn.polygon, um_per_px_x=1.0, um_per_px_y=1.0)
    check(found, drawn)


def test_a_cut_through_the_conductor_is_no_dirt_and_is_refused():
    # It shows the ground's own colour, as the gap between two ends does.
    drawn = draw_spiral(np.random.default_rng(41), "square", 3.25, 330.0, 16.0, 6.5, light=0.0)
    cut = specked(drawn, 0.3, 12.0, level=(70.0, 60.0, 90.0))
    with pytest.raises(UndecidedError):
        measure_inductor(cut, drawn.polygon, um_per_px_x=1.0, um_per_px_y=1.0)


def test_dirt_at_the_port_does_not_close_a_winding_with_crossings():
    drawn = draw_symmetric(np.random.default_rng(43), "octagon", 2, 240.0, 11.0, 6.0)
    clean = measure_inductor(drawn.image, drawn.polygon, um_per_px_x=1.0, um_per_px_y=1.0)
    start, stop = clean.path_um[0], clean.path_um[-1]
    y, x = np.indices(drawn.image.shape[:2]) + 0.5
    grain = np.hypot(x - 0.5 * (start[0] + stop[0]), y - 0.5 * (start[1] + stop[1])) < 7
    try:
        found = measure_inductor(covered(drawn, grain), drawn.polygon, um_per_px_x=1.0, um_per_px_y=1.0)
    except UndecidedError:
        return
    assert (found.turns, found.symmetric) == (2.0, True)


def test_blank_and_tiny_outlines_are_refused():
    blank = np.full((100, 100, 3), 80, np.uint8)
    with pytest.raises(UndecidedError):
        measure_inductor(blank, box(5, 5, 95, 95), um_per_px_x=1.0, um_per_px_y=1.0)
    with pytest.raises(UndecidedError, match="pixels"):
        measure_inductor(blank[:10, :10], box(0, 0, 10, 10), um_per_px_x=1.0, um_per_px_y=1.0)
