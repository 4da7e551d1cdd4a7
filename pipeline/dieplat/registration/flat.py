"""The shading that all tiles share, well enough to keep it from moving their offsets.

Shading that rises across a tile moves what a band-pass shows of it: the smoothed background of a structure lies
sigma^2 m'/m off (m the shading, sigma the width of the smoothing), one way at the right rim of one tile and the other
way at the left rim of the next. Every step then comes out too short by thousandths of a pixel, which no loop of pairs
shows and which a row of tiles adds up. So tiles are freed from the larger part of their shading first. It is seen in
how the ratio of two tiles runs across their overlap, where what they show cancels.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Numbers = npt.NDArray[np.float64]

STEP = 0.04
"""Coefficients are rounded to this: a further tile seldom changes them, and what is kept of pairs stays valid."""
LEAST_RANGE = 0.08
"""Shading (brightest to darkest, as a logarithm) that moves offsets by less than a thousandth of a pixel is left."""
FEWEST_CELLS = 40
ROUNDS = 6


@dataclass(frozen=True, slots=True)
class Shading:
    """log m = the sum of coefficients times x^2, x y, y^2 and r^4; x and y are 1 at the rim of a tile, r at its corner.

    A slope that is the same all over the tile moves all structure alike and is left out.
    """

    coefficients: tuple[float, float, float, float]

    def gain(self, width_px: int, height_px: int) -> npt.NDArray[np.float32]:
        """What takes the shading out, float32 (height, width), largest 1: the brightest picture there can be fits."""
        shading = self.over(width_px, height_px)
        return np.asarray(shading.min() / shading, dtype=np.float32)

    def over(self, width_px: int, height_px: int) -> npt.NDArray[np.float32]:
        """m (height, width), float32, largest 1."""
        x = (np.arange(width_px) + 0.5) / width_px * 2 - 1
        y = (np.arange(height_px) + 0.5) / height_px * 2 - 1
        terms = _terms(x[None, :], y[:, None], height_px / width_px)
        logarithm = sum(c * term for c, term in zip(self.coefficients, terms, strict=True))
        shading = np.exp(logarithm - np.max(logarithm))
        return np.asarray(np.broadcast_to(shading, (height_px, width_px)), dtype=np.float32)


def _terms(x: Numbers, y: Numbers, aspect: float) -> tuple[Numbers, Numbers, Numbers, Numbers]:
    r2 = (x * x + aspect**2 * y * y) / (1 + aspect**2)
    return x * x, x * y, y * y, r2 * r2


def estimate_shading(
    looks: Sequence[npt.NDArray[np.float32]],
    pairs: Sequence[tuple[int, int]],
    offsets: Sequence[tuple[float, float]],
) -> Shading | None:
    """The shading from small pictures of tiles, or None if there is next to none.

    Parameters
    ----------
    looks : sequence of ndarrays of shape (h, w) or (h, w, channels), float32
        Small pictures of the tiles; NaN where a value is not known.
    pairs : sequence of tuple of int
        Pairs of tiles that overlap.
    offsets : sequence of tuple of float
        Roughly where the second lies from the first, x and y, as a share of a tile's width and height.

    Notes
    -----
    Least squares on log(a / b) over the overlaps with a level of its own for every pair, with Cauchy weights.
    """
    height, width = looks[0].shape[:2]
    designs, values, owners = [], [], []
    for number, ((a, b), (share_x, share_y)) in enumerate(zip(pairs, offsets, strict=True)):
        dx, dy = round(share_x * width), round(share_y * height)
        x0, x1, y0, y1 = max(0, dx), min(width, width + dx), max(0, dy), min(height, height + dy)
        if x1 - x0 < 3 or y1 - y0 < 3:
            continue
        first = _level(looks[a][y0:y1, x0:x1])
        second = _level(looks[b][y0 - dy : y1 - dy, x0 - dx : x1 - dx])
        with np.errstate(divide="ignore", invalid="ignore"):
            ratio = np.log(first / second)
        good = np.isfinite(ratio)
        if good.sum() < FEWEST_CELLS:
            continue
        rows, columns = np.nonzero(good)
        here = _cells(columns + x0, rows + y0, (width, height))
        there = _cells(columns + x0 - dx, rows + y0 - dy, (width, height))
        designs.append(np.stack([p - q for p, q in zip(here, there, strict=True)], axis=-1))
        values.append(ratio[good])
        owners.append(np.full(len(rows), number))
    if not designs:
        return None
    found = _fit(np.concatenate(designs), np.concatenate(values), np.concatenate(owners))
    rounded = [STEP * round(float(c) / STEP) for c in found]
    shading = Shading((rounded[0], rounded[1], rounded[2], rounded[3]))
    return shading if -math.log(float(shading.over(width, height).min())) > LEAST_RANGE else None


def _level(look: npt.NDArray[np.float32]) -> Numbers:
    return np.asarray(look.mean(axis=-1) if look.ndim == 3 else look, dtype=np.float64)


def _cells(
    columns: npt.NDArray[np.intp], rows: npt.NDArray[np.intp], size: tuple[int, int]
) -> tuple[Numbers, Numbers, Numbers, Numbers]:
    width, height = size
    return _terms((columns + 0.5) / width * 2 - 1, (rows + 0.5) / height * 2 - 1, height / width)


def _fit(design: Numbers, value: Numbers, owner: npt.NDArray[np.intp]) -> Numbers:
    _, owner = np.unique(owner, return_inverse=True)
    weight = np.ones(len(value))
    found = np.zeros(design.shape[1])
    for _ in range(ROUNDS):
        total = np.bincount(owner, weight)
        level = np.bincount(owner, weight * value) / total
        mean = np.stack([np.bincount(owner, weight * column) / total for column in design.T], axis=-1)
        about, seen = design - mean[owner], value - level[owner]
        # A term that no overlap shows, as across a single row, stays at zero.
        weighted = weight[:, None] * about
        normal = np.einsum("ni,nj->ij", about, weighted) + 1e-5 * weight.sum() * np.eye(design.shape[1])
        found = np.linalg.solve(normal, np.einsum("ni,n->i", weighted, seen))
        residual = seen - np.einsum("ni,i->n", about, found)
        scale = max(1.4826 * float(np.median(np.abs(residual))), 1e-3)
        weight = 1 / (1 + (residual / (2 * scale)) ** 2)
    return np.asarray(found, dtype=np.float64)
