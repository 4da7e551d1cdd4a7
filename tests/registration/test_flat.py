"""The shading that tiles share: seen where they overlap, and kept from moving their offsets."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
import skimage.data

from dieplat.registration.correlate import band_pass, to_grey
from dieplat.registration.flat import Shading, estimate_shading
from dieplat.registration.pair import measure_pair
from dieplat.registration.pixels import PixelCache

WIDTH, HEIGHT = 400, 300
STEPS = {0: (0.0, 0.0), 1: (320.0, 0.0), 2: (0.0, 240.0), 3: (320.0, 240.0)}
PAIRS = [(0, 1), (2, 3), (0, 2), (1, 3)]
DIE = cv2.resize(skimage.data.gravel().astype(np.float32), None, fx=2, fy=2, interpolation=cv2.INTER_CUBIC)
SHADING = Shading((-0.12, 0.0, -0.08, -0.16))


def tiles(shading: Shading | None) -> list[np.ndarray]:
    """Four tiles of a photograph, whole pixels apart, 16 bits deep so that rounding plays no part."""
    m = shading.over(WIDTH, HEIGHT) if shading is not None else 1.0
    cut = [DIE[int(y) : int(y) + HEIGHT, int(x) : int(x) + WIDTH] for x, y in STEPS.values()]
    return [np.clip(np.rint(np.clip(part, 4, 250) * m * 257), 0, 65535).astype(np.uint16) for part in cut]


def found_in(pictures: list[np.ndarray]) -> Shading | None:
    looks = [cv2.resize(p, (96, 72), interpolation=cv2.INTER_AREA).astype(np.float32) for p in pictures]
    offsets = [np.subtract(STEPS[b], STEPS[a]) / (WIDTH, HEIGHT) for a, b in PAIRS]
    return estimate_shading(looks, PAIRS, [(float(x), float(y)) for x, y in offsets])


def test_shading_is_seen_where_tiles_overlap() -> None:
    found = found_in(tiles(SHADING))
    assert found is not None
    ratio = np.log(found.over(WIDTH, HEIGHT) / SHADING.over(WIDTH, HEIGHT))
    # Coefficients are rounded to 0.04 each; what counts is that the larger part of 0.36 goes.
    assert np.abs(ratio - ratio.mean()).max() < 0.06


def test_even_light_is_left_alone() -> None:
    assert found_in(tiles(None)) is None


@pytest.mark.parametrize("depth", ["uint8", "uint16"])
def test_strips_of_an_even_picture_are_even_once_the_shading_is_out(depth: str) -> None:
    picture = np.full((HEIGHT, WIDTH), 200 if depth == "uint8" else 200 * 257, dtype=depth)
    bent = np.rint(picture * SHADING.over(WIDTH, HEIGHT)).astype(depth)

    def unevenness(gain: np.ndarray | None) -> float:
        cache = PixelCache([Path("a"), Path("b")], capacity=2, read=lambda _: bent, gain=gain)
        return float(np.ptp(cache.strips(0, 1, (0.8 * WIDTH, 0.0), (8, 8)).b))

    # In percent of the brightness. Half a grey level either way is 0.7 of the 150 that are left at a corner.
    assert unevenness(SHADING.gain(WIDTH, HEIGHT)) < 0.7
    assert unevenness(None) > 2


def test_offsets_are_no_longer_moved_by_shading() -> None:
    def off(pictures: list[np.ndarray]) -> float:
        a, b = (band_pass(to_grey(pictures[i])) for i in (0, 1))
        return measure_pair(a, b, predicted_px=(320.0, 0.0), search_px=(8, 8))[0].dx_px - 320.0

    bent = tiles(SHADING)
    flat = [p * SHADING.gain(WIDTH, HEIGHT) for p in bent]
    # Noise alone moves a fit by some thousandth of a pixel.
    assert off(bent) < -0.0015
    assert abs(off(flat)) < 0.0015
