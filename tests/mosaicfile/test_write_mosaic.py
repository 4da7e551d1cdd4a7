"""What is written must come back pixel for pixel, through our reader and through others'."""

from __future__ import annotations

import itertools
import tracemalloc
from collections.abc import Iterator
from concurrent.futures import Executor, ProcessPoolExecutor, ThreadPoolExecutor
from pathlib import Path
from xml.etree import ElementTree

import cv2
import numpy as np
import pytest
import tifffile
from PIL import Image, features

from dieplat.errors import MosaicError
from dieplat.files import is_ours
from dieplat.mosaicfile import write
from dieplat.mosaicfile.read import open_mosaic
from dieplat.mosaicfile.write import write_mosaic

OME = "{http://www.openmicroscopy.org/Schemas/OME/2016-06}"


def picture(height: int, width: int, channels: int, dtype: str) -> np.ndarray:
    rng = np.random.default_rng(height)
    noise = rng.integers(0, np.iinfo(dtype).max + 1, (height, width, channels)).astype(dtype)
    smooth = cv2.GaussianBlur(noise, (0, 0), 2).reshape(noise.shape)
    return smooth[..., 0].copy() if channels == 1 else smooth


def bands(whole: np.ndarray, heights: Iterator[int]) -> Iterator[np.ndarray]:
    """Bands in one reused array, as a thrifty producer hands them out."""
    top = 0
    store = np.empty_like(whole)
    while top < len(whole):
        part = whole[top : top + next(heights)]
        store[: len(part)] = part
        yield store[: len(part)]
        store[: len(part)] = 0
        top += len(part)


def save(path: Path, whole: np.ndarray, *, heights: tuple[int, ...] = (300, 1, 700, 37), **options: object) -> None:
    write_mosaic(
        path,
        bands(whole, itertools.cycle(heights)),
        width_px=whole.shape[1],
        height_px=whole.shape[0],
        channels=1 if whole.ndim == 2 else 3,
        dtype=str(whole.dtype),
        **options,
    )


@pytest.mark.parametrize("channels", [1, 3])
@pytest.mark.parametrize("dtype", ["uint8", "uint16"])
@pytest.mark.parametrize("size", [(1533, 1101), (512, 512), (513, 1025), (1, 1), (3, 1500)])
def test_lossless_for_us_and_for_others(tmp_path: Path, channels: int, dtype: str, size: tuple[int, int]) -> None:
    whole = picture(*size, channels, dtype)
    path = tmp_path / "m.ome.tif"
    save(path, whole)
    with tifffile.TiffFile(path) as tiff:
        np.testing.assert_array_equal(tiff.pages[0].asarray(), whole)
        assert tiff.is_ome
        assert tiff.pages[0].is_tiled
        assert not tiff.is_bigtiff
        assert len(tiff.pages) == 1, "levels belong into SubIFDs, outside the chain of pages"
    with open_mosaic(path) as mosaic:
        np.testing.assert_array_equal(mosaic.read(0, 0, size[1], size[0]), whole)
    assert is_ours(path)
    assert [entry.name for entry in tmp_path.iterdir()] == ["m.ome.tif"]


@pytest.mark.skipif(not features.check("libtiff"), reason="Pillow was built without libtiff")
@pytest.mark.parametrize("codec", ["none", "jpegxl"])
@pytest.mark.parametrize(("channels", "dtype"), [(1, "uint8"), (3, "uint8"), (1, "uint16"), (3, "uint16")])
def test_other_codecs_are_lossless_too(tmp_path: Path, codec: str, channels: int, dtype: str) -> None:
    whole = picture(1038, 700, channels, dtype)
    save(tmp_path / "m.ome.tif", whole, codec=codec)
    with open_mosaic(tmp_path / "m.ome.tif") as mosaic:
        assert np.array_equal(mosaic.read(0, 0, 700, 1038), whole)
        assert mosaic.levels > 1
    with tifffile.TiffFile(tmp_path / "m.ome.tif") as tiff:
        assert np.array_equal(tiff.pages[0].asarray(), whole)


