"""Pictures written by other libraries come back as they were; damaged ones are refused in one line."""

from __future__ import annotations

import struct
import zlib
from pathlib import Path

import cv2
import numpy as np
import pytest
import tifffile
from PIL import Image

from dieplat.errors import PictureError
from dieplat.tiles import read
from dieplat.tiles.read import picture_info, read_picture


@pytest.fixture(scope="module")
def rgb() -> np.ndarray:
    rng = np.random.default_rng(3)
    return cv2.GaussianBlur(rng.integers(0, 256, (61, 83, 3), dtype=np.uint8), (0, 0), 2)


@pytest.fixture(scope="module")
def grey16(rgb: np.ndarray) -> np.ndarray:
    return rgb[..., 1].astype(np.uint16) * 251 + 7


@pytest.mark.parametrize("name", ["a.png", "a.bmp", "a.tif"])
def test_rgb_keeps_every_value_and_the_order_of_channels(tmp_path: Path, rgb: np.ndarray, name: str) -> None:
    Image.fromarray(rgb).save(tmp_path / name)
    np.testing.assert_array_equal(read_picture(tmp_path / name), rgb)
    assert picture_info(tmp_path / name) == (61, 83, 3, "uint8")


def test_a_jpeg_agrees_with_another_decoder(tmp_path: Path, rgb: np.ndarray) -> None:
    path = tmp_path / "a.jpg"
    Image.fromarray(rgb).save(path, quality=92, subsampling=0)
    # Decoders may round the inverse cosine transform and the colour conversion differently, by 1 each (common
    # practice, no source).
    assert np.abs(read_picture(path).astype(int) - np.asarray(Image.open(path)).astype(int)).max() <= 2


def test_webp_is_read(tmp_path: Path, rgb: np.ndarray) -> None:
    Image.fromarray(rgb).save(tmp_path / "a.webp", lossless=True)
    np.testing.assert_array_equal(read_picture(tmp_path / "a.webp"), rgb)


