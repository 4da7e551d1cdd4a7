"""The die found by itself on drawn pictures."""

import numpy as np
import pytest
from edge_pictures import picture_of, points_of, turned_box
from shapely.geometry import box

from dieplat.errors import UndecidedError
from dieplat.measurement.edge_fit import find_edge
from dieplat.measurement.outline import find_outline
from memory_mosaic import Memory

MIDDLE_POWER = 0.666
"""Of a camera's tone curve: the one whose shift is that to be expected of all (`edge_tone.EXPECTED`)."""


def with_blocks(die):
    """A die with bright and dark things on it, some near its edge."""
    x, y = die.centroid.x, die.centroid.y
    return [
        (die, 70.0),
        (box(x - 300, y - 150, x - 40, y + 100), 130.0),
        (box(x + 20, y - 180, x + 300, y - 20), 40.0),
        (box(x + 320, y + 100, x + 370, y + 150), 200.0),
    ]


def specks(picture, seed):
    """Bright flecks on the ground: what adhesive looks like."""
    rng = np.random.default_rng(seed)
    for x, y in zip(rng.integers(0, picture.width_px, 60), rng.integers(0, picture.height_px, 60), strict=True):
        if not 30 < x < picture.width_px - 30 or not 30 < y < picture.height_px - 30:
            picture.picture[y : y + 3, x : x + 3] = 120
    return picture


@pytest.mark.parametrize(("degrees", "seed"), [(0.0, 1), (0.4, 2), (-1.7, 3)])
def test_the_outline_is_found_to_a_fraction_of_a_pixel(degrees, seed):
    truth = turned_box(50.4, 60.2, 950.8, 640.3, degrees)
    picture = specks(picture_of(with_blocks(truth), (700, 1000), ground=28.0, seed=seed), seed)
    found = find_outline(picture)
    corners = points_of(found.polygon)
    apart = np.linalg.norm(corners[:, None] - points_of(truth)[None], axis=2).min(axis=1)
    assert apart.max() < 0.3
    assert all(0 < u < 0.3 for pair in found.vertex_u_px.values() for u in pair)
    assert set(found.vertex_u_px) == {tuple(corner) for corner in corners.tolist()}


@pytest.mark.parametrize("power", [1.0, MIDDLE_POWER, 1.0 / 2.4])
def test_a_ring_near_the_edge_moves_it_by_no_more_than_is_stated(power):
    truth = box(50.4, 60.2, 950.8, 640.3)
    ring = truth.buffer(-2.6, join_style="mitre").difference(truth.buffer(-4.4, join_style="mitre"))
    found = find_outline(picture_of([(truth, 70.0), (ring, 85.0)], (700, 1000), ground=28.0, power=power))
    off = np.abs(np.subtract(found.polygon.bounds, truth.bounds))
    assert off.max() < 1.2 * found.edge_u_px < 0.36


@pytest.mark.parametrize(("power", "side"), [(1.0, -1), (1.0 / 2.4, 1)])
def test_cameras_with_and_without_a_tone_curve_lie_on_both_sides_of_what_is_stated(power, side):
    """Light to the power 1/2.4 (sRGB, IEC 61966-2-1) puts half height outwards of a bright die's edge; the outline
    allows for a third of that, so that it lies too far in where the camera has no tone curve."""
    truth = turned_box(50.4, 60.2, 950.8, 640.3, 0.4)
    found = find_outline(picture_of(with_blocks(truth), (700, 1000), ground=28.0, power=power))
    out = (found.polygon.length - truth.length) / 8
    assert 0.5 < side * out / found.edge_u_px < 2.0


def with_rim(width_px: float, blur: float = 0.8, power: float = MIDDLE_POWER):
    """A die whose sawn rim is two thirds as bright against the ground as the die itself."""
    truth = box(50.4, 60.2, 950.8, 640.3)
    die = truth.buffer(-width_px, join_style="mitre")
    return find_outline(
        picture_of([(truth, 66.0), (die, 85.0)], (700, 1000), ground=28.0, blur=blur, power=power)
    ), truth


@pytest.mark.parametrize("width_px", [2.5, 3.5, 4.5])
def test_a_sawn_rim_is_told_from_the_die(width_px):
    found, truth = with_rim(width_px)
    assert np.abs(np.subtract(found.polygon.bounds, truth.bounds)).max() < 0.1
    # The tone curve's part is 0.08 to 0.1.
    assert found.edge_u_px < 0.12


