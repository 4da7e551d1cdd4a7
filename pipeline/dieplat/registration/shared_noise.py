"""Which pairs' offsets rest on the same pixels of a tile, and so share that tile's noise, and by how much."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
Indices = npt.NDArray[np.intp]


@dataclass(frozen=True, slots=True, eq=False)
class Coupling:
    """Correlation of the offsets of two pairs that have a tile in common, for all such.

    between : ndarray of shape (C, 2), intp
        Numbers of both pairs.
    correlation : ndarray of shape (C,), float64
        Of their offsets along either axis, from -1/2 to 1/2.
    """

    between: Indices
    correlation: Array


NO_COUPLING = Coupling(np.zeros((0, 2), dtype=np.intp), np.zeros(0))


def shared_noise(pairs: Indices, corners_px: Array, size_px: tuple[int, int], noise_part: Array) -> Coupling:
    """How the offsets of pairs are correlated where three tiles overlap.

    Parameters
    ----------
    pairs : ndarray of shape (P, 2)
        Indices a, b of tiles; an offset is that of b against a.
    corners_px : ndarray of shape (N, 2)
        About where every tile lies, x and y.
    size_px : tuple of int
        Width and height of a tile.
    noise_part : ndarray of shape (P,)
        Part of an offset's variance that is noise of the pixels.

    Notes
    -----
    Noise n of a tile moves an offset by the mean of n's pull over the overlap. Half of the variance of an offset comes
    from either tile, in proportion to 1 / A for an overlap of A pixels; two overlaps A and B of one tile that have C
    pixels in common share C / (A B) of it. So the correlation is C / (2 sqrt(A B)), with the sign of the tile's part in
    both offsets (propagation of the covariance of inputs, JCGM 100:2008, F.1.2.3, with structure taken as even). The
    rims that fits leave out are not taken off: correlations of overlaps that are some rims wide come out too large.
    """
    owner = np.concatenate([pairs[:, 0], pairs[:, 1]])
    member = np.tile(np.arange(len(pairs)), 2)
    sign = np.repeat([-1.0, 1.0], len(pairs))
    order = np.argsort(owner, kind="stable")
    owner, member, sign = owner[order], member[order], sign[order]
    most = int(np.bincount(owner).max(initial=0))
    found: list[tuple[Indices, Array]] = []
    area = _area(corners_px[pairs[:, 0]], corners_px[pairs[:, 1]], size_px=size_px)
    for step in range(1, most):
        same = np.flatnonzero(owner[step:] == owner[:-step])
        one, other = member[same], member[same + step]
        ends = corners_px[pairs[one, 0]], corners_px[pairs[one, 1]], corners_px[pairs[other, 0]]
        common = _area(*ends, corners_px[pairs[other, 1]], size_px=size_px)
        both = np.sqrt(np.maximum(area[one] * area[other], 1.0))
        part = np.sqrt(noise_part[one] * noise_part[other])
        correlation = sign[same] * sign[same + step] * part * common / (2 * both)
        some = correlation != 0
        found.append((np.stack([one, other], axis=1)[some], correlation[some]))
    if not found:
        return NO_COUPLING
    return Coupling(np.concatenate([pair for pair, _ in found]), np.concatenate([value for _, value in found]))


def _area(*corners_px: Array, size_px: tuple[int, int]) -> Array:
    """Pixels that rectangles of one size have in common."""
    every = np.stack(corners_px)
    sides = np.array(size_px) - (every.max(axis=0) - every.min(axis=0))
    return np.asarray(np.maximum(sides, 0).prod(axis=-1), dtype=np.float64)
