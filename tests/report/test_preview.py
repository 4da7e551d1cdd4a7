"""preview.png shows what it says: blocks where they lie, a bar of the right length, the mosaic untouched."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from made_up import UM_PER_PX, drawn_die
from PIL import Image

from dieplat.files import is_ours
from dieplat.mosaicfile.read import open_mosaic
from dieplat.report import write_preview
from dieplat.report.drawing import PAPER, Canvas, outline_of, scale_bar_box
from dieplat.report.folder import read_outputs
from dieplat.report.palette import STYLES
from dieplat.report.picture import as_rgb8, view
from dieplat.report.preview import draw_blocks, draw_preview


def test_the_file_says_who_made_it_and_fits_a_projector(full_folder: Path, tmp_path: Path) -> None:
    path = write_preview(full_folder, tmp_path / "preview.png")
    with Image.open(path) as picture:
        assert picture.info["Software"] == "dieplat"
        assert 1200 <= max(picture.size) <= 2400
    assert is_ours(path)


def test_blocks_change_the_picture_only_where_they_lie(full_folder: Path, bare_folder: Path) -> None:
    drawn = draw_blocks(read_outputs(full_folder), longest_px=1200).picture.astype(int)
    plain = draw_blocks(read_outputs(bare_folder), longest_px=1200).picture.astype(int)
    difference = np.abs(drawn - plain).max(axis=2)
    # ENLARGED_PX does not exceed longest_px, so one pixel is one mosaic pixel.
    assert drawn.shape[1] == 1200
    assert 900 < drawn.shape[0] < 980  # the strip for the scale bar lies below
    assert difference[520:560, 200:260].mean() > 5  # inside the logic block
    assert difference[5:30, 300:1100].max() == 0  # outside the die
    assert difference[440:455, 300:600].max() == 0  # on the die, between the blocks


def test_a_block_takes_on_its_colour(full_folder: Path) -> None:
    drawn = draw_blocks(read_outputs(full_folder), longest_px=1200).picture.astype(float)
    colour = np.array([int(STYLES["logic"].colour[i : i + 2], 16) for i in (1, 3, 5)], float)
    before = drawn_die().astype(float)[480:560, 160:260].mean(axis=(0, 1))
    after = drawn[480:560, 160:260].mean(axis=(0, 1))
    assert np.linalg.norm(after - colour) < np.linalg.norm(before - colour)


@pytest.mark.parametrize("um_per_px", [0.05, 0.37, 2.0, 13.0])
def test_the_scale_bar_is_as_long_as_it_says(um_per_px: float) -> None:
    box, length_um = scale_bar_box(um_per_px, 1000, 800)
    canvas = Canvas(1000, 800, background="#000000")
    canvas.scale_bar(um_per_px, box, length_um)
    pixels = canvas.pixels()
    paper = np.array([int(PAPER[i : i + 2], 16) for i in (1, 3, 5)])
    light = (np.abs(pixels.astype(int) - paper) < 40).all(axis=2)
    longest = max(_longest_run(row) for row in light)
    # The bar's ends may each fall inside a pixel.
    assert longest == pytest.approx(length_um / um_per_px, abs=1.01)
    assert box[0] >= 0
    assert box[3] <= 800


def _longest_run(row: np.ndarray) -> int:
    edges = np.flatnonzero(np.diff(np.concatenate([[0], row.astype(int), [0]])))
    return int((edges[1::2] - edges[::2]).max(initial=0))


def test_a_hole_stays_empty() -> None:
    from shapely.geometry import box

    ring = box(0, 0, 10, 10).difference(box(3, 3, 7, 7))
    path = outline_of(ring)
    assert path is not None
    assert path.contains_point((1.5, 5))
    canvas = Canvas(100, 100, background="#000000")
    canvas.region(box(10, 10, 90, 90).difference(box(30, 30, 70, 70)), STYLES["other"])
    pixels = canvas.pixels()
    assert pixels[50, 50].max() == 0
    assert pixels[20, 50].max() > 0


def test_views_keep_the_place_of_things(full_folder: Path) -> None:
    with open_mosaic(full_folder / "mosaic.ome.tif") as mosaic:
        small, factor = view(mosaic, longest_px=300)
        whole, one = view(mosaic, longest_px=1200)
        part, twice = view(mosaic, longest_px=400, window=(700.0, 150.0, 900.0, 350.0), enlarge=True)
    assert (factor, one, twice) == (0.25, 1.0, 2.0)
    assert small.shape == (225, 300, 3)
    assert np.array_equal(whole, drawn_die())
    mean = drawn_die()[150:350, 700:900].reshape(100, 2, 100, 2, 3).mean(axis=(1, 3))
    ours = part.reshape(100, 4, 100, 4, 3).mean(axis=(1, 3))
    # Linear enlargement moves no content; what differs is smoothing of the noise of five grey levels.
    assert np.abs(ours - mean).mean() < 2.5


def test_sixteen_bits_are_stretched_for_the_eye() -> None:
    picture = np.linspace(1000, 3000, 256 * 256).reshape(256, 256).astype(np.uint16)
    seen = as_rgb8(picture)
    assert seen.shape == (256, 256, 3)
    assert seen.min() == 0
    assert seen.max() == 255
    assert np.all(np.diff(seen[:, 0, 0].astype(int)) >= 0)


def test_a_survey_without_blocks_still_has_a_preview(bare_folder: Path) -> None:
    picture = draw_preview(read_outputs(bare_folder))
    assert picture.shape[1] >= 1200
    assert read_outputs(bare_folder).scale["um_per_px_x"] == UM_PER_PX
