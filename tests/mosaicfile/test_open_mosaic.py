"""Regions of mosaics, ours and others', compared with slices of the whole picture."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import cv2
import numpy as np
import pytest
import tifffile
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from dieplat.errors import MosaicError
from dieplat.mosaicfile.read import open_mosaic
from dieplat.mosaicfile.write import write_mosaic

HEIGHT, WIDTH = 1100, 1300


@pytest.fixture(scope="module")
def whole() -> np.ndarray:
    rng = np.random.default_rng(8)
    return cv2.GaussianBlur(rng.integers(0, 256, (HEIGHT, WIDTH, 3), dtype=np.uint8), (0, 0), 2)


@pytest.fixture(scope="module")
def ours(whole: np.ndarray, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("mosaic") / "m.ome.tif"
    write_mosaic(path, [whole], width_px=WIDTH, height_px=HEIGHT, channels=3, dtype="uint8", um_per_px=(0.5, 0.25))
    return path


def test_what_it_says_of_itself(ours: Path) -> None:
    with open_mosaic(ours) as mosaic:
        assert (mosaic.width_px, mosaic.height_px, mosaic.channels, mosaic.dtype) == (
            WIDTH,
            HEIGHT,
            3,
            "uint8",
        )
        assert (mosaic.um_per_px_x, mosaic.um_per_px_y) == (0.5, 0.25)
        assert mosaic.levels == 3
        assert mosaic.level_sizes == ((1300, 1100), (650, 550), (325, 275))


bounds = st.integers(-700, 2 * WIDTH)


@settings(max_examples=60, deadline=None)
@given(bounds, bounds, bounds, bounds)
def test_any_region_is_the_clipped_slice(ours: Path, whole: np.ndarray, x0: int, y0: int, x1: int, y1: int) -> None:
    with open_mosaic(ours) as mosaic:
        found = mosaic.read(x0, y0, x1, y1)
    np.testing.assert_array_equal(found, whole[max(y0, 0) : max(y1, 0), max(x0, 0) : max(x1, 0)])


def test_regions_of_a_level(ours: Path) -> None:
    with tifffile.TiffFile(ours) as tiff:
        half = tiff.series[0].levels[1].asarray()
    with open_mosaic(ours) as mosaic:
        np.testing.assert_array_equal(mosaic.read(100, 50, 999, 540, level=1), half[50:540, 100:999])
        with pytest.raises(MosaicError, match="no level 3"):
            mosaic.read(0, 0, 1, 1, level=3)


def test_only_the_tiles_of_the_region_are_decoded(ours: Path, whole: np.ndarray, tmp_path: Path) -> None:
    """Damage to the last tile must not show in a region of the first, and must not pass in its own."""
    with tifffile.TiffFile(ours) as tiff:
        offset, count = tiff.pages[0].dataoffsets[-1], tiff.pages[0].databytecounts[-1]
    data = bytearray(ours.read_bytes())
    data[offset : offset + count] = bytes(count)
    (tmp_path / "m.ome.tif").write_bytes(data)
    with open_mosaic(tmp_path / "m.ome.tif") as mosaic:
        np.testing.assert_array_equal(mosaic.read(0, 0, 512, 512), whole[:512, :512])
        with pytest.raises(MosaicError, match="damaged"):
            mosaic.read(WIDTH - 9, HEIGHT - 9, WIDTH, HEIGHT)


def test_many_threads_may_read_at_once(ours: Path, whole: np.ndarray) -> None:
    corners = [(37 * n % 1000, 91 * n % 800) for n in range(60)]
    with open_mosaic(ours) as mosaic, ThreadPoolExecutor(6) as executor:
        parts = list(executor.map(lambda at: mosaic.read(at[0], at[1], at[0] + 200, at[1] + 150), corners))
    for (x, y), part in zip(corners, parts, strict=True):
        np.testing.assert_array_equal(part, whole[y : y + 150, x : x + 200])


@pytest.mark.parametrize(
    "options",
    [
        {"rowsperstrip": 100},
        {"tile": (64, 48)},
        {"tile": (64, 48), "compression": "zlib", "predictor": True},
        {"planarconfig": "separate", "compression": "lzw", "rowsperstrip": 70},
        {"bigtiff": True, "byteorder": ">", "compression": "deflate"},
    ],
)
def test_tiffs_of_others(tmp_path: Path, whole: np.ndarray, options: dict[str, object]) -> None:
    path = tmp_path / "m.tif"
    data = np.moveaxis(whole, -1, 0) if "planarconfig" in options else whole
    tifffile.imwrite(path, data, photometric="rgb", **options)
    with open_mosaic(path) as mosaic:
        np.testing.assert_array_equal(mosaic.read(333, 444, 1298, 1100), whole[444:1100, 333:1298])
        assert mosaic.um_per_px_x is None
        assert mosaic.levels == 1


def test_alpha_and_grey(tmp_path: Path, whole: np.ndarray) -> None:
    grey = whole[..., 1].astype(np.uint16) * 200
    tifffile.imwrite(tmp_path / "g.tif", grey, tile=(128, 128))
    with open_mosaic(tmp_path / "g.tif") as mosaic:
        np.testing.assert_array_equal(mosaic.read(5, 6, 700, 800), grey[6:800, 5:700])
    tifffile.imwrite(
        tmp_path / "a.tif", np.dstack([whole, whole[..., :1]]), photometric="rgb", extrasamples=["unassalpha"]
    )
    with open_mosaic(tmp_path / "a.tif") as mosaic:
        np.testing.assert_array_equal(mosaic.read(5, 6, 700, 800), whole[6:800, 5:700])


@pytest.mark.parametrize(("unit", "um"), [("µm", 0.5), ("nm", 0.0005), ("mm", 500.0)])
def test_physical_sizes_in_other_units(tmp_path: Path, unit: str, um: float) -> None:
    metadata = {
        "axes": "YX",
        "PhysicalSizeX": 0.5,
        "PhysicalSizeXUnit": unit,
        "PhysicalSizeY": 0.5,
        "PhysicalSizeYUnit": unit,
    }
    tifffile.imwrite(tmp_path / "m.ome.tif", np.zeros((20, 30), np.uint8), metadata=metadata)
    with open_mosaic(tmp_path / "m.ome.tif") as mosaic:
        assert mosaic.um_per_px_x == pytest.approx(um, rel=1e-12)


def test_a_unit_that_is_no_length_is_no_scale(tmp_path: Path) -> None:
    """OME knows a unit "pixel"; taking its number for micrometres would be a wrong number."""
    metadata = {"axes": "YX", "PhysicalSizeX": 2.0, "PhysicalSizeXUnit": "pixel", "PhysicalSizeY": 2.0}
    tifffile.imwrite(tmp_path / "m.ome.tif", np.zeros((20, 30), np.uint8), metadata=metadata)
    with open_mosaic(tmp_path / "m.ome.tif") as mosaic:
        assert mosaic.um_per_px_x is None


def test_png_and_jpeg_for_convenience(tmp_path: Path, whole: np.ndarray) -> None:
    Image.fromarray(whole).save(tmp_path / "m.png")
    with open_mosaic(tmp_path / "m.png") as mosaic:
        np.testing.assert_array_equal(mosaic.read(-3, 10, 40, 2000), whole[10:, :40])
    with pytest.raises(MosaicError, match="closed"):
        mosaic.read(0, 0, 1, 1)


def _refused(path: Path) -> str:
    with pytest.raises(MosaicError) as caught:
        open_mosaic(path)
    assert str(caught.value).startswith(f"{path}: ")
    assert "\n" not in str(caught.value)
    return str(caught.value)


def test_what_is_no_mosaic(tmp_path: Path, ours: Path) -> None:
    assert "cannot be read" in _refused(tmp_path / "missing.ome.tif")
    (tmp_path / "text.tif").write_text("text")
    assert "not a picture" in _refused(tmp_path / "text.tif")
    (tmp_path / "empty.tif").touch()
    assert "empty" in _refused(tmp_path / "empty.tif")
    tifffile.imwrite(tmp_path / "float.tif", np.zeros((9, 9), np.float32))
    assert "not handled" in _refused(tmp_path / "float.tif")


@pytest.mark.parametrize("share", [0.0005, 0.3, 0.9])
def test_a_mosaic_cut_short(tmp_path: Path, ours: Path, share: float) -> None:
    data = ours.read_bytes()
    (tmp_path / "m.ome.tif").write_bytes(data[: int(share * len(data))])
    _refused(tmp_path / "m.ome.tif")


def test_reading_after_closing(ours: Path) -> None:
    mosaic = open_mosaic(ours)
    mosaic.close()
    with pytest.raises(MosaicError, match="closed"):
        mosaic.read(0, 0, 9, 9)
