"""Folders without order, stages moved by hand, positions in the metadata, ties: from files to a layout."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from test_register import lay_out

from dieplat.phantom import make_phantom
from dieplat.phantom.record import RecordPlan
from dieplat.phantom.truth import Truth
from dieplat.values.layout import Layout

SMALL: dict[str, Any] = {"tile_width_px": 480, "tile_height_px": 360}


def errors_of(layout: Layout, truth: Truth) -> np.ndarray:
    """Placed minus true corner of every tile, about the median of those placed by pictures."""
    corner = {tile.name: (tile.x_px, tile.y_px) for tile in truth.tiles}
    errors = np.array([np.subtract((tile.x_px, tile.y_px), corner[tile.name]) for tile in layout.tiles])
    firm = [tile.placed_by == "overlap" and not tile.ambiguous for tile in layout.tiles]
    return np.asarray(errors - np.median(errors[firm], axis=0))


def test_a_shuffled_folder_of_small_tiles_is_put_together(tmp_path: Path) -> None:
    truth = make_phantom(tmp_path, seed=32, preset="shuffled", rows=4, columns=5)
    layout = lay_out(tmp_path / "tiles")
    # A bottom row of memory cells fits in more than one place at once: what is in doubt is left out, and said.
    assert len(layout.tiles) > 10
    assert len(layout.tiles) + len(layout.skipped) == 20
    # 0.1 px is what an offset must reach for areas; JPEG and noise leave 0.02 px here.
    assert np.abs(errors_of(layout, truth)).max() < 0.1


@pytest.mark.parametrize("seed", [31, 32])
def test_a_stage_moved_by_hand_needs_no_grid(seed: int, tmp_path: Path) -> None:
    """Steps that vary by 15 % of a tile, rows of different lengths that begin anywhere, a picture missing."""
    truth = make_phantom(tmp_path, seed=seed, preset="hand", **SMALL)
    layout = lay_out(tmp_path / "tiles")
    assert len(layout.tiles) >= 0.75 * len(truth.tiles)
    assert len(layout.tiles) + len(layout.skipped) == len(truth.tiles)
    assert np.abs(errors_of(layout, truth)).max() < 0.1


@pytest.mark.parametrize(
    "record",
    [
        RecordPlan(scale=1.01, wild=1),
        RecordPlan(scale=0.99, flip_y=True, wild=1),
        RecordPlan(scale=1.01, flip_x=True, swap=True, wild=1),
    ],
    ids=["plain", "flipped", "swapped"],
)
def test_positions_in_the_metadata_are_hints_that_pictures_confirm(record: RecordPlan, tmp_path: Path) -> None:
    """A controller whose micrometres are 1 % off, with axes of its own, and one position from somewhere else."""
    truth = make_phantom(tmp_path, seed=34, preset="positions", record=record, **SMALL)
    layout = lay_out(tmp_path / "tiles")
    assert len(layout.tiles) == len(truth.tiles)
    assert np.abs(errors_of(layout, truth)).max() < 0.1


@pytest.fixture(scope="module")
def blank(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Truth, dict[str, Any]]:
    """A mostly blank die: folder, truth and the layout that the command writes without ties."""
    folder = tmp_path_factory.mktemp("blank")
    truth = make_phantom(folder, seed=40, preset="blank", **SMALL)
    return folder, truth, stitched(folder, folder / "plain")


def stitched(folder: Path, out: Path, *options: object) -> dict[str, Any]:
    """The layout of `dieplat stitch`, run as a person would."""
    out.mkdir()
    arguments = ["stitch", folder / "tiles", "--out", out / "mosaic.ome.tif", *options]
    command = [sys.executable, "-c", "from dieplat_cli.app import main; main()", *map(str, arguments)]
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=300)
    assert done.returncode == 0, done.stderr
    layout: dict[str, Any] = json.loads((out / "layout.json").read_text())
    return layout


def test_a_tie_pulls_a_blank_tile_to_the_stated_place(blank: tuple[Path, Truth, dict[str, Any]]) -> None:
    folder, truth, plain = blank
    by_name = {tile["name"]: tile for tile in plain["tiles"]}
    true = {tile.name: np.array([tile.x_px, tile.y_px]) for tile in truth.tiles}
    cell = {tile.name: (tile.row, tile.column) for tile in truth.tiles}
    lost, firm = next(
        (one, other)
        for one, tile in by_name.items()
        if tile["placed_by"] == "stage"
        for other, known in by_name.items()
        if known["placed_by"] == "overlap"
        and abs(cell[one][0] - cell[other][0]) + abs(cell[one][1] - cell[other][1]) == 1
    )
    gap = true[lost] - true[firm]
    # A place that both tiles see, given in the pixels of each.
    seen = np.array([240.0, 180.0]) + gap / 2
    tie = {"a": firm, "a_px": seen.tolist(), "b": lost, "b_px": (seen - gap).tolist(), "u_px": 0.4}
    (folder / "ties.json").write_text(json.dumps({"ties": [tie]}))
    layout = stitched(folder, folder / "tied", "--ties", folder / "ties.json")
    after = {tile["name"]: tile for tile in layout["tiles"]}
    moved = np.array([after[lost][axis] - after[firm][axis] for axis in ("x_px", "y_px")])
    assert after[lost]["placed_by"] == "tie"
    assert not after[lost]["ambiguous"]
    # The firm tile itself is known to a few hundredths of a pixel.
    assert np.abs(moved - gap).max() < 0.05
    # Two points of 0.4 px each; and positions are stated against the mean of all, which tiles of the stage move.
    for axis in ("x_px_u", "y_px_u"):
        vague = [tile[axis] for tile in after.values() if tile["placed_by"] == "stage"]
        expected = np.hypot(0.4 * np.sqrt(2), np.sqrt(np.sum(np.square(vague))) / len(after))
        assert after[lost][axis] == pytest.approx(expected, rel=0.15)
        assert by_name[lost][axis] > 2 * after[lost][axis]
    others = [name for name, tile in after.items() if tile["placed_by"] == "overlap"]
    assert len(others) >= sum(tile["placed_by"] == "overlap" for tile in plain["tiles"]) - 1


def test_a_wrong_name_in_a_tie_is_refused_in_one_line(blank: tuple[Path, Truth, dict[str, Any]]) -> None:
    folder, _, _ = blank
    (folder / "wrong.json").write_text(
        '{"ties": [{"a": "r09_c09.jpg", "a_px": [1, 2], "b": "r00_c00.jpg", "b_px": [1, 2]}]}'
    )
    with pytest.raises(AssertionError, match=r"^dieplat: .*wrong\.json: tie 1: no tile or key 'r09_c09\.jpg'"):
        stitched(folder, folder / "wrong", "--ties", folder / "wrong.json")
