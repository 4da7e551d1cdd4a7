"""Focus series from a folder: recognised, fused true to the reference picture, kept, and bad pictures reported."""

from __future__ import annotations

import json
from pathlib import Path

import cv2
import numpy as np
import pytest
import tifffile

from dieplat.focus import fuse_series, show_one_field_each
from dieplat.focus.align import align
from dieplat.phantom import make_phantom
from dieplat.phantom.truth import Truth, render_truth_window
from dieplat.tiles.discover import discover_tiles
from dieplat.tiles.read import read_picture
from dieplat.workflow import WORK_FOLDER, build_mosaic

SMALL = {"rows": 2, "columns": 2, "tile_width_px": 520, "tile_height_px": 420}


@pytest.fixture(scope="module")
def phantom(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Truth]:
    folder = tmp_path_factory.mktemp("focus")
    return folder, make_phantom(folder, seed=4, preset="focus", **SMALL)


def grey(picture: np.ndarray) -> np.ndarray:
    return cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY).astype(np.float32)


def test_names_of_a_series_are_one_tile(phantom: tuple[Path, Truth]) -> None:
    folder, truth = phantom
    found = discover_tiles(folder / "tiles")
    assert (found.rows, found.columns, found.grid_source) == (2, 2, "names")
    assert sorted(tile.name for tile in found.tiles) == sorted(tile.name for tile in truth.tiles)
    assert [path.name for path in found.tiles[0].series] == [f"r00_c00_z{k}.jpg" for k in (1, 2, 3)]
    assert show_one_field_each(found.tiles)


def test_fused_tiles_are_true_to_the_drawing_and_kept(phantom: tuple[Path, Truth], tmp_path: Path) -> None:
    folder, truth = phantom
    tiles = discover_tiles(folder / "tiles")
    made, fused = fuse_series(tiles, tmp_path / "work")
    assert len(fused) == len(truth.tiles)
    assert made.skipped == ()
    corners = {tile.name: (round(tile.x_px), round(tile.y_px)) for tile in truth.tiles}
    for tile in made.tiles:
        x, y = corners[tile.name]
        drawn = grey(render_truth_window(truth, x, y, x + made.width_px, y + made.height_px) * 255)
        true = next(t for t in truth.tiles if t.name == tile.name)
        found = align(drawn, grey(read_picture(tile.path)))
        assert found is not None
        # The drawing lies on whole pixels, the tile where it was taken.
        error = np.hypot(found.shift_px[0] - (x - true.x_px), found.shift_px[1] - (y - true.y_px))
        corner = abs(found.magnification - 1) * np.hypot(made.width_px, made.height_px) / 2
        assert error + corner < 0.05
    stamps = [tile.path.stat().st_mtime_ns for tile in made.tiles]
    again, told = fuse_series(tiles, tmp_path / "work")
    assert told == fused
    assert again == made
    assert [tile.path.stat().st_mtime_ns for tile in again.tiles] == stamps


def test_a_bad_picture_is_reported_and_the_rest_is_fused(phantom: tuple[Path, Truth], tmp_path: Path) -> None:
    source = phantom[0] / "tiles"
    folder = tmp_path / "tiles"
    folder.mkdir()
    for k in (1, 2, 3):
        (folder / f"r00_c00_z{k}.jpg").write_bytes((source / f"r00_c00_z{k}.jpg").read_bytes())
        (folder / f"r00_c01_z{k}.jpg").write_bytes((source / f"r00_c01_z{k}.jpg").read_bytes())
    (folder / "r00_c00_z3.jpg").write_bytes((source / "r01_c01_z3.jpg").read_bytes())
    (folder / "r00_c01_z2.jpg").write_bytes((source / "r00_c01_z2.jpg").read_bytes()[:-400])
    made, fused = fuse_series(discover_tiles(folder), tmp_path / "work")
    assert [one.pictures for one in fused] == [
        ("r00_c00_z1.jpg", "r00_c00_z2.jpg"),
        ("r00_c01_z1.jpg", "r00_c01_z3.jpg"),
    ]
    reasons = {one.name: one.reason for one in made.skipped}
    assert "does not lie over r00_c00_z2.jpg" in reasons["r00_c00_z3.jpg"]
    assert "cut short" in reasons["r00_c01_z2.jpg"]