@pytest.mark.skipif(
    int(str(features.version("pil")).partition(".")[0]) < 12, reason="Pillow's libtiff lacks Zstandard before 12"
)
def test_libtiff_reads_it(tmp_path: Path) -> None:
    """Pillow decodes with libtiff: a Zstandard and predictor implementation that is not ours."""
    whole = picture(700, 900, 3, "uint8")
    save(tmp_path / "m.ome.tif", whole)
    with Image.open(tmp_path / "m.ome.tif") as opened:
        np.testing.assert_array_equal(np.asarray(opened), whole)


@pytest.mark.parametrize("channels", [1, 3])
@pytest.mark.parametrize("dtype", ["uint8", "uint16"])
def test_levels_are_means_of_two_by_two_pixels(tmp_path: Path, channels: int, dtype: str) -> None:
    """Whatever the bands. Computed here on the whole picture, odd edges repeated; rounding adds 1/2."""
    whole = picture(1533, 2201, channels, dtype)
    save(tmp_path / "m.ome.tif", whole)
    with tifffile.TiffFile(tmp_path / "m.ome.tif") as tiff:
        levels = [level.asarray() for level in tiff.series[0].levels]
        assert all(page.subfiletype == 1 for page in tiff.pages[0].pages)
    assert [level.shape[:2] for level in levels] == [(1533, 2201), (767, 1101), (384, 551), (192, 276)]
    for finer, coarser in itertools.pairwise(levels):
        even = np.pad(finer, [(0, finer.shape[0] % 2), (0, finer.shape[1] % 2), (0, 0)][: finer.ndim], mode="edge")
        means = even.reshape(even.shape[0] // 2, 2, even.shape[1] // 2, 2, *even.shape[2:]).mean(axis=(1, 3))
        assert np.abs(coarser - means).max() <= 0.5


def test_physical_size_and_the_rest_of_the_ome_xml(tmp_path: Path) -> None:
    path = tmp_path / 'an "odd" <name>.ome.tif'
    save(path, picture(40, 50, 3, "uint16"), um_per_px=(0.2517, 0.2521))
    with tifffile.TiffFile(path) as tiff:
        root = ElementTree.fromstring(tiff.ome_metadata)
        numerator, denominator = tiff.pages[0].tags["XResolution"].value
    pixels = root.find(f"{OME}Image/{OME}Pixels")
    assert pixels is not None
    assert float(pixels.attrib["PhysicalSizeX"]) == 0.2517
    assert float(pixels.attrib["PhysicalSizeY"]) == 0.2521
    assert pixels.attrib["PhysicalSizeXUnit"] == pixels.attrib["PhysicalSizeYUnit"] == "µm"
    assert {key: pixels.attrib[key] for key in ("SizeX", "SizeY", "SizeC", "Type")} == {
        "SizeX": "50",
        "SizeY": "40",
        "SizeC": "3",
        "Type": "uint16",
    }
    # TIFF 6.0 resolution: pixels a centimetre, a ratio of 32-bit integers.
    assert numerator / denominator == pytest.approx(1e4 / 0.2517, rel=1e-9)
    with open_mosaic(path) as mosaic:
        assert (mosaic.um_per_px_x, mosaic.um_per_px_y) == (0.2517, 0.2521)


def test_without_a_scale_there_is_no_physical_size(tmp_path: Path) -> None:
    save(tmp_path / "m.ome.tif", picture(40, 50, 1, "uint8"))
    assert b"PhysicalSize" not in (tmp_path / "m.ome.tif").read_bytes()
    with open_mosaic(tmp_path / "m.ome.tif") as mosaic:
        assert mosaic.um_per_px_x is None


def test_large_pictures_become_bigtiff(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    whole = picture(700, 600, 1, "uint8")
    monkeypatch.setattr(write, "_CLASSIC_LIMIT", 400_000)
    save(tmp_path / "m.ome.tif", whole)
    with tifffile.TiffFile(tmp_path / "m.ome.tif") as tiff:
        assert tiff.is_bigtiff
        np.testing.assert_array_equal(tiff.asarray(), whole)


def test_same_bytes_whatever_the_workers_and_the_bands(tmp_path: Path) -> None:
    whole = picture(1300, 1200, 3, "uint8")
    files = []
    executors: tuple[Executor | None, ...] = (
        None,
        ThreadPoolExecutor(1),
        ThreadPoolExecutor(4),
        ProcessPoolExecutor(1),
    )
    for number, executor in enumerate(executors):
        folder = tmp_path / str(number)
        folder.mkdir()
        save(folder / "m.ome.tif", whole, heights=(100 + 311 * number, 512), executor=executor)
        files.append((folder / "m.ome.tif").read_bytes())
        if executor is not None:
            executor.shutdown()
    assert len(set(files)) == 1


def test_progress_counts_every_tile(tmp_path: Path) -> None:
    calls: list[tuple[int, int]] = []
    save(tmp_path / "m.tif", picture(1000, 600, 1, "uint8"), progress=lambda done, of: calls.append((done, of)))
    # 2 x 2 tiles of the full picture, 1 of the half.
    assert calls == [(number, 5) for number in range(1, 6)]


def test_memory_is_bounded_by_rows_of_tiles(tmp_path: Path) -> None:
    """A picture nearly twice as high, with as many levels, must not take more."""
    peaks = []
    for height in (4250, 8000):
        rows = np.zeros((250, 1500, 3), np.uint8)
        tracemalloc.start()  # NumPy reports its arrays to it
        write_mosaic(
            tmp_path / f"{height}.tif",
            (rows for _ in range(height // 250)),
            width_px=1500,
            height_px=height,
            channels=3,
            dtype="uint8",
        )
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    assert peaks[1] < 1.1 * peaks[0]
    # A row of tiles of each of the five levels (1500, 750, 375, 188, 94 px wide: 3 + 2 + 1 + 1 + 1 tiles),
    # and about as much as six tiles for the tile and the half row in the making.
    assert peaks[1] < (8 + 6) * 512 * 512 * 3


def test_a_stopped_run_leaves_nothing(tmp_path: Path) -> None:
    def failing() -> Iterator[np.ndarray]:
        yield np.zeros((600, 600), np.uint8)
        raise KeyboardInterrupt

    (tmp_path / "m.tif").write_bytes(b"earlier")
    with pytest.raises(KeyboardInterrupt):
        write_mosaic(tmp_path / "m.tif", failing(), width_px=600, height_px=900, channels=1, dtype="uint8")
    assert [entry.name for entry in tmp_path.iterdir()] == ["m.tif"]
    assert (tmp_path / "m.tif").read_bytes() == b"earlier"


@pytest.mark.parametrize(
    ("band", "match"),
    [
        (np.zeros((500, 600), np.uint8), "500 rows of the announced 900"),
        (np.zeros((901, 600), np.uint8), "more than the announced 900"),
        (np.zeros((900, 599), np.uint8), "does not fit"),
        (np.zeros((900, 600), np.uint16), "does not fit"),
        (np.zeros((900, 600, 3), np.uint8), "does not fit"),
    ],
)
def test_bands_that_are_not_the_announced_picture(tmp_path: Path, band: np.ndarray, match: str) -> None:
    with pytest.raises(MosaicError, match=match):
        write_mosaic(tmp_path / "m.tif", [band], width_px=600, height_px=900, channels=1, dtype="uint8")
    assert list(tmp_path.iterdir()) == []


def test_kinds_that_a_mosaic_cannot_have(tmp_path: Path) -> None:
    with pytest.raises(MosaicError, match="float32"):
        write_mosaic(tmp_path / "m.tif", [], width_px=6, height_px=9, channels=1, dtype="float32")
    with pytest.raises(MosaicError, match="0 x 9"):
        write_mosaic(tmp_path / "m.tif", [], width_px=0, height_px=9, channels=1, dtype="uint8")
