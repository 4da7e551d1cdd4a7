"""From pictures that lie over each other to one: which is sharpest where, and a clean transition between them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
import scipy.sparse as sp

from dieplat.focus.align import Alignment, Image
from dieplat.focus.measures import MEASURES

Pixels = npt.NDArray[Any]

PRE_SMOOTH_PX = 1.0
"""Before measuring: makes the noise of a resampled picture and of one that is not alike."""
WINDOWS_PX = (48.0, 16.0, 6.0, 3.0)
"""Standard deviations of the windows, coarse to fine."""
DETAIL_SCATTER = math.sqrt(2)
"""Relative scatter of the energy of one independent noise value: that of the square of a normal variable."""
SIGMAS = 2.0
"""A finer window overrules a coarser one where it is this sure; else its choice would be the noise's."""
HALF = 2
"""Measures are averaged and compared on every second pixel."""
MEDIAN_CELLS = 7
FEATHER_CELLS = 1.5
"""Standard deviation of the transition between two pictures, on every second pixel: 3 px in the picture."""
LOBES = 6


@dataclass(frozen=True, slots=True, eq=False)
class Fused:
    """The fused picture, and the share of its pixels that each of the pictures gave."""

    picture: Pixels
    shares: tuple[float, ...]


def fuse(
    pictures: Sequence[Pixels],
    alignments: Sequence[Alignment],
    *,
    reference: int,
    measure: str = "laplacian_energy",
) -> Fused:
    """Fuse pictures of one field.

    Parameters
    ----------
    pictures : sequence of ndarray of shape (H, W) or (H, W, 3), uint8 or uint16
        All of one shape and depth.
    alignments : sequence of Alignment
        Of every picture against the reference; the reference's own is the identity.
    reference : int
        Index of the picture whose geometry and exposure the result has.
    measure : str, optional
        One of `dieplat.focus.measures.MEASURES`. On phantoms the energy of the Laplacian comes nearest to the choice
        that knows the heights; the other two lose a tenth of a grey level against it.

    Returns
    -------
    Fused
        Every pixel is a weighted mean, weights 0 to 1 and sum 1, of what the pictures show there: nothing is
        sharpened and nothing can appear that no picture has. Away from transitions it is one picture's pixel.

    Notes
    -----
    The choice is made in the widest window first. In a finer window another picture is preferred only where it has
    more detail beyond what noise explains, so that blank ground follows its surroundings instead of the noise.
    """
    moved = [_moved(picture, alignment) for picture, alignment in zip(pictures, alignments, strict=True)]
    _match_exposure(moved, reference)
    details = [_detail(picture, measure) for picture, _ in moved]
    weights = _weights(details, [valid for _, valid in moved])
    height, width = pictures[reference].shape[:2]
    total = np.zeros(pictures[reference].shape, np.float32)
    shares = []
    for (picture, _), weight in zip(moved, weights, strict=True):
        full = cv2.resize(weight, (width, height), interpolation=cv2.INTER_LINEAR)
        shares.append(float(full.mean()))
        total += picture * (full[..., None] if picture.ndim == 3 else full)
    top = np.iinfo(pictures[reference].dtype).max
    fused = np.clip(np.rint(total), 0, top).astype(pictures[reference].dtype)
    return Fused(fused, tuple(shares))


def _moved(picture: Pixels, alignment: Alignment) -> tuple[Image, npt.NDArray[np.bool_]]:
    """The picture in the reference's geometry, float32, and where it has pixels for it."""
    height, width = picture.shape[:2]
    if alignment.is_negligible(width, height):
        return picture.astype(np.float32), np.ones((height, width), dtype=bool)
    down, rows = _resampler(height, alignment.magnification, alignment.shift_px[1])
    across, columns = _resampler(width, alignment.magnification, alignment.shift_px[0])
    flat = picture.astype(np.float32).reshape(height, -1)
    tall = (down @ flat).reshape(height, width, -1)
    wide = across @ np.ascontiguousarray(tall.transpose(1, 0, 2)).reshape(width, -1)
    result = wide.reshape(width, height, -1).transpose(1, 0, 2).reshape(picture.shape)
    return np.ascontiguousarray(result, dtype=np.float32), rows[:, None] & columns[None, :]