def test_a_running_number_is_no_focus_setting(phantom: tuple[Path, Truth], tmp_path: Path) -> None:
    for number, stem in enumerate(("r00_c00", "r00_c01", "r01_c01", "r01_c00"), 1):
        (tmp_path / f"chip_f{number:03d}.jpg").write_bytes((phantom[0] / "tiles" / f"{stem}_z2.jpg").read_bytes())
    claimed = discover_tiles(tmp_path)
    assert len(claimed.tiles) == 1
    assert not show_one_field_each(claimed.tiles)
    assert len(discover_tiles(tmp_path, series=False).tiles) == 4


def test_series_by_metadata(tmp_path: Path) -> None:
    picture = np.zeros((40, 60), np.uint8)
    number = 0
    for x in (0.0, 50.0):
        for z in (3.0, 1.0, 2.0):
            number += 1
            place = {"PositionX": x, "PositionY": 5.0, "PositionZ": z}
            plane = {**place, **{f"{key}Unit": "µm" for key in place}}
            tifffile.imwrite(
                tmp_path / f"IMG_{number:03d}.ome.tif",
                picture,
                ome=True,
                metadata={
                    "axes": "YX",
                    "PhysicalSizeX": 1.0,
                    "PhysicalSizeXUnit": "µm",
                    "Plane": {key: [value] for key, value in plane.items()},
                },
            )
    found = discover_tiles(tmp_path)
    assert [[path.name for path in tile.series] for tile in found.tiles] == [
        ["IMG_002.ome.tif", "IMG_003.ome.tif", "IMG_001.ome.tif"],
        ["IMG_005.ome.tif", "IMG_006.ome.tif", "IMG_004.ome.tif"],
    ]
    assert [tile.stage for tile in found.tiles] == [(0.0, 5.0), (50.0, 5.0)]


def test_the_mosaic_says_what_was_fused(phantom: tuple[Path, Truth], tmp_path: Path) -> None:
    folder, truth = phantom
    layout = build_mosaic(folder / "tiles", tmp_path / "mosaic.ome.tif")
    told = json.loads((tmp_path / "layout.json").read_text())
    assert len(told["fused"]) == len(layout.fused) == len(truth.tiles)
    assert told["fused"][0]["pictures"] == ["r00_c00_z1.jpg", "r00_c00_z2.jpg", "r00_c00_z3.jpg"]
    assert len(list((tmp_path / WORK_FOLDER).iterdir())) == len(truth.tiles)
    corners = np.array([(tile.x_px, tile.y_px) for tile in truth.tiles])
    places = {tile.name: (tile.x_px, tile.y_px) for tile in layout.tiles}
    gaps = np.array([places[tile.name] for tile in truth.tiles]) - corners
    # 0.05 px is the geometry of fused tiles, 0.02 px what registration adds on sharp ones.
    assert np.abs(gaps - gaps.mean(axis=0)).max() < 0.08


def test_a_folder_without_series_gets_no_work_folder(phantom: tuple[Path, Truth], tmp_path: Path) -> None:
    tiles = tmp_path / "tiles"
    tiles.mkdir()
    for stem in ("r00_c00", "r00_c01", "r01_c01", "r01_c00"):
        (tiles / f"{stem}.jpg").write_bytes((phantom[0] / "tiles" / f"{stem}_z2.jpg").read_bytes())
    layout = build_mosaic(tiles, tmp_path / "mosaic.ome.tif")
    assert layout.fused == ()
    assert not (tmp_path / WORK_FOLDER).exists()
