"""Flat field and exposure of a set of tiles from what their overlaps show twice.

A place on the die that two tiles show has one brightness. So the difference of the logarithms of the two
pictures is the difference of the shading at the two places of the camera plus the difference of the two
exposures, whatever is on the die (Goldman and Chen 2005, Vignette and exposure calibration and compensation,
ICCV, 899-906). In the logarithm both are linear unknowns, also under a gamma curve, which multiplies
logarithms by a constant.
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import Executor
from dataclasses import dataclass
from functools import partial

import numpy as np
import numpy.typing as npt
import scipy.sparse as sp
from scipy.sparse.linalg import splu

from dieplat.values.correction import Correction, Lens
from dieplat.values.layout import Layout
from dieplat.work import map_in_order

F32 = npt.NDArray[np.float32]
F64 = npt.NDArray[np.float64]

MOST_SAMPLES = 100_000
MOST_SAMPLES_A_PAIR, FEWEST_SAMPLES_A_PAIR = 400, 24
"""Samples of a pair; fewer where many pairs tell of the shading. A pair needs some to tell its tiles' exposures: 10,000
tiles come to half a million samples, of 160 bytes each."""
PART = 4
"""Every so manieth sample comes near the answer first, in at most `MOST_ROUNDS`; `LAST_ROUNDS` have them all."""
MOST_ROUNDS, LAST_ROUNDS = 6, 6
SETTLED = 3e-5
"""Change of a log exposure or coefficient, a hundredth of a step of 8 bits, after which no round follows."""
GAIN_SIGMA = 0.3
"""Prior scatter of log exposures: weak, it only decides what overlaps cannot (a tilt of them all)."""
RADIAL_TERMS = 3
RADIAL_SIGMA, OTHER_SIGMA = 0.5, 0.05
"""Prior scatter of the coefficients of the log shading: falloff about the centre is expected, the rest is small.

