"""Pixels that are sent against the picture itself."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import imagecodecs
import numpy as np
import pytest

from dieplat.annotate.image_request import parse_request
from dieplat.annotate.picture import ShownPicture, Tone, shown_pixels, usual_tone
from dieplat.errors import ImageRequestError
from dieplat.mosaicfile.read import Mosaic, open_mosaic
from dieplat.mosaicfile.write import write_mosaic

PLAIN = Tone(0.0, 255.0)


def part(mosaic: Mosaic, region: str, size: str = "max", rotation: str = "0", quality: str = "default") -> Any:
    """The pixels of a request."""
    wanted = parse_request(region, size, rotation, quality, "png", width_px=mosaic.width_px, height_px=mosaic.height_px)
    return shown_pixels(mosaic, wanted, PLAIN)


def test_full_size_is_the_picture_itself(mosaic: Mosaic, pixels: Any) -> None:
    assert np.array_equal(part(mosaic, "300,200,513,401"), pixels[200:601, 300:813])


def test_every_tile_of_every_level_is_that_level(mosaic: Mosaic) -> None:
    """Tiles by the formula of the API: x = n tw s, size = ceil(clipped / s)."""
    for level in range(mosaic.levels):
        s, (wide, high) = 2**level, mosaic.level_sizes[level]
        whole = mosaic.read(0, 0, wide, high, level)
        for n in range(-(-wide // 512)):
            for m in range(-(-high // 512)):
                x, y = n * 512 * s, m * 512 * s
                w, h = min(512 * s, 1500 - x), min(512 * s, 1100 - y)
                got = part(mosaic, f"{x},{y},{w},{h}", f"{-(-w // s)},{-(-h // s)}")
                assert np.array_equal(got, whole[m * 512 : (m + 1) * 512, n * 512 : (n + 1) * 512])


def test_a_reduced_picture_keeps_its_brightness(mosaic: Mosaic, pixels: Any) -> None:
    got = part(mosaic, "full", "300,220")
    expected = pixels.reshape(220, 5, 300, 5, 3).mean(axis=(1, 3))
    assert np.abs(got - expected).mean() < 0.5


def test_turned_and_grey(mosaic: Mosaic, pixels: Any) -> None:
    assert np.array_equal(part(mosaic, "0,0,40,20", rotation="90"), np.rot90(pixels[:20, :40], -1))
    assert part(mosaic, "0,0,40,20", quality="gray").shape == (20, 40)


def test_sent_as_jpeg_and_png(mosaic: Mosaic, pixels: Any) -> None:
    shown = ShownPicture(mosaic, "die")
    for file_format, most in (("png", 0), ("jpg", 12)):
        wanted = parse_request("0,0,200,100", "max", "0", "default", file_format, width_px=1500, height_px=1100)
        data = shown.encoded(wanted)
        assert shown.encoded(wanted) is data
        decoded = np.asarray(imagecodecs.imread(data), np.int16)
        assert np.abs(decoded - pixels[:100, :200]).max() <= most


def test_sixteen_bits_are_toned(tmp_path: Path) -> None:
    values = np.linspace(1000, 5000, 640 * 600).reshape(600, 640).astype(np.uint16)
    path = tmp_path / "deep.ome.tif"
    write_mosaic(path, [values], width_px=640, height_px=600, channels=1, dtype="uint16")
    with open_mosaic(path) as mosaic:
        tone = usual_tone(mosaic)
        assert 1000 <= tone.low < 1100
        assert 4900 < tone.high <= 5000
        wanted = parse_request("full", "max", "0", "default", "png", width_px=640, height_px=600)
        shown = shown_pixels(mosaic, wanted, Tone(2000.0, 4000.0))
    assert shown.dtype == np.uint8
    assert shown[values <= 2000].max() == 0
    assert shown[values >= 4000].min() == 255
    assert abs(int(shown[np.abs(values.astype(int) - 3000) < 5].mean()) - 127) <= 1


@pytest.mark.parametrize("text", ["", "1-2", "5-5-1", "9-5-1", "0-70000-1", "0-1-0", "a-b-c", "nan-1-1"])
def test_a_tone_that_does_not_rise_is_refused(text: str) -> None:
    with pytest.raises(ImageRequestError):
        Tone.parse(text)