@pytest.mark.parametrize("width_px", [0.0, 1.2, 1.6, 2.0])
def test_a_narrow_rim_is_told_by_the_blur_of_what_is_on_the_die(width_px):
    truth = box(30.4, 25.2, 350.8, 270.3)
    die = truth.buffer(-width_px, join_style="mitre")
    pads = [(box(x, y, x + 30.3, y + 30.3), 180.0) for x in np.arange(52.1, 310, 48.4) for y in (44.6, 221.9)]
    pads += [(box(x, y, x + 30.3, y + 30.3), 180.0) for x in (52.1, 294.1) for y in (88.4, 132.7, 177.2)]
    found = find_outline(
        picture_of([(truth, 66.0), (die, 85.0), *pads], (300, 380), ground=28.0, fine=3, power=MIDDLE_POWER)
    )
    assert np.abs(np.subtract(found.polygon.bounds, truth.bounds)).max() < 0.1
    assert found.edge_u_px < 0.2


@pytest.mark.parametrize("width_px", [3.0, 4.5])
def test_a_rim_dimmer_than_half_the_die_is_part_of_it_or_the_side_is_refused(width_px):
    truth = box(50.4, 60.2, 950.8, 640.3)
    die = truth.buffer(-width_px, join_style="mitre")
    try:
        found = find_outline(picture_of([(truth, 52.0), (die, 85.0)], (700, 1000), ground=28.0, power=MIDDLE_POWER))
    except UndecidedError:
        assert width_px < 4.0  # beyond, both borders stand out by themselves
        return
    assert np.abs(np.subtract(found.polygon.bounds, truth.bounds)).max() < 0.1
    assert found.edge_u_px < 0.1


@pytest.mark.parametrize("power", [1.0, 1.0 / 2.4])
def test_a_rim_is_told_within_what_is_stated_whatever_the_camera_writes(power):
    """Both are the ends of what is allowed for, 1.3 and 2.3 standard uncertainties of the tone curve's part away."""
    found, truth = with_rim(3.5, power=power)
    assert np.abs(np.subtract(found.polygon.bounds, truth.bounds)).max() < 2.5 * found.edge_u_px


def test_a_rim_too_narrow_to_be_told_is_in_the_uncertainty():
    found, truth = with_rim(1.6, blur=1.2)
    off = np.abs(np.subtract(found.polygon.bounds, truth.bounds))
    assert off.max() < 2.0 * found.edge_u_px


def test_a_picture_that_shows_no_ground_is_refused():
    noise = np.random.default_rng(1).normal(120, 10, (600, 800, 3))
    with pytest.raises(UndecidedError):
        find_outline(Memory(np.clip(noise, 0, 255).astype(np.uint8)))
    with pytest.raises(UndecidedError):
        find_outline(Memory(np.full((600, 800), 120, np.uint8)))


def test_a_die_that_reaches_the_rim_is_refused():
    picture = picture_of(with_blocks(box(50, 60, 1100, 640)), (700, 1000), ground=28.0)
    with pytest.raises(UndecidedError):
        find_outline(picture)


def test_something_small_or_not_a_rectangle_is_refused():
    with pytest.raises(UndecidedError, match="too small"):
        find_outline(picture_of([(box(400, 300, 500, 380), 90.0)], (700, 1000), ground=28.0))
    round_die = box(500, 350, 500.1, 350.1).buffer(300, quad_segs=64)
    with pytest.raises(UndecidedError):
        find_outline(picture_of([(round_die, 90.0)], (700, 1000), ground=28.0))


@pytest.mark.parametrize("shades", [(40.0, 120.0, 40.0), (120.0, 40.0, 120.0)])
def test_lines_within_the_die_are_not_taken_for_a_weak_edge(shades):
    """Seal lines 9 px within an edge that hardly shows: a coarse guess that lies on them has nothing else in reach."""
    lines = [(box(59.6 + 1.5 * k, 0.0, 61.1 + 1.5 * k, 700.0), shade) for k, shade in enumerate(shades)]
    picture = picture_of([(box(0.0, 0.0, 50.4, 700.0), 66.0), *lines], (700, 1000), ground=70.0, seed=4)
    guess = np.array([60.2, 620.0]), np.array([60.2, 80.0])
    with pytest.raises(UndecidedError, match="differs from a step"):
        find_edge(picture, *guess, reach_px=4.5, choice="outermost")


@pytest.mark.parametrize(("known", "fits"), [((0.85, 0.05), True), ((1.1, 0.05), True), ((1.7, 0.05), False)])
def test_what_is_sharper_than_edges_on_the_die_is_not_taken_for_its_edge(known, fits):
    """A side with a blur of 0.8 px, with a pixel's own width 0.85, where edges beside it are as sharp, a little less or
    much less."""
    picture = picture_of([(box(0.0, 0.0, 50.4, 700.0), 90.0)], (700, 1000), ground=28.0, seed=4)
    guess = np.array([50.0, 620.0]), np.array([50.0, 80.0])
    if fits:
        found = find_edge(picture, *guess, reach_px=4.5, choice="outermost", blur_px=known)
        assert abs(found.point[0] - 50.4) < 0.3
        return
    with pytest.raises(UndecidedError, match="sharper"):
        find_edge(picture, *guess, reach_px=4.5, choice="outermost", blur_px=known)