The middle of the tile lies in no overlap; there the round falloff seen in the overlaps is what fills it in.
"""


@dataclass(frozen=True, slots=True, eq=False)
class _Samples:
    """Points seen twice: tiles (S, 2), camera places (S, 2, 2) in -1..1 log ratio b over a (S, channels)."""

    tiles: npt.NDArray[np.intp]
    places: F64
    log_ratio: F64


def estimate_correction(
    colours: Sequence[F32],
    layout: Layout,
    order: Sequence[str],
    *,
    lens: Lens | None = None,
    executor: Executor | None = None,
) -> Correction:
    """Estimate the common shading and every tile's exposure and white balance.

    Parameters
    ----------
    colours : sequence of ndarray, (h, w, channels), float32
        Block means of every tile, NaN where clipped, in the order of `order`.
    layout : Layout
        Where the tiles lie.
    order : sequence of str
        Tile names in the order of the TileSet.
    lens : Lens, optional
        Passed through to the result.
    executor : Executor, optional
        Solves the channels side by side.

    Returns
    -------
    Correction
        `flat` has the shape of `colours[0]`, mean 1 over the tile; `gains` have a geometric mean of 1.
    """
    height, width, channels = colours[0].shape
    places = {tile.name: (tile.x_px, tile.y_px) for tile in layout.tiles}
    index = {name: i for i, name in enumerate(order)}
    block = layout.tile_width_px / width, layout.tile_height_px / height
    pairs = _touching(layout)
    most = max(FEWEST_SAMPLES_A_PAIR, min(MOST_SAMPLES_A_PAIR, MOST_SAMPLES // max(len(pairs), 1)))
    samples = [
        found
        for a, b in pairs
        if (found := _sample_pair((index[a], index[b]), colours, places[a], places[b], block, most)) is not None
    ]
    if not samples:
        return Correction(
            np.ones((height, width, channels), np.float32), np.ones((len(order), channels), np.float32), lens
        )
    seen = _Samples(
        np.concatenate([s.tiles for s in samples]),
        np.concatenate([s.places for s in samples]),
        np.concatenate([s.log_ratio for s in samples]),
    )
    axis_y, axis_x = np.linspace(-1, 1, 2 * height + 1)[1::2], np.linspace(-1, 1, 2 * width + 1)[1::2]
    grid = _basis(np.stack(np.meshgrid(axis_x, axis_y), axis=-1))
    flat = np.empty((height, width, channels), np.float32)
    gains = np.empty((len(order), channels), np.float32)
    difference = _basis(seen.places[:, 1]) - _basis(seen.places[:, 0])
    solve = partial(_solve_channel, seen, difference, len(order))
    for channel, (shading, exposure) in enumerate(map_in_order(solve, range(channels), executor=executor)):
        field = np.exp(grid @ shading)
        flat[..., channel] = field / field.mean()
        # The mean of the shading moves into the exposures, which all share it and lose it again.
        gains[:, channel] = np.exp(-(exposure - exposure.mean()))
    return Correction(flat, gains, lens)


def _touching(layout: Layout) -> list[tuple[str, str]]:
    """Pairs of tiles that overlap in the layout, from the pairs registered and kept."""
    return [(pair.a, pair.b) for pair in layout.pairs if pair.used]


def _basis(places: F64) -> F64:
    """Terms of the log shading at camera places (x, y in -1..1), without a constant.

    First the even powers of the radius to the sixth (cos^4 falloff and worse), then tilt, off-centre falloff and
    unequal falloff along x and y.
    """
    x, y = places[..., 0], places[..., 1]
    r2 = (x * x + y * y) / 2
    slope, twist = x * x - y * y, x * y
    return np.stack([r2, r2**2, r2**3, x, y, x * r2, y * r2, slope, twist, slope * r2, twist * r2], axis=-1)


def _sample_pair(
    pair: tuple[int, int],
    colours: Sequence[F32],
    place_a: tuple[float, float],
    place_b: tuple[float, float],
    block: tuple[float, float],
    most: int,
) -> _Samples | None:
    """Block means of a against those of b interpolated to the same places."""
    colour_a, colour_b = colours[pair[0]], colours[pair[1]]
    height, width, _ = colour_a.shape
    dx, dy = (place_b[0] - place_a[0]) / block[0], (place_b[1] - place_a[1]) / block[1]
    rows, columns = np.mgrid[0:height, 0:width]
    u, v = columns - dx, rows - dy
    inside = (u >= 0) & (u <= width - 1) & (v >= 0) & (v <= height - 1)
    if inside.sum() < 8:
        return None
    rows, columns, u, v = rows[inside], columns[inside], u[inside], v[inside]
    if len(rows) > most:
        keep = np.linspace(0, len(rows) - 1, most).astype(int)
        rows, columns, u, v = rows[keep], columns[keep], u[keep], v[keep]
    u0, v0 = np.minimum(u.astype(int), width - 2), np.minimum(v.astype(int), height - 2)
    fu, fv = (u - u0)[:, None], (v - v0)[:, None]
    theirs = (colour_b[v0, u0] * (1 - fu) + colour_b[v0, u0 + 1] * fu) * (1 - fv)
    theirs = theirs + (colour_b[v0 + 1, u0] * (1 - fu) + colour_b[v0 + 1, u0 + 1] * fu) * fv
    ours = colour_a[rows, columns]
    good = np.isfinite(ours).all(axis=1) & np.isfinite(theirs).all(axis=1)
    good &= (ours > 0).all(axis=1) & (theirs > 0).all(axis=1)
    if good.sum() < 8:
        return None
    camera_a = np.stack([(columns + 0.5) / width, (rows + 0.5) / height], axis=-1)[good] * 2 - 1
    camera_b = np.stack([(u + 0.5) / width, (v + 0.5) / height], axis=-1)[good] * 2 - 1
    ratio = np.log(theirs[good].astype(np.float64)) - np.log(ours[good].astype(np.float64))
    tiles = np.tile(np.array(pair, dtype=np.intp), (len(ratio), 1))
    return _Samples(tiles, np.stack([camera_a, camera_b], axis=1), ratio)


def _solve_channel(seen: _Samples, difference: F64, count: int, channel: int) -> tuple[F64, F64]:
    """Robust ridge regression for shading coefficients and log exposures (Cauchy weights).

    `difference` (S, terms) is what the terms differ by between the two places of every sample. A part of the samples
    comes near the answer at a part of the cost; all of them have the last word.
    """
    found = np.zeros(difference.shape[1]), np.zeros(count)
    for step, rounds in ((PART, MOST_ROUNDS), (1, LAST_ROUNDS)):
        system = _System(seen.tiles[::step], difference[::step], seen.log_ratio[::step, channel], count)
        for _ in range(rounds):
            before, found = found, system.solved_about(*found)
            if max(float(np.abs(new - old).max()) for new, old in zip(found, before, strict=True)) < SETTLED:
                break
    return found


class _System:
    """The equations of one channel. The samples of a pair of tiles share its exposures, so that their sums are all that
    the exposures' part of the system needs."""

    def __init__(self, tiles: npt.NDArray[np.intp], difference: F64, target: F64, count: int) -> None:
        self._difference, self._target, self._count = np.ascontiguousarray(difference), target.copy(), count
        self._first = np.flatnonzero(np.append(True, (tiles[1:] != tiles[:-1]).any(axis=1)))
        self._lengths = np.diff(np.append(self._first, len(tiles)))
        pairs = tiles[self._first]
        self._sign = sp.csr_matrix(
            (np.tile([-1.0, 1.0], len(pairs)), (np.repeat(np.arange(len(pairs)), 2), pairs.ravel())),
            shape=(len(pairs), count),
        )
        others = difference.shape[1] - RADIAL_TERMS
        self._ridge = np.diag(np.r_[[RADIAL_SIGMA**-2] * RADIAL_TERMS, [OTHER_SIGMA**-2] * others])

    def solved_about(self, coefficients: F64, exposures: F64) -> tuple[F64, F64]:
        """The solution with the weights that the residuals of an earlier one ask for."""
        sign, count = self._sign, self._count
        residual = self._target - self._difference @ coefficients - np.repeat(sign @ exposures, self._lengths)
        scale = max(1.4826 * float(np.median(np.abs(residual))), 2e-3)
        weight = 1 / (1 + (residual / (2 * scale)) ** 2) / scale**2
        weighted = self._difference * weight[:, None]
        total, level, slopes = (
            np.add.reduceat(values, self._first, axis=0) for values in (weight, weight * self._target, weighted)
        )
        own = splu(sp.csc_matrix(sign.T @ sp.diags(total) @ sign + GAIN_SIGMA**-2 * sp.eye(count)))
        coupling = np.asarray(sign.T @ slopes)
        alone, through = own.solve(np.asarray(sign.T @ level)), own.solve(coupling)
        # The exposures eliminated (Schur complement), which leaves a small system for the shading.
        normal = weighted.T @ self._difference + self._ridge - coupling.T @ through
        coefficients = np.linalg.solve(normal, weighted.T @ self._target - coupling.T @ alone)
        return coefficients, alone - through @ coefficients
