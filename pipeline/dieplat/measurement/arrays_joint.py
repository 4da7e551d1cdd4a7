"""The lattice and the cells of all banks fitted together, pixel by pixel: what short banks need.

Parts of a bank that are compared with a model of all of it (arrays_fit) share their errors with that model; in a bank
of a few periods that moves the pitch by several times what noise does. Here harmonics, ground and lattice of every
bank are unknowns of one least-squares fit, by the steps of Gauss and Newton. Were every pixel's noise its own, its
covariance would be the bound for any unbiased reading (Cramer and Rao; H. Cramer, Mathematical Methods of Statistics,
1946, from memory), with the cells themselves unknown. Stains make neighbours off alike: the fit is done once more with
weights that know of it (`arrays_weighted`), and what they do not know widens the covariance (`arrays_alike`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from dieplat.measurement.arrays_alike import Left, widened
from dieplat.measurement.arrays_fit import Rectangle
from dieplat.measurement.arrays_frame import Frame
from dieplat.measurement.arrays_model import ridge_of
from dieplat.measurement.arrays_weighted import Weights, weights_of

FloatArray = npt.NDArray[np.float32]
Matrix = npt.NDArray[np.float64]
Orders = npt.NDArray[np.int64]

RIM_PX = 2.5
"""Left out along a bank's edge, where the lens mixes cells and what stands beside them: of a blur of 0.9 px (standard
deviation) 0.3 % is left there."""
HIGHEST_FREQUENCY, MOST_ORDERS = 0.62, 160
FEWER = 0.5, 120
"""Of the orders fitted: cycles a pixel along either axis, and how many, the lowest first; and the same where a bank has
too few pixels for them. Where six orders of a pair of
cells of 23 px were all, what they left out moved the pitch of banks of three periods by 7e-4; what a sharp picture
folds back from beyond half a cycle moved that of banks of four by 2e-4."""
LEAST_PX = 4
"""Narrower banks (px, as pixels' places differ) do not tell their ground from a bend of it."""
MOST_PIXELS = 100_000
"""Larger arrays are left to their parts: there both readings agree within their noise, and this one takes seconds."""
GROUND = 6
"""Terms of the ground: a polynomial of second degree."""
CHUNK = 20_000
"""Pixels whose terms are held in memory at once."""
STEPS = 8
FOREIGN, BESIDE_PX = 5.0, 2
"""Standard deviations by which the fit may miss a pixel; those that it misses by more are left out, and so are their
neighbours, which blur mixes with them."""
ROUNDS = 4
"""Fits with ever fewer foreign pixels, at most."""
SETTLED, LOST = 1e-3, 0.2
"""Periods by which the picture's far corner moves in a step: few enough to stop, too many to go on."""


@dataclass(frozen=True, slots=True, eq=False)
class _Pixels:
    """Places (2, N) of pixel centres, as array positions, and their levels (N,)."""

    place: Matrix
    level: Matrix

    def wide_enough(self, pixels: int) -> bool:
        """Whether there are more than so many of them, over `LEAST_PX` along either axis."""
        return self.level.size > pixels and float(np.ptp(self.place, axis=1).min()) >= LEAST_PX

    def rectangle_px(self) -> int:
        """Pixels of the upright rectangle about them."""
        return int(np.prod(np.ptp(self.place, axis=1) + 1))

    def frame(self) -> tuple[Matrix, Matrix]:
        """Their middle and their reach (2, 1)."""
        return self.place.mean(axis=1, keepdims=True), np.maximum(np.ptp(self.place, axis=1, keepdims=True), 1.0)


@dataclass(frozen=True, slots=True, eq=False)
class _Part:
    """What one bank says: its harmonics (cosines, then sines) and, behind them, its ground with the lattice as it is
    (W + 6,), how these change with the four changes of the lattice (W + 6, 4), and its part of the normal equations of
    these with the `variance` of a pixel in it."""

    fitted: Matrix
    coupling: Matrix
    normal: Matrix
    gradient: Matrix
    variance: float

    @property
    def value(self) -> Matrix:
        """The harmonics alone."""
        return self.fitted[:-GROUND]


def fit_jointly(
    grey: FloatArray, frame: Frame, rectangles: Sequence[Rectangle], reciprocal: Matrix
) -> tuple[Matrix, Matrix] | None:
    """Refine a lattice that is already right to a small part of a period over all banks.

    Parameters
    ----------
    grey : ndarray (H, W)
    frame : Frame
        Of the same lattice; `rectangles` are the banks in its samples.
    reciprocal : ndarray (2, 2)

    Returns
    -------
    (reciprocal, covariance) or None
        As of `arrays_fit.refine`, the covariance (4, 4) of the relative change from the scatter of all pixels about
        the fit, which stains and grain make alike from pixel to pixel. None where there are too many pixels, or the
        steps do not settle.
    """
    orders, least, banks = _choose([_inside(grey, frame, one) for one in rectangles], reciprocal)
    if not banks or sum(pixels.level.size for pixels in banks) > MOST_PIXELS:
        return None
    far = np.array(grey.shape[::-1], dtype=np.float64)
    for _ in range(ROUNDS):
        settled = _settle(banks, reciprocal, orders, far)
        if settled is None:
            return None
        reciprocal, covariance, parts = settled
        left = [_left(one, reciprocal, orders, part) for one, part in zip(banks, parts, strict=True)]
        covariance = widened(covariance, left)
        clean = [_without_foreign(one, rest.miss) for one, rest in zip(banks, left, strict=True)]
        lost = sum(one.level.size for one in banks) - sum(one.level.size for one in clean)
        fitted = banks
        banks = [one for one in clean if one.wide_enough(least)]
        if not banks:
            return None
        if lost == 0:
            break
    return _weighed(fitted, reciprocal, orders, far, left) or (reciprocal, covariance)


def _choose(inside: Sequence[_Pixels], reciprocal: Matrix) -> tuple[Orders, int, list[_Pixels]]:
    """The orders to fit, the least number of pixels that a bank needs for them, and the banks that have it."""
    choices = []
    for highest in ((HIGHEST_FREQUENCY, MOST_ORDERS), FEWER):
        orders = lowest_orders(reciprocal, *highest)
        least = 8 * len(orders) + 40
        choices.append((orders, least, [pixels for pixels in inside if pixels.wide_enough(least)]))
    return max(choices, key=lambda choice: len(choice[2]))


def _weighed(
    banks: Sequence[_Pixels], reciprocal: Matrix, orders: Orders, far: Matrix, left: Sequence[Left]
) -> tuple[Matrix, Matrix] | None:
    """The same fit with weights from what it leaves; None where pixels are too many or errors not alike."""
    weights = weights_of(left) if max(one.rectangle_px() for one in banks) <= CHUNK else None
    settled = None if weights is None else _settle(banks, reciprocal, orders, far, weights)
    if settled is None:
        return None
    reciprocal, covariance, parts = settled
    left = [_left(one, reciprocal, orders, part, weights) for one, part in zip(banks, parts, strict=True)]
    return reciprocal, widened(covariance, left)


def lowest_orders(reciprocal: Matrix, highest_frequency: float, most: int) -> Orders:
    """All orders of one half plane that are low enough, strong or not: what is left out of a short bank leans on its
    pitch."""
    highest = [int(highest_frequency * float(np.hypot(*period))) + 1 for period in np.linalg.inv(reciprocal).T]
    h, k = np.meshgrid(np.arange(highest[0] + 1), np.arange(-highest[1], highest[1] + 1), indexing="ij")
    orders = np.stack([h.ravel(), k.ravel()], axis=1)
    orders = orders[(orders[:, 0] > 0) | (orders[:, 1] > 0)]
    frequency = np.abs(orders @ reciprocal).max(axis=1)
    lowest = np.argsort(frequency, kind="stable")[:most]
    return np.asarray(orders[lowest[frequency[lowest] < highest_frequency]])


def _settle(
    banks: Sequence[_Pixels], reciprocal: Matrix, orders: Orders, far: Matrix, weights: Weights | None = None
) -> tuple[Matrix, Matrix, list[_Part]] | None:
    """The lattice, its covariance, and what every bank says there; None if the steps do not come to rest."""
    parts = [_bank(pixels, reciprocal, orders, np.zeros(2 * len(orders)), weights) for pixels in banks]
    values = [part.value for part in parts]
    for _ in range(STEPS):
        parts = [_bank(pixels, reciprocal, orders, value, weights) for pixels, value in zip(banks, values, strict=True)]
        normal = np.sum([part.normal for part in parts], axis=0)
        if np.linalg.cond(normal) > 1e14:
            return None
        covariance = np.linalg.inv(normal)
        change = (covariance @ np.sum([part.gradient for part in parts], axis=0)).reshape(2, 2)
        moved = float(np.abs(change @ reciprocal @ far).max())
        if moved > LOST:
            return None
        reciprocal = (np.eye(2) + change) @ reciprocal
        values = [part.value - part.coupling[:-GROUND] @ change.ravel() for part in parts]
        if moved < SETTLED:
            return reciprocal, covariance, parts
    return None


def _left(pixels: _Pixels, reciprocal: Matrix, orders: Orders, part: _Part, weights: Weights | None = None) -> Left:
    """What the fit leaves of a bank's pixels, and how each of them leans on the lattice."""
    middle, reach = pixels.frame()
    miss, leaning = np.empty_like(pixels.level), np.empty((pixels.level.size, 4))
    for start in range(0, miss.size, CHUNK):
        some = slice(start, start + CHUNK)
        terms = _terms(pixels.place[:, some], middle, reach, reciprocal, orders, part.value)
        miss[some] = pixels.level[some] - terms[:, :-4] @ part.fitted
        leaning[some] = terms[:, -4:] - terms[:, :-4] @ part.coupling
    if weights is None:
        return Left(pixels.place, miss, leaning, part.variance, part.variance)
    free = max(miss.size - len(part.fitted) - 4, 1)
    return Left(pixels.place, miss, weights.divided(pixels.place, leaning), float(miss @ miss) / free, part.variance)


def _without_foreign(pixels: _Pixels, miss: Matrix) -> _Pixels:
    """A bank's pixels but those that the fit misses by far, as dirt and scratches do, and their neighbours."""
    # 1.4826 median deviations are a standard deviation (P. J. Huber, Robust Statistics, 1981, from memory).
    foreign = np.abs(miss) > FOREIGN * 1.4826 * float(np.median(np.abs(miss)))
    x, y = (pixels.place - pixels.place.min(axis=1, keepdims=True)).astype(int)
    marked = np.zeros((y.max() + 1, x.max() + 1), dtype=np.uint8)
    marked[y[foreign], x[foreign]] = 1
    kept = cv2.dilate(marked, np.ones((2 * BESIDE_PX + 1,) * 2, dtype=np.uint8))[y, x] == 0
    return _Pixels(pixels.place[:, kept], pixels.level[kept])


def _inside(grey: FloatArray, frame: Frame, rectangle: Rectangle) -> _Pixels:
    """The pixels of a bank, without its rim."""
    inverse = np.linalg.inv(np.stack([frame.step_x, frame.step_y], axis=1))
    rim = np.abs(inverse).sum(axis=1) * RIM_PX
    low, high = np.array(rectangle[:2]) + rim, np.array(rectangle[2:]) - rim
    corners = np.array(
        [frame.to_image(i, j) for i, j in ((low[0], low[1]), (high[0], low[1]), high, (low[0], high[1]))]
    )
    x0, y0 = np.maximum(np.floor(corners.min(axis=0)).astype(int), 0)
    x1, y1 = np.minimum(np.ceil(corners.max(axis=0)).astype(int), grey.shape[::-1])
    if np.any(high <= low) or x1 <= x0 or y1 <= y0:
        return _Pixels(np.zeros((2, 0)), np.zeros(0))
    y, x = np.mgrid[y0:y1, x0:x1].reshape(2, -1)
    place = np.stack([x, y]).astype(np.float64)
    sample = inverse @ (place + 0.5 - frame.origin[:, None])
    within = np.all((sample > low[:, None]) & (sample < high[:, None]), axis=0)
    return _Pixels(place[:, within], grey[y[within], x[within]].astype(np.float64))


def _bank(pixels: _Pixels, reciprocal: Matrix, orders: Orders, value: Matrix, weights: Weights | None = None) -> _Part:
    """Fit a bank's harmonics and ground, and eliminate them from the equations of the lattice's change."""
    waves, count = 2 * len(orders), pixels.level.size
    middle, reach = pixels.frame()
    total = np.zeros((waves + GROUND + 4, waves + GROUND + 4))
    right, square = np.zeros(len(total)), 0.0
    for start in range(0, count, CHUNK):
        place = pixels.place[:, start : start + CHUNK]
        level = pixels.level[start : start + CHUNK]
        terms = _terms(place, middle, reach, reciprocal, orders, value)
        if weights is not None:
            both = weights.whitened(place, np.column_stack([terms, level]))
            terms, level = both[:, :-1], both[:, -1]
        total += terms.T @ terms
        right += terms.T @ level
        square += float(level @ level)
    kept = slice(0, waves + GROUND)
    frequency = np.abs(orders @ reciprocal).max(axis=1)
    held = total[kept, kept].copy()
    held[np.arange(waves), np.arange(waves)] += np.tile(ridge_of(count, frequency), 2)
    columns = np.column_stack([right[kept], total[kept, kept.stop :]])
    solved = np.asarray(np.linalg.solve(held, columns), dtype=np.float64)
    fitted = solved[:, 0]
    residual = square - 2.0 * float(fitted @ right[kept]) + float(fitted @ total[kept, kept] @ fitted)
    variance = max(residual / max(count - len(total), 1), 1e-9)
    own, mixed = total[kept.stop :, kept.stop :], total[kept.stop :, kept]
    normal = (own - mixed @ solved[:, 1:]) / variance
    gradient = (right[kept.stop :] - mixed @ fitted) / variance
    return _Part(fitted, solved[:, 1:], normal, gradient, variance)


def _terms(place: Matrix, middle: Matrix, reach: Matrix, reciprocal: Matrix, orders: Orders, value: Matrix) -> Matrix:
    """Columns of the fit (N, 2 K + 10): cosines, sines, a ground of second degree, and four changes of the lattice.

    Phases and lattice coordinates u, v count from the bank's middle. The changes D_uu, D_uv, D_vu, D_vv move a pixel's
    coordinates by D (u, v); its level changes by the model's slope along u and along v.
    """
    u, v = reciprocal @ (place - middle)
    half = len(orders)
    terms = np.empty((2 * half + GROUND + 4, u.size))
    along_x, along_y = _waves(u, orders[:, 0]), _waves(v, orders[:, 1])
    for k, (h, j) in enumerate(orders):
        wave = along_x[h] * along_y[j]
        terms[k], terms[half + k] = wave.real, wave.imag
    slopes = 2.0 * np.pi * orders.T
    along_u, along_v = (slopes * value[half:]) @ terms[:half] - (slopes * value[:half]) @ terms[half : 2 * half]
    x, y = 2.0 * (place - middle) / reach
    terms[2 * half : -4] = [np.ones_like(x), x, y, x * x, x * y, y * y]
    terms[-4:] = [along_u * u, along_u * v, along_v * u, along_v * v]
    return terms.T


def _waves(along: Matrix, orders: npt.NDArray[np.int64]) -> dict[int, npt.NDArray[np.complex128]]:
    """exp(2 pi i h along) for all orders h from the least to the greatest, by products: sines and cosines of every pair
    of orders at every pixel take ten times as long."""
    lowest, highest = int(orders.min()), int(orders.max())
    base = np.exp(2j * np.pi * along)
    waves = {lowest: np.exp(2j * np.pi * lowest * along)}
    for order in range(lowest + 1, highest + 1):
        waves[order] = waves[order - 1] * base
    return waves
