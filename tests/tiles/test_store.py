"""Decoded tiles come back as they were, each decoded once, and without room just the same."""

from __future__ import annotations

import os
import pickle
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest
import tifffile

from dieplat.errors import PictureError
from dieplat.tiles import store as store_module
from dieplat.tiles.read import read_picture
from dieplat.tiles.store import DecodedTiles

SHAPES = [((40, 50), "uint8"), ((40, 50, 3), "uint8"), ((33, 21), "uint16"), ((30, 41, 3), "uint16")]


@pytest.fixture
def pictures(tmp_path: Path) -> dict[Path, np.ndarray]:
    rng = np.random.default_rng(4)
    made = {}
    for number, (shape, dtype) in enumerate(SHAPES):
        path = tmp_path / f"{number}.tif"
        made[path] = rng.integers(0, np.iinfo(dtype).max, shape, dtype=dtype)
        tifffile.imwrite(path, made[path])
    return made


def test_pictures_come_back_from_any_thread_decoded_once(
    tmp_path: Path, pictures: dict[Path, np.ndarray], monkeypatch: pytest.MonkeyPatch
) -> None:
    decoded: list[Path] = []

    def counted(path: Path) -> np.ndarray:
        decoded.append(path)
        return read_picture(path)

    monkeypatch.setattr(store_module, "read_picture", counted)
    with DecodedTiles(tmp_path, expected_bytes=10_000) as store, ThreadPoolExecutor(4) as executor:
        first = list(executor.map(store.decode, pictures))
        again = list(executor.map(store.read, list(pictures) * 3))
    for got, wanted in zip(first + again, list(pictures.values()) * 4, strict=True):
        assert got.dtype == wanted.dtype
        assert np.array_equal(got, wanted)
    assert sorted(decoded) == sorted(pictures)


def test_the_scratch_file_has_no_name_to_be_left_behind(tmp_path: Path, pictures: dict[Path, np.ndarray]) -> None:
    before = set(os.listdir(tmp_path))
    with DecodedTiles(tmp_path, expected_bytes=10_000) as store:
        for path in pictures:
            store.decode(path)
        assert set(os.listdir(tmp_path)) == before


def test_without_room_or_in_another_process_pictures_are_decoded(
    tmp_path: Path, pictures: dict[Path, np.ndarray]
) -> None:
    path, wanted = next(iter(pictures.items()))
    with DecodedTiles(tmp_path, expected_bytes=10**18) as crowded, DecodedTiles(tmp_path, expected_bytes=1) as store:
        assert np.array_equal(crowded.decode(path), wanted)
        assert np.array_equal(crowded.read(path), wanted)
        store.decode(path)
        assert np.array_equal(pickle.loads(pickle.dumps(store)).read(path), wanted)
    assert np.array_equal(store.read(path), wanted)


def test_what_cannot_be_read_says_so(tmp_path: Path) -> None:
    with DecodedTiles(tmp_path, expected_bytes=1) as store, pytest.raises(PictureError, match=r"no\.png"):
        store.decode(tmp_path / "no.png")


@pytest.mark.parametrize("room", [1, 10**18])
def test_any_array_can_be_put_aside(room: int, tmp_path: Path, pictures: dict[Path, np.ndarray]) -> None:
    rng = np.random.default_rng(5)
    values = [rng.normal(size=shape).astype(np.float16) for shape in ((7, 9), (4, 5, 3), (6, 8))]
    values[2] = values[2].T
    with DecodedTiles(tmp_path, expected_bytes=room) as store:
        back = [store.put(each) for each in values]
        for path in pictures:
            store.decode(path)
        for give, wanted in zip(back, values, strict=True):
            assert give().dtype == wanted.dtype
            assert np.array_equal(give(), wanted)


def test_what_was_put_aside_goes_with_the_store(tmp_path: Path) -> None:
    with DecodedTiles(tmp_path, expected_bytes=1) as store:
        back = store.put(np.zeros(4))
    with pytest.raises(OSError, match="closed"):
        back()