def _resampler(size: int, magnification: float, shift_px: float) -> tuple[sp.csr_matrix, npt.NDArray[np.bool_]]:
    """Matrix that reads a row of pixels at magnification (p - centre) + centre + shift, and where that lies inside.

    Lanczos weights for the very place, summing to 1; the library's own warps round places to 1/32 px.
    """
    centre = (size - 1) / 2
    place = magnification * (np.arange(size) - centre) + centre + shift_px
    first = np.floor(place).astype(np.intp)
    taps = np.arange(1 - LOBES, LOBES + 1)
    distance = place[:, None] - (first[:, None] + taps)
    weight = np.where(np.abs(distance) < LOBES, np.sinc(distance) * np.sinc(distance / LOBES), 0.0)
    weight /= weight.sum(axis=1, keepdims=True)
    source = np.clip(first[:, None] + taps, 0, size - 1)
    rows = np.repeat(np.arange(size), len(taps))
    matrix = sp.csr_matrix((weight.ravel().astype(np.float32), (rows, source.ravel())), shape=(size, size))
    return matrix, (place >= -0.5) & (place <= size - 0.5)


def _match_exposure(moved: list[tuple[Image, npt.NDArray[np.bool_]]], reference: int) -> None:
    """Give all pictures the reference's exposure, channel by channel, in place."""
    base = moved[reference][0]
    for index, (picture, valid) in enumerate(moved):
        if index == reference:
            continue
        gain = base[valid].mean(axis=0, dtype=np.float64) / np.maximum(
            picture[valid].mean(axis=0, dtype=np.float64), 1e-6
        )
        picture *= gain.astype(np.float32)


def _detail(picture: Image, measure: str) -> Image:
    """The measure of focus on every second pixel."""
    grey = cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY) if picture.ndim == 3 else picture
    smooth = np.asarray(cv2.GaussianBlur(grey, (0, 0), PRE_SMOOTH_PX), dtype=np.float32)
    detail = MEASURES[measure](smooth)
    height, width = grey.shape
    size = (math.ceil(width / HALF), math.ceil(height / HALF))
    return np.asarray(cv2.resize(detail, size, interpolation=cv2.INTER_AREA), dtype=np.float32)


def _weights(details: Sequence[Image], valid: Sequence[npt.NDArray[np.bool_]]) -> list[Image]:
    """Weight of every picture on every second pixel, summing to 1."""
    height, width = details[0].shape
    open_to = np.stack([_reduced_mask(mask, (width, height)) for mask in valid])
    choice: npt.NDArray[np.intp] | None = None
    for window in WINDOWS_PX:
        means = np.stack([_window_mean(detail, window / HALF) for detail in details])
        means = np.where(open_to, means, -1.0)
        best = means.argmax(axis=0)
        if choice is None:
            choice = best
            continue
        here = np.take_along_axis(means, choice[None], axis=0)[0]
        independent = 4 * np.pi * window**2 / (4 * np.pi * PRE_SMOOTH_PX**2)
        lead = 1 + SIGMAS * math.sqrt(2) * DETAIL_SCATTER / math.sqrt(independent)
        choice = np.where(means.max(axis=0) > lead * here, best, choice)
    assert choice is not None
    smooth = cv2.medianBlur(choice.astype(np.uint8), MEDIAN_CELLS)
    weights = [cv2.GaussianBlur((smooth == k).astype(np.float32), (0, 0), FEATHER_CELLS) for k in range(len(details))]
    stack = np.stack(weights) * open_to
    total = stack.sum(axis=0)
    # Where only pictures without pixels were mixed, one that has them takes over.
    stack[:, total < 1e-3] = 0.0
    row, column = np.nonzero(total < 1e-3)
    stack[open_to[:, row, column].argmax(axis=0), row, column] = 1.0
    return [np.asarray(one, dtype=np.float32) for one in stack / stack.sum(axis=0)]


def _reduced_mask(mask: npt.NDArray[np.bool_], size: tuple[int, int]) -> npt.NDArray[np.bool_]:
    """Pixels near the rim of what a picture has do not count: the linear enlargement of weights reaches a cell on."""
    seen = cv2.resize(mask.astype(np.float32), size, interpolation=cv2.INTER_AREA)
    return np.asarray(cv2.erode(seen, np.ones((3, 3), np.uint8), borderValue=1.0) > 0.999)


def _window_mean(detail: Image, sigma: float) -> Image:
    """Gaussian mean; a wide one on a reduced picture, which is as smooth."""
    factor = max(1, int(sigma // 6))
    if factor == 1:
        return np.asarray(cv2.GaussianBlur(detail, (0, 0), sigma), dtype=np.float32)
    height, width = detail.shape
    size = (max(1, round(width / factor)), max(1, round(height / factor)))
    small = cv2.GaussianBlur(cv2.resize(detail, size, interpolation=cv2.INTER_AREA), (0, 0), sigma / factor)
    return np.asarray(cv2.resize(small, (width, height), interpolation=cv2.INTER_LINEAR), dtype=np.float32)
