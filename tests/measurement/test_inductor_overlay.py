"""The overlay lies where the geometry says, and nowhere else."""

from __future__ import annotations

import numpy as np
import pytest
from shapely.geometry import box

from dieplat.measurement.inductor.overlay import draw_overlay, draw_refused, overlay
from dieplat.values import InductorGeometry

GEOMETRY = InductorGeometry(
    shape="square",
    turns=1.5,
    outer_um=40.0,
    inner_um=12.0,
    width_um=4.0,
    spacing_um=6.0,
    method="image",
    centre_px=(160.0, 240.0),
    path_um=((70.0, 102.0), (70.0, 138.0), (98.0, 138.0)),
)


def test_lines_are_in_mosaic_pixels():
    # 0.5 um a pixel: the first point, (70, 102) um, lies at (140, 204) px; edges 4 px to both sides.
    found = overlay(GEOMETRY, um_per_px_x=0.5, um_per_px_y=0.5)
    assert found.centre_line[0] == pytest.approx((140.0, 204.0))
    assert found.ports == ((140.0, 204.0), (196.0, 276.0))
    assert sorted(edge[:, 0].min() for edge in found.edges) == pytest.approx([136.0, 144.0])
    assert (found.outer.min(axis=0), found.outer.max(axis=0)) == (
        pytest.approx((120.0, 200.0)),
        pytest.approx((200.0, 280.0)),
    )
    assert np.ptp(found.inner[:, 0]) == pytest.approx(24.0)


def test_a_geometry_without_place_has_no_outlines():
    bare = InductorGeometry("circle", 2.0, 40.0, 12.0, 4.0, 6.0, "given")
    found = overlay(bare, um_per_px_x=0.5, um_per_px_y=0.5)
    assert found.ports == ()
    assert found.edges == ()
    assert len(found.outer) == 0


def test_the_picture_is_changed_along_the_lines_only():
    crop = np.full((120, 120), 90, np.uint8)
    found = overlay(GEOMETRY, um_per_px_x=0.5, um_per_px_y=0.5)
    picture = draw_overlay(crop, found, origin_px=(100.0, 180.0))
    assert picture.shape == (120, 120, 3)
    assert picture.dtype == np.uint8
    # The first side runs down column 40 of the crop; the middle of the winding is left as it is.
    assert picture[60, 40].sum() != 270
    assert (picture[60, 60] == 90).all()
    assert (crop == 90).all()


def test_the_line_stays_in_the_middle_of_its_metal_when_enlarged():
    crop = np.zeros((120, 120), np.uint8)
    found = overlay(GEOMETRY, um_per_px_x=0.5, um_per_px_y=0.5)
    picture = draw_overlay(crop, found, origin_px=(100.0, 180.0), enlarge=4.0)
    row = picture[4 * 60 + 2].astype(float)
    white = np.flatnonzero(row.min(axis=1) > 100)
    white = white[white < 300]
    # Coordinate 40 is the border between two pixels of the crop, 160 of the picture: pixels 159 and 160 share it.
    assert white.mean() + 0.5 == pytest.approx(160.0, abs=0.6)


def test_sixteen_bits_and_a_refused_outline():
    crop = np.full((50, 60, 3), 40000, np.uint16)
    picture = draw_refused(crop, box(10, 10, 40, 40), enlarge=2.0)
    assert picture.shape == (100, 120, 3)
    assert (picture[10, 10] == 40000 >> 8).all()
    assert (picture[50, 20] != 40000 >> 8).any()
