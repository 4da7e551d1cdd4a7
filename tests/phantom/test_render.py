"""Edges are where the drawing puts them, and every window shows the same die."""

import numpy as np
import pytest
from shapely.geometry import box

from dieplat.phantom.camera import Frame
from dieplat.phantom.die import DiePlan, plan_die
from dieplat.phantom.layers import Die, Sheet
from dieplat.phantom.render import FINE, DieRaster, look


def plain_die(rect):
    sheet = Sheet()
    sheet.box((0.2, 0.2, 0.2), (-100.0, -100.0, 300.0, 300.0))
    sheet.area((0.8, 0.8, 0.8), box(*rect))
    return Die(200.0, 200.0, tuple(sheet.layers), (), 0.0, 0)


@pytest.mark.parametrize("angle", [0.0, 0.35, -0.5, 3.0])
@pytest.mark.parametrize("shift", [0.0, 0.23, 0.5, 0.81])
def test_an_edge_is_true_to_a_hundredth_of_a_pixel(angle, shift):
    raster = DieRaster(plain_die((60.0, 40.0, 140.0, 160.0)), 0.5)
    frame = Frame(0.5, 0.5, angle, (200.0 + shift, 200.0), (100.0, 100.0))
    rows, columns = np.arange(150, 250) + 0.5, np.arange(80, 320) + 0.5
    x, y = np.meshgrid(columns, rows)
    level = (look(raster, *frame.to_die(x, y))[..., 0] - 0.2) / 0.6
    # The bright width left of the middle, summed row by row, ends at the left edge whatever the blur.
    left = 200.0 - level[:, columns < 200.0].sum(axis=1)
    turn = np.radians(angle)
    true = 200.0 + shift - 80.0 / np.cos(turn) - (rows - 200.0) * np.tan(turn)
    # Row by row the sampling may ripple a little; the mean over many rows must not be off at all.
    assert np.abs(left - true).max() < 0.01
    assert abs((left - true).mean()) < 0.002


def test_windows_of_the_same_die_agree_where_they_overlap():
    raster = DieRaster(plan_die(420.0, 360.0, 0.5, DiePlan(), seed=3), 0.5)
    whole = raster.window(-20, -30, 300, 400)
    part = raster.window(77, 113, 120, 150)
    # float32 picture, float64 running sums that start elsewhere.
    np.testing.assert_allclose(part, whole[:, 97:217, 143:293], atol=2e-5)


def test_the_texture_stays_with_the_die_and_not_with_the_window():
    die = Die(200.0, 200.0, (), (), 1.0, 4)
    raster = DieRaster(die, 0.5)
    a, b = raster.window(0, 0, 100, 100), raster.window(40, 40, 60, 60)
    np.testing.assert_allclose(a[:, 40:, 40:], b, atol=1e-6)
    assert a.std() > 0.01


def test_a_frame_leads_there_and_back():
    frame = Frame(0.52, 0.49, 0.4, (310.0, 205.0), (150.0, 90.0))
    points = np.array([[0.0, 0.0], [300.0, 12.5], [77.0, 180.0]])
    there = frame.to_mosaic(points)
    np.testing.assert_allclose(np.column_stack(frame.to_die(there[:, 0], there[:, 1])), points, atol=1e-10)


def test_a_fine_raster_shows_narrow_bars_with_fewer_beats():
    """A row of narrow bars seen on the slant: three raster points a pixel beat a quarter as much as one."""
    bars = [(4.3 * k, 0.0, 4.3 * k + 1.1, 60.0) for k in range(40)]
    sheet = Sheet()
    sheet.box((0.2, 0.2, 0.2), (-100.0, -100.0, 300.0, 300.0))
    sheet.rectangles((0.8, 0.8, 0.8), np.array(bars))
    die = Die(172.0, 60.0, tuple(sheet.layers), (), 0.0, 0)
    frame = Frame(1.0, 1.0, 0.8, (100.0, 50.0), (86.0, 30.0))
    x, y = np.meshgrid(np.arange(20, 180) + 0.5, np.arange(30, 70) + 0.5)
    once, fine, finest = (look(DieRaster(die, 1.0 / points, points), *frame.to_die(x, y)) for points in (1, FINE, 12))
    assert np.abs(fine - finest).max() < 0.25 * np.abs(once - finest).max()
    assert np.abs(fine - finest).max() < 0.025 * 0.6  # of the bars' contrast


def test_a_fine_raster_keeps_the_size_of_grain_and_stains():
    sheet = Sheet()
    sheet.box((0.5, 0.5, 0.5), (-100.0, -100.0, 300.0, 300.0))
    die = Die(200.0, 200.0, tuple(sheet.layers), (), 1.0, 4)
    x, y = np.meshgrid(np.arange(20, 180) + 0.5, np.arange(30, 170) + 0.5)
    once, fine = (look(DieRaster(die, 1.0 / points, points), x, y)[..., 1] for points in (1, FINE))
    assert np.corrcoef(once.ravel(), fine.ravel())[0, 1] > 0.98
    assert fine.std() == pytest.approx(once.std(), rel=0.05)
