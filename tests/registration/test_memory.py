"""What is kept comes back, changes nothing, and is not trusted when it is damaged."""

from __future__ import annotations

import shutil
import sqlite3
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest
import skimage.data
from cutting import cut_tiles
from test_register import enlarged

from dieplat.errors import OutputExistsError
from dieplat.registration import overlap as overlap_module
from dieplat.registration.memory import Memory
from dieplat.tiles import store as store_module
from dieplat.tiles.read import read_picture
from dieplat.workflow import build_mosaic

ROWS, COLUMNS = 3, 4


@pytest.fixture(scope="module")
def tiles(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("tiles")
    picture = enlarged(skimage.data.gravel(), 3.0)
    cut_tiles(picture, folder, rows=ROWS, columns=COLUMNS, tile=(400, 400), jitter_px=1.0, rng=np.random.default_rng(1))
    return folder


@pytest.fixture
def work(monkeypatch: pytest.MonkeyPatch) -> dict[str, int]:
    """Counts of pictures decoded and of pairs measured."""
    counts = {"decoded": 0, "measured": 0}
    measure = overlap_module.measure_pair

    def decoding(path: Path) -> np.ndarray:
        counts["decoded"] += 1
        return read_picture(path)

    def measuring(*arguments: object, **options: object) -> object:
        counts["measured"] += 1
        return measure(*arguments, **options)

    monkeypatch.setattr(store_module, "read_picture", decoding)
    monkeypatch.setattr(overlap_module, "measure_pair", measuring)
    return counts


def made(tiles: Path, out: Path, *, cache: Path | None) -> tuple[bytes, bytes]:
    out.mkdir(exist_ok=True)
    with ThreadPoolExecutor(2) as executor:
        build_mosaic(tiles, out / "mosaic.ome.tif", cache=cache, executor=executor)
    return (out / "mosaic.ome.tif").read_bytes(), (out / "layout.json").read_bytes()


def test_a_second_run_measures_nothing_and_gives_the_same_bytes(
    tiles: Path, tmp_path: Path, work: dict[str, int]
) -> None:
    cache = tmp_path / "cache"
    plain = made(tiles, tmp_path / "plain", cache=None)
    assert made(tiles, tmp_path / "first", cache=cache) == plain
    assert work["decoded"] == 2 * ROWS * COLUMNS
    work.update(decoded=0, measured=0)
    assert made(tiles, tmp_path / "second", cache=cache) == plain
    # Once each, for the pixels of the mosaic.
    assert work == {"decoded": ROWS * COLUMNS, "measured": 0}


def test_a_run_after_a_new_tile_does_only_what_is_new(tiles: Path, tmp_path: Path, work: dict[str, int]) -> None:
    fewer = shutil.copytree(tiles, tmp_path / "tiles")
    last = f"r{ROWS - 1:02d}_c{COLUMNS - 1:02d}.tif"
    (fewer / last).unlink()
    made(fewer, tmp_path / "fewer", cache=tmp_path / "cache")
    shutil.copy(tiles / last, fewer)
    work.update(measured=0)
    with_cache = made(fewer, tmp_path / "all", cache=tmp_path / "cache")
    # The pairs with its two neighbours; a first guess that moved by pixels would cost the others too.
    assert work["measured"] == 2
    assert with_cache == made(fewer, tmp_path / "plain", cache=None)


def test_a_changed_picture_is_a_new_one(tiles: Path, tmp_path: Path) -> None:
    changed = shutil.copytree(tiles, tmp_path / "tiles")
    cache = tmp_path / "cache"
    made(changed, tmp_path / "before", cache=cache)
    shutil.copy(changed / "r00_c01.tif", changed / "spare")
    shutil.copy(changed / "r01_c01.tif", changed / "r00_c01.tif")
    shutil.move(changed / "spare", changed / "r01_c01.tif")
    assert made(changed, tmp_path / "after", cache=cache) == made(changed, tmp_path / "plain", cache=None)


@pytest.mark.parametrize("damage", ["cut", "overwritten", "row"])
def test_a_damaged_cache_is_said_left_aside_and_made_anew(damage: str, tiles: Path, tmp_path: Path) -> None:
    cache = tmp_path / "cache"
    mosaic, _ = made(tiles, tmp_path / "first", cache=cache)
    data = cache.read_bytes()
    if damage == "cut":
        cache.write_bytes(data[: len(data) // 2])
    elif damage == "overwritten":
        cache.write_bytes(data[:8192] + bytes(len(data) - 8192))
    else:
        with sqlite3.connect(cache) as base:
            base.execute("UPDATE dieplat_results SET data = x'00'")
        base.close()
    again, layout = made(tiles, tmp_path / "second", cache=cache)
    assert again == mosaic
    assert b"was damaged" in layout
    _, third = made(tiles, tmp_path / "third", cache=cache)
    assert b"was damaged" not in third


def test_a_strangers_file_is_left_alone(tiles: Path, tmp_path: Path) -> None:
    stranger = tmp_path / "notes.txt"
    stranger.write_text("mine")
    with pytest.raises(OutputExistsError, match=r"notes\.txt"):
        made(tiles, tmp_path / "out", cache=stranger)
    with Memory(stranger) as memory:
        memory.put("key", b"value")
        assert memory.damaged
    assert stranger.read_text() == "mine"


def test_what_was_kept_before_a_kill_is_there(tmp_path: Path) -> None:
    memory = Memory(tmp_path / "cache")
    for number in range(70):
        memory.put(str(number), bytes([number]))
    # A killed process closes nothing: another reader sees what was committed, in groups of 32.
    with Memory(tmp_path / "cache") as later:
        assert later.get("63") == bytes([63])
        assert later.get("69") is None
    memory.close()
    with Memory(tmp_path / "cache") as later:
        assert later.get("69") == bytes([69])
