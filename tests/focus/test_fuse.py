"""Fused pixels: as sharp as the sharpest picture, never beyond what the pictures show, no noisier."""

from __future__ import annotations

import cv2
import numpy as np
import skimage.data

from dieplat.focus.align import Alignment
from dieplat.focus.fuse import fuse

SAME = Alignment(1.0, (0.0, 0.0), 0.0, 1.0)


def noisy(picture: np.ndarray, seed: int, sigma: float = 3.0) -> np.ndarray:
    noise = np.random.default_rng(seed).normal(0, sigma, picture.shape)
    return np.clip(np.rint(picture + noise), 0, 255).astype(np.uint8)


def halves() -> tuple[np.ndarray, list[np.ndarray]]:
    """A picture whose left half is sharp in one shot and whose right half is sharp in the other."""
    true = cv2.GaussianBlur(skimage.data.gravel().astype(np.float32), (0, 0), 0.8)
    soft = cv2.GaussianBlur(true, (0, 0), 3.0)
    left = np.arange(true.shape[1]) < true.shape[1] // 2
    return true, [noisy(np.where(left, true, soft), 1), noisy(np.where(left, soft, true), 2)]


def test_each_half_comes_from_the_picture_that_is_sharp_there() -> None:
    true, pictures = halves()
    fused = fuse(pictures, [SAME, SAME], reference=0)
    error = np.abs(fused.picture.astype(float) - true)
    away = np.abs(np.arange(true.shape[1]) - true.shape[1] // 2) > 20
    # Noise of 3 levels has a mean size of 3 sqrt(2 / pi) = 2.4; rounding adds 0.02.
    assert error[:, away].mean() < 2.5
    # In the transition a soft picture has its part for a few pixels; half as wrong as one shot is still the limit.
    assert error[:, ~away].mean() < 0.6 * np.abs(pictures[0].astype(float) - true)[:, ~away].mean() + 1.3
    assert abs(fused.shares[0] - 0.5) < 0.03


def test_no_pixel_lies_outside_what_the_pictures_show() -> None:
    _, pictures = halves()
    fused = fuse(pictures, [SAME, SAME], reference=0).picture
    # Exposures differ by chance by less than a level, rounding by half of one.
    assert (fused >= np.minimum(*pictures).astype(int) - 1).all()
    assert (fused <= np.maximum(*pictures).astype(int) + 1).all()


def test_blank_ground_gets_no_noisier() -> None:
    blank = np.full((300, 400), 120.0)
    pictures = [noisy(blank, seed) for seed in (1, 2, 3)]
    moved = [Alignment(1.0003, (0.4, 0.3), 0.01, 1.0), SAME, Alignment(0.9997, (-0.3, 0.5), 0.01, 1.0)]
    fused = fuse(pictures, moved, reference=1).picture
    # The scatter of 120,000 values is known to 0.2 %; a per cent is left for choosing among noises.
    assert fused.std() < 1.01 * pictures[1].std()
    assert abs(fused.mean() - 120) < 0.05


def test_where_no_picture_is_sharp_nothing_is_made_up() -> None:
    true = cv2.GaussianBlur(skimage.data.gravel().astype(np.float32), (0, 0), 3.0)
    pictures = [noisy(cv2.GaussianBlur(true, (0, 0), sigma), k) for k, sigma in enumerate((0.5, 1.0))]
    fused = fuse(pictures, [SAME, SAME], reference=0).picture
    # Energy of the Laplacian, of which noise of 3 levels alone has 20 * 9: no more than the sharper picture's.
    energy = [float((cv2.Laplacian(p.astype(np.float32), cv2.CV_32F) ** 2).mean()) for p in (*pictures, fused)]
    assert energy[2] < 1.02 * max(energy[:2])


def test_sixteen_bits_and_colour_keep_their_kind() -> None:
    _, pictures = halves()
    wide = [np.repeat(picture[..., None].astype(np.uint16) * 257, 3, axis=2) for picture in pictures]
    fused = fuse(wide, [SAME, Alignment(1.001, (0.5, -0.5), 0.01, 1.0)], reference=0)
    assert fused.picture.shape == (512, 512, 3)
    assert fused.picture.dtype == np.uint16
    assert sum(fused.shares) == 1.0 or abs(sum(fused.shares) - 1) < 1e-5
