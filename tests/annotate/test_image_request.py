"""Requests of the IIIF Image API 3.0, sections 4.1 to 4.5 (region, size, rotation, quality, format)."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dieplat.annotate.image_request import MAX_SIDE_PX, ImageRequest, information, parse_request
from dieplat.errors import ImageRequestError


def ask(region: str = "full", size: str = "max", rotation: str = "0", quality: str = "default") -> ImageRequest:
    """A request for a picture of 1000 x 700, the size used by the reference's worked tile."""
    return parse_request(region, size, rotation, quality, "jpg", width_px=1000, height_px=700)


def test_the_whole_picture() -> None:
    got = ask()
    assert (got.x0, got.y0, got.x1, got.y1, got.width_px, got.height_px) == (0, 0, 1000, 700, 1000, 700)


def test_the_worked_tile() -> None:
    """Image 1000 x 700, tiles of 256, scale 2: tile (1, 1) is region 512,512,488,188 at 244,94 (IIIF/api, 3.0)."""
    got = ask("512,512,488,188", "244,94")
    assert (got.x1, got.y1, got.width_px, got.height_px) == (1000, 700, 244, 94)


@pytest.mark.parametrize(
    ("region", "size", "expected"),
    [
        # The examples of section 4.2, made for a picture of 300 x 200.
        ("full", "max", (300, 200)),
        ("full", "150,", (150, 100)),
        ("full", ",150", (225, 150)),
        ("full", "pct:50", (150, 100)),
        ("full", "225,100", (225, 100)),
        ("full", "!225,100", (150, 100)),
        ("full", "^360,", (360, 240)),
        ("full", "^,240", (360, 240)),
        ("full", "^pct:120", (360, 240)),
        ("square", "max", (200, 200)),
    ],
)
def test_sizes_of_the_standard(region: str, size: str, expected: tuple[int, int]) -> None:
    got = parse_request(region, size, "0", "default", "jpg", width_px=300, height_px=200)
    assert (got.width_px, got.height_px) == expected


@pytest.mark.parametrize(
    ("region", "size", "rotation", "quality"),
    [
        ("1000,0,10,10", "max", "0", "default"),
        ("0,0,0,10", "max", "0", "default"),
        ("-1,0,10,10", "max", "0", "default"),
        ("full", "1001,", "0", "default"),
        ("full", f"^{MAX_SIDE_PX + 1},", "0", "default"),
        ("full", "0,0", "0", "default"),
        ("full", ",", "0", "default"),
        ("full", "max", "45", "default"),
        ("full", "max", "0", "bitonal"),
        ("pct:0,0,50", "max", "0", "default"),
        ("１,0,5,5", "max", "0", "default"),
    ],
)
def test_what_cannot_be_answered_is_refused(region: str, size: str, rotation: str, quality: str) -> None:
    with pytest.raises(ImageRequestError):
        ask(region, size, rotation, quality)


@given(st.text(max_size=30), st.text(max_size=30))
def test_any_text_is_read_or_refused(region: str, size: str) -> None:
    try:
        got = ask(region, size)
    except ImageRequestError:
        return
    assert 0 <= got.x0 < got.x1 <= 1000
    assert 0 <= got.y0 < got.y1 <= 700
    assert 1 <= max(got.width_px, got.height_px) <= MAX_SIDE_PX


def test_information_names_tiles_and_sizes() -> None:
    found = information("http://x/iiif/0", ((9000, 5000), (4500, 2500), (2250, 1250), (1125, 625), (563, 313)), 512)
    assert found["@context"] == "http://iiif.io/api/image/3/context.json"
    assert (found["type"], found["protocol"]) == ("ImageService3", "http://iiif.io/api/image")
    assert found["tiles"] == [{"width": 512, "height": 512, "scaleFactors": [1, 2, 4, 8, 16, 32]}]
    assert found["sizes"] == [{"width": w, "height": h} for w, h in ((563, 313), (1125, 625), (2250, 1250))]