@pytest.mark.parametrize("name", ["a.png", "a.tif"])
def test_sixteen_bits_stay(tmp_path: Path, grey16: np.ndarray, name: str) -> None:
    colour = np.stack([grey16, grey16[::-1], grey16 // 2], axis=-1)
    cv2.imwrite(str(tmp_path / name), grey16)
    np.testing.assert_array_equal(read_picture(tmp_path / name), grey16)
    cv2.imwrite(str(tmp_path / name), colour[..., ::-1])
    np.testing.assert_array_equal(read_picture(tmp_path / name), colour)
    assert picture_info(tmp_path / name) == (61, 83, 3, "uint16")


@pytest.mark.parametrize("compression", [None, "zlib", "zstd", "lzw"])
def test_tiff_planes_tiles_and_compressions(tmp_path: Path, rgb: np.ndarray, compression: str | None) -> None:
    path = tmp_path / "a.tif"
    planes = np.moveaxis(rgb, -1, 0)
    tifffile.imwrite(path, planes, photometric="rgb", planarconfig="separate", compression=compression)
    np.testing.assert_array_equal(read_picture(path), rgb)
    tifffile.imwrite(path, rgb, photometric="rgb", tile=(16, 32), compression=compression, bigtiff=True)
    np.testing.assert_array_equal(read_picture(path), rgb)


def test_white_is_zero(tmp_path: Path, grey16: np.ndarray) -> None:
    tifffile.imwrite(tmp_path / "a.tif", 65535 - grey16, photometric="miniswhite")
    np.testing.assert_array_equal(read_picture(tmp_path / "a.tif"), grey16)


@pytest.mark.parametrize("mode", ["LA", "RGBA"])
@pytest.mark.parametrize("suffix", ["png", "tif"])
def test_alpha_is_dropped(tmp_path: Path, rgb: np.ndarray, mode: str, suffix: str) -> None:
    picture = Image.fromarray(rgb).convert(mode)
    picture.putalpha(40)
    picture.save(tmp_path / f"a.{suffix}")
    expected = np.asarray(Image.fromarray(rgb).convert(mode[:-1]))
    np.testing.assert_array_equal(read_picture(tmp_path / f"a.{suffix}"), expected)


@pytest.mark.parametrize("suffix", ["png", "tif", "bmp"])
def test_palettes_become_rgb(tmp_path: Path, rgb: np.ndarray, suffix: str) -> None:
    indexed = Image.fromarray(rgb).quantize(16)
    indexed.save(tmp_path / f"a.{suffix}")
    np.testing.assert_array_equal(read_picture(tmp_path / f"a.{suffix}"), np.asarray(indexed.convert("RGB")))


def test_orientation_tags_are_ignored(tmp_path: Path, rgb: np.ndarray) -> None:
    exif = Image.Exif()
    exif[274] = 6  # "rotate by 90 degrees"
    Image.fromarray(rgb).save(tmp_path / "a.jpg", exif=exif)
    Image.fromarray(rgb).save(tmp_path / "b.jpg")
    np.testing.assert_array_equal(read_picture(tmp_path / "a.jpg"), read_picture(tmp_path / "b.jpg"))


def test_content_counts_not_the_suffix(tmp_path: Path, rgb: np.ndarray) -> None:
    Image.fromarray(rgb).save(tmp_path / "a.jpg", format="PNG")
    np.testing.assert_array_equal(read_picture(tmp_path / "a.jpg"), rgb)


def _refused(path: Path) -> str:
    with pytest.raises(PictureError) as caught:
        read_picture(path)
    text = str(caught.value)
    assert text.startswith(f"{path}: ")
    assert "\n" not in text
    return text


def test_what_is_no_picture(tmp_path: Path) -> None:
    (tmp_path / "text.jpg").write_text("not a picture at all\n" * 50)
    (tmp_path / "empty.png").touch()
    assert "not a picture" in _refused(tmp_path / "text.jpg")
    assert "empty" in _refused(tmp_path / "empty.png")
    assert "cannot be read" in _refused(tmp_path / "missing.tif")
    assert "cannot be read" in _refused(tmp_path)
    for name in ("text.jpg", "empty.png", "missing.tif"):
        with pytest.raises(PictureError):
            picture_info(tmp_path / name)


@pytest.mark.parametrize("suffix", ["jpg", "png", "tif", "bmp", "webp"])
@pytest.mark.parametrize("share", [0.1, 0.5, 0.9, 0.99])
def test_cut_short(tmp_path: Path, rgb: np.ndarray, suffix: str, share: float) -> None:
    path = tmp_path / f"a.{suffix}"
    Image.fromarray(rgb).save(path)
    data = path.read_bytes()
    path.write_bytes(data[: int(share * len(data))])
    _refused(path)


@pytest.mark.parametrize("progressive", [False, True])
def test_a_cut_jpeg_with_a_whole_thumbnail(tmp_path: Path, rgb: np.ndarray, progressive: bool) -> None:
    """The thumbnail's end marker must not pass for the picture's."""
    Image.fromarray(rgb[:16, :16]).save(tmp_path / "thumb.jpg")
    thumbnail = (tmp_path / "thumb.jpg").read_bytes()
    Image.fromarray(rgb).save(tmp_path / "a.jpg", progressive=progressive)
    data = (tmp_path / "a.jpg").read_bytes()
    segment = b"\xff\xe1" + struct.pack(">H", len(thumbnail) + 2) + thumbnail
    whole = data[:2] + segment + data[2:]
    (tmp_path / "a.jpg").write_bytes(whole)
    assert picture_info(tmp_path / "a.jpg") == (61, 83, 3, "uint8")
    (tmp_path / "a.jpg").write_bytes(whole + b"a maker's trailer")
    assert read_picture(tmp_path / "a.jpg").shape == (61, 83, 3)
    (tmp_path / "a.jpg").write_bytes(whole[:-200])
    assert "cut short" in _refused(tmp_path / "a.jpg")


def test_kinds_that_are_not_handled_name_the_remedy(tmp_path: Path, rgb: np.ndarray) -> None:
    Image.fromarray(rgb).convert("CMYK").save(tmp_path / "a.jpg")
    Image.fromarray(rgb).convert("CMYK").save(tmp_path / "a.tif")
    Image.fromarray(rgb).convert("1").save(tmp_path / "b.tif")
    tifffile.imwrite(tmp_path / "c.tif", rgb[..., 0].astype(np.float32))
    for name in ("a.jpg", "a.tif", "b.tif", "c.tif"):
        assert "export it as 8- or 16-bit grey or RGB" in _refused(tmp_path / name)
    tifffile.imwrite(tmp_path / "d.tif", np.stack([rgb[..., 0]] * 3), photometric="minisblack")
    assert "stack" in _refused(tmp_path / "d.tif")


def test_a_decompression_bomb_is_refused_unopened(tmp_path: Path) -> None:
    """A header that announces 10 gigapixels; nothing of that size may be allocated."""

    def chunk(kind: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    header = struct.pack(">IIBBBBB", 100_000, 100_000, 8, 2, 0, 0, 0)
    body = chunk(b"IHDR", header) + chunk(b"IDAT", zlib.compress(b"")) + chunk(b"IEND", b"")
    (tmp_path / "a.png").write_bytes(b"\x89PNG\r\n\x1a\n" + body)
    assert "megapixels" in _refused(tmp_path / "a.png")
    assert read.MAX_PIXELS < 100_000**2


def test_a_tiff_of_two_widths_is_refused(tmp_path: Path) -> None:
    """ImageWidth (tag 256, TIFF 6.0) has one value; a header that gives two is damaged."""
    path = tmp_path / "t.tif"
    tifffile.imwrite(path, np.zeros((20, 30), np.uint8), byteorder="<")
    data = path.read_bytes()
    (first,) = struct.unpack("<I", data[4:8])
    at = data.index(struct.pack("<H", 256), first + 2)
    path.write_bytes(data[: at + 2] + struct.pack("<HI", 3, 2) + struct.pack("<HH", 30, 30) + data[at + 12 :])
    with pytest.raises(PictureError, match=r"t\.tif.*copy it again"):
        picture_info(path)
