"""Something that lies over a bank's edge does not make cells vanish unsaid."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
import shapely
from array_pictures import Recipe, draw, framed
from shapely import affinity

from dieplat.errors import UndecidedError
from dieplat.measurement.arrays import measure_array
from dieplat.measurement.arrays_beyond import room_beside
from dieplat.measurement.arrays_places import lattice_of

PLAIN = Recipe(pitch_x=9.3, pitch_y=10.4, columns=(14,), rows=(12,), margin_px=1.0, noise=2.0)


def hair(picture, start: tuple[float, float], end: tuple[float, float], width_px: float):
    """A dark hair over the picture, from start to end (x, y) in cells of `PLAIN`."""
    corner = np.array(PLAIN.offset) + PLAIN.margin_px
    points = [corner + np.array(place) * (PLAIN.pitch_x, PLAIN.pitch_y) for place in (start, end)]
    cover = np.zeros(picture.shape, np.float32)
    ends = [tuple(int(v) for v in np.round(16 * point)) for point in points]
    cv2.line(cover, *ends, 1.0, round(width_px), shift=4)
    cover = cv2.GaussianBlur(cover, (0, 0), 1.0)
    return np.round(picture * (1 - cover) + 30 * cover).astype(np.uint8)


def counted(picture, polygon: shapely.Polygon) -> tuple[int, int, str] | None:
    """Columns, rows and what is said of them; None if refused."""
    try:
        found = measure_array(picture, polygon)
    except UndecidedError:
        return None
    return found.columns, found.rows, " ".join(found.remarks)


@pytest.mark.parametrize(
    ("along", "place", "width", "turned"),
    [
        (0.5, 0.5, 1.0, False),
        (0.8, 0.5, 0.4, True),
        (0.8, 1.5, 1.0, False),
        (1.1, 2.5, 1.0, True),
    ],
)
def test_a_hair_along_an_edge_never_miscounts_unsaid(along: float, place: float, width: float, turned: bool):
    """Rows up to a hair were once taken for all there are, in 54 of 240 pictures with a hair painted along an edge."""
    picture, polygon = draw(PLAIN)
    covered = hair(picture, (-0.1, place), (14 * along, place + 0.3), width * PLAIN.pitch_y)
    if turned:
        covered = covered[::-1]
        polygon = affinity.affine_transform(polygon, [1, 0, 0, -1, 0, covered.shape[0]])
    found = counted(covered, polygon)
    assert found is None or found[:2] == (14, 12) or "room for more cells" in found[2]


def test_a_hair_over_a_first_row_s_part_costs_no_row():
    """What the picture still shows of the row counts."""
    picture, polygon = draw(PLAIN)
    covered = hair(picture, (9.0, 0.5), (14.5, 0.7), 4.0)
    found = counted(covered, polygon)
    assert found is not None
    assert found[:2] == (14, 12)


def test_room_within_the_outline_is_said():
    picture, polygon = draw(PLAIN)
    x0, y0, x1, y1 = polygon.bounds
    found = measure_array(picture, shapely.box(x0, y0, x1 + 1.5 * PLAIN.pitch_x, y1))
    assert (found.columns, found.rows) == (14, 12)
    assert any("1 right" in remark for remark in found.remarks)
    assert not any("room for more cells" in remark for remark in measure_array(picture, polygon).remarks)


@pytest.mark.parametrize("seed", range(8))
def test_noise_beside_an_array_is_not_taken_for_cells(seed: int):
    contrast = np.zeros((12, 14))
    contrast[3:9, 3:11] = 1.0
    frame = framed(np.random.default_rng(seed), contrast, noise=2.0)
    assert room_beside([lattice_of(frame, (24, 24, 88, 72), (8, 8))]) == {"left": 3, "right": 3, "above": 3, "below": 3}


def test_a_few_cells_beyond_a_hair_refuse_the_count():
    contrast = np.zeros((12, 14))
    contrast[3:9, 3:11] = 1.0
    contrast[4:6, 12] = 1.0
    with pytest.raises(UndecidedError, match="right"):
        room_beside([lattice_of(framed(np.random.default_rng(3), contrast, noise=0.2), (24, 24, 88, 72), (8, 8))])


@pytest.mark.parametrize("along", [0, 1])
def test_lines_are_not_cells(along: int):
    """Word lines hold most of the contrast and go on to their drivers; a strap may have its rims where cells have."""
    rng = np.random.default_rng(5)
    contrast = np.zeros((12, 14))
    contrast[3:9, 3:11] = 1.0
    frame = framed(rng, contrast, noise=0.2)
    line = np.tile(3.0 * rng.normal(0.0, 1.0, 8), (12, 14)[along]).astype(np.float32)
    frame.picture[:] += line[:, None] if along == 0 else line
    assert room_beside([lattice_of(frame, (24, 24, 88, 72), (8, 8))]) == {"left": 3, "right": 3, "above": 3, "below": 3}
