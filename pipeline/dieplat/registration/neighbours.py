"""Which tiles of a shuffled set may be neighbours, without comparing every pair: small places looked up in an index."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from dieplat.registration.correlate import Image

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.intp]

BUCKETS = (8, 6)
"""A tile's strongest spots are taken evenly over its area, since neighbours share only a strip."""
SPOTS_A_BUCKET = 4
SPOT_PX = 1.5
PATCH = 8
"""Samples across a spot's description, two thumbnail pixels apart."""
DIMENSIONS = 14
LOOK_UPS = 10
BIN_PX = 8
"""Votes for an offset within so many thumbnail pixels count together."""


def likely_pairs(thumbs: Sequence[Image], *, most: int = 6) -> list[tuple[int, int]]:
    """Index pairs (i < j) of tiles that share several spots in one arrangement, at most `most` for each tile.

    Every tile is described by about 200 spots: extremes of a difference of Gaussians with the pattern around them,
    reduced to its principal components. Each spot is looked up among those of all other tiles in a k-d tree
    (Bentley 1975); every match votes for a pair and an offset, the less the more its pattern is met elsewhere, so that
    repeated cells hardly count. The cost grows as n log n.

    Parameters
    ----------
    thumbs : sequence of ndarray (h, w), float32
        Band-passed thumbnails of one size.
    """
    places, patterns, owner = _all_spots(thumbs)
    if len(places) <= LOOK_UPS:
        return []
    found = _matches(patterns, owner)
    pair_votes = _votes(found, places, owner, len(thumbs))
    ranked = sorted(pair_votes.items(), key=lambda item: (-item[1], item[0]))
    taken = np.zeros(len(thumbs), dtype=int)
    kept = []
    for (i, j), _ in ranked:
        # A pair counts as long as it is among the first of either tile.
        if min(taken[i], taken[j]) < most:
            kept.append((i, j))
            taken[[i, j]] += 1
    return sorted(kept)


def _all_spots(thumbs: Sequence[Image]) -> tuple[Floats, Floats, Ints]:
    """Places (n, 2) as x, y, patterns (n, DIMENSIONS) and tile index (n,) of all spots."""
    places, patterns, owner = [], [], []
    for index, thumb in enumerate(thumbs):
        where, seen = _spots(thumb)
        places.append(where)
        patterns.append(seen)
        owner.append(np.full(len(where), index, dtype=np.intp))
    everything = np.concatenate(patterns)
    if not len(everything):
        return np.zeros((0, 2)), np.zeros((0, DIMENSIONS)), np.zeros(0, dtype=np.intp)
    # Principal components: where the patterns differ most.
    _, vectors = np.linalg.eigh(everything.T @ everything)
    return np.concatenate(places), everything @ vectors[:, ::-1][:, :DIMENSIONS], np.concatenate(owner)


def _spots(thumb: Image) -> tuple[Floats, Floats]:
    fine = cv2.GaussianBlur(thumb, (0, 0), SPOT_PX)
    response = np.abs(fine - cv2.GaussianBlur(thumb, (0, 0), 2 * SPOT_PX))
    peak = response >= cv2.dilate(response, np.ones((5, 5), np.uint8))
    height, width = thumb.shape
    rim = PATCH
    peak[:rim], peak[-rim:], peak[:, :rim], peak[:, -rim:] = False, False, False, False
    rows, columns = np.nonzero(peak & (response > 1e-3))
    order = np.argsort(-response[rows, columns], kind="stable")
    rows, columns = rows[order], columns[order]
    bucket = columns * BUCKETS[0] // width * BUCKETS[1] + rows * BUCKETS[1] // height
    rank = np.zeros(len(rows), dtype=int)
    for one in np.unique(bucket):
        inside = bucket == one
        rank[inside] = np.arange(inside.sum())
    rows, columns = rows[rank < SPOTS_A_BUCKET], columns[rank < SPOTS_A_BUCKET]
    steps = 2 * np.arange(PATCH) - PATCH + 1
    seen = fine[rows[:, None, None] + steps[:, None], columns[:, None, None] + steps].reshape(len(rows), -1)
    seen = seen.astype(np.float64) - seen.mean(axis=1, keepdims=True)
    seen /= np.linalg.norm(seen, axis=1, keepdims=True) + 1e-9
    return np.column_stack([columns, rows]).astype(np.float64), seen


def _matches(patterns: Floats, owner: Ints) -> tuple[Ints, Ints, Floats]:
    """Spots that look alike in different tiles: index, index, weight."""
    found = cKDTree(patterns).query(patterns, k=LOOK_UPS + 1, eps=0.2)
    distance, index = np.asarray(found[0]), np.asarray(found[1], dtype=np.intp)
    # What many places resemble equally says nothing: the weight falls to 0 at the last place found.
    weight = 1 - (distance[:, 1:] / np.maximum(distance[:, -1:], 1e-9)) ** 2
    one = np.repeat(np.arange(len(patterns)), LOOK_UPS)
    other = index[:, 1:].ravel()
    use = (owner[one] != owner[other]) & (weight.ravel() > 0.05)
    return one[use], other[use], weight.ravel()[use]


def _votes(found: tuple[Ints, Ints, Floats], places: Floats, owner: Ints, count: int) -> dict[tuple[int, int], float]:
    """For every pair of tiles the votes of the offset that has most, if more than one spot voted for it."""
    one, other, weight = found
    swap = owner[one] > owner[other]
    first, second = np.where(swap, other, one), np.where(swap, one, other)
    pair = owner[first] * count + owner[second]
    offset = places[first] - places[second]
    best: dict[tuple[int, int], float] = {}
    for half_x in (0.0, 0.5):
        for half_y in (0.0, 0.5):
            cell = np.floor(offset / BIN_PX + (half_x, half_y)).astype(np.int64) + 2048
            key = (pair * 4096 + cell[:, 0]) * 4096 + cell[:, 1]
            keys, index, spots = np.unique(key, return_inverse=True, return_counts=True)
            sums = np.bincount(index, weights=weight)
            for k in np.nonzero(spots > 1)[0]:
                i, j = divmod(int(keys[k]) // 4096 // 4096, count)
                best[(i, j)] = max(best.get((i, j), 0.0), float(sums[k]))
    return best
