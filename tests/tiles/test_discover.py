"""Folders as they come from a microscope, with what does not belong in them."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from dieplat.errors import SettingsError, TileSetError
from dieplat.tiles.discover import discover_tiles


def save(path: Path, *, width: int = 40, height: int = 30, grey: bool = False) -> None:
    rng = np.random.default_rng(len(path.name))
    shape = (height, width) if grey else (height, width, 3)
    Image.fromarray(rng.integers(0, 256, shape, dtype=np.uint8)).save(path)


def test_a_named_grid_with_a_missing_tile(tmp_path: Path) -> None:
    for row in range(2):
        for column in range(3):
            if (row, column) != (1, 1):
                save(tmp_path / f"r{row:02d}_c{column:02d}.jpg")
    found = discover_tiles(tmp_path)
    assert (found.rows, found.columns, found.grid_source) == (2, 3, "names")
    assert (found.width_px, found.height_px, found.channels, found.dtype) == (40, 30, 3, "uint8")
    assert [(tile.row, tile.column) for tile in found.tiles] == [(0, 0), (0, 1), (0, 2), (1, 0), (1, 2)]
    assert found.skipped == ()


def test_numbered_names_give_an_order_with_gaps_and_no_grid(tmp_path: Path) -> None:
    for number in (9, 10, 12):
        save(tmp_path / f"IMG_{number}.png")
    found = discover_tiles(tmp_path)
    assert [tile.name for tile in found.tiles] == ["IMG_9.png", "IMG_10.png", "IMG_12.png"]
    assert [tile.order for tile in found.tiles] == [0, 1, 3]
    assert (found.rows, found.columns, found.grid_source) == (0, 0, "order")


def test_the_number_of_columns_as_an_option(tmp_path: Path) -> None:
    for number in (1, 2, 3, 5, 6, 7):
        save(tmp_path / f"IMG_{number:04d}.png")
    (tmp_path / "IMG_0001.png").write_bytes(b"")  # captured, then damaged: the others keep their places
    found = discover_tiles(tmp_path, columns=3)
    assert (found.rows, found.columns, found.grid_source) == (3, 3, "option")
    assert [(tile.row, tile.column) for tile in found.tiles] == [(0, 1), (0, 2), (1, 1), (1, 2), (2, 0)]
    with pytest.raises(SettingsError, match="columns"):
        discover_tiles(tmp_path, columns=0)


def test_what_does_not_belong_is_listed_with_the_reason(tmp_path: Path) -> None:
    for column in range(4):
        save(tmp_path / f"r0_c{column}.png")
    save(tmp_path / "r0_c4.png", width=50)
    save(tmp_path / "r0_c5.png", grey=True)
    save(tmp_path / "r0_c2.bmp")
    save(tmp_path / "overview.png")
    save(tmp_path / "r0_c6.jpg")
    whole = (tmp_path / "r0_c6.jpg").read_bytes()
    (tmp_path / "r0_c6.jpg").write_bytes(whole[:-30])
    (tmp_path / "r0_c7.jpg").write_text("a note")
    (tmp_path / "r0_c8.tif").touch()
    found = discover_tiles(tmp_path)
    reasons = {one.name: one.reason for one in found.skipped}
    assert [tile.name for tile in found.tiles] == ["r0_c0.png", "r0_c1.png", "r0_c2.bmp", "r0_c3.png"]
    assert reasons.pop("r0_c2.png") == "has the same row and column as r0_c2.bmp"
    assert reasons.pop("r0_c4.png") == "is 50 x 30 px, most of the others are 40 x 30 px"
    assert reasons.pop("r0_c5.png") == "is grey, most of the others are RGB"
    assert "no row and column" in reasons.pop("overview.png")
    assert "cut short" in reasons.pop("r0_c6.jpg")
    assert "not a picture" in reasons.pop("r0_c7.jpg")
    assert "empty" in reasons.pop("r0_c8.tif")
    assert reasons == {}


def test_hidden_and_other_files_do_not_count(tmp_path: Path) -> None:
    save(tmp_path / "only.png")
    (tmp_path / "notes.txt").write_text("x")
    (tmp_path / "survey.toml").write_text("x")
    (tmp_path / "._only.png").write_text("x")
    (tmp_path / "folder.png").mkdir()
    found = discover_tiles(tmp_path)
    assert len(found.tiles) == 1
    assert found.skipped == ()


def test_nothing_usable_is_an_error_that_names_the_folder(tmp_path: Path) -> None:
    with pytest.raises(TileSetError, match="has no pictures"):
        discover_tiles(tmp_path)
    (tmp_path / "a.jpg").write_text("text")
    with pytest.raises(TileSetError, match=r"no usable picture: a\.jpg: is not a picture") as caught:
        discover_tiles(tmp_path)
    assert str(caught.value).startswith(f"{tmp_path}: ")
    with pytest.raises(TileSetError, match="not a folder"):
        discover_tiles(tmp_path / "missing")
    with pytest.raises(TileSetError, match="not a folder"):
        discover_tiles(tmp_path / "a.jpg")


def test_workers_and_progress(tmp_path: Path) -> None:
    for number in range(12):
        save(tmp_path / f"t{number}.png")
    calls: list[tuple[int, int]] = []
    with ThreadPoolExecutor(4) as executor:
        found = discover_tiles(tmp_path, executor=executor, progress=lambda done, of: calls.append((done, of)))
    assert found == discover_tiles(tmp_path)
    assert calls == [(number, 12) for number in range(1, 13)]
