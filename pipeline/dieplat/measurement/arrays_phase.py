"""Pitch and rotation of a lattice by phase: demodulation at its harmonics.

The picture is multiplied by exp(-2 pi i g r) and averaged in windows of a few cells. The phase of the result
is
flat where g is the true frequency; its slope is what g still lacks.

Sources: M. Takeda, H. Ina, S. Kobayashi, J. Opt. Soc. Am. 72, 156-160 (1982), fringe analysis by
demodulation; M. J. Hytch, E. Snoeck, R. Kilaas, Ultramicroscopy 74, 131-146 (1998), the gradient of the
geometric phase of a lattice is the change of its reciprocal vector. (Both from memory.)
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from dieplat.errors import UndecidedError

FloatArray = npt.NDArray[np.float32]
Matrix = npt.NDArray[np.float64]

_MAX_FREQUENCY = 0.47
_MAX_ORDER = 3
_GROUPS = 32
"""Groups of periods along each side of a bank, at most."""


@dataclass(frozen=True, slots=True, eq=False)
class PhaseMap:
    """Demodulated windows: `signal` (K, By, Bx) complex for the K harmonics (h, k) of `orders`.

    `centre_x`, `centre_y` are the window centres in array pixels (sample positions).
    """

    orders: npt.NDArray[np.int64]
    signal: npt.NDArray[np.complex128]
    centre_x: Matrix
    centre_y: Matrix


def demodulate(flat: FloatArray, reciprocal: Matrix) -> PhaseMap:
    """Demodulate a flattened picture at the strongest harmonics of a lattice.

    Parameters
    ----------
    flat : ndarray of shape (H, W), float32
        Picture without its local mean; zero where masked.
    reciprocal : ndarray of shape (2, 2)
        Rows g_1, g_2: reciprocal vectors (x, y) in cycles a pixel.
    """
    periods = 1.0 / np.maximum(np.abs(np.diag(reciprocal)), 1e-9)
    weights, centres = [], []
    for size, period in zip(flat.shape[::-1], periods, strict=True):
        half = min(max(2.0 * period, 8.0), size / 2)
        count = max(1, int((size - 2 * half) / half) + 1)
        centre = half - 0.5 + (size - 2 * half) * (np.arange(count) / max(count - 1, 1) if count > 1 else 0.5)
        centre = np.atleast_1d(np.asarray(centre, dtype=np.float64))
        offset = (np.arange(size)[None, :] - centre[:, None]) / half
        window = np.where(np.abs(offset) < 1, 0.5 + 0.5 * np.cos(np.pi * offset), 0.0)
        weights.append((window / window.sum(axis=1, keepdims=True)).astype(np.float32))
        centres.append(centre)
    trial = _orders(reciprocal)
    signal = np.stack([_demodulate_one(flat, order @ reciprocal, weights) for order in trial])
    mean_power = (np.abs(signal) ** 2).mean(axis=(1, 2))
    keep = _strongest(trial, mean_power)
    return PhaseMap(trial[keep], signal[keep], centres[0], centres[1])


def _orders(reciprocal: Matrix) -> npt.NDArray[np.int64]:
    pairs = [
        (h, k)
        for h in range(_MAX_ORDER + 1)
        for k in range(-_MAX_ORDER, _MAX_ORDER + 1)
        if (h > 0 or k > 0)
        and np.abs(np.array([h, k]) @ reciprocal).max() < _MAX_FREQUENCY
        and abs(h) + abs(k) <= _MAX_ORDER
    ]
    return np.array(pairs, dtype=np.int64)


def _strongest(orders: npt.NDArray[np.int64], power: Matrix, count: int = 6) -> npt.NDArray[np.int64]:
    """Indices of the strongest harmonics, among them at least one with h != 0 and one with k != 0."""
    if not len(orders):
        raise UndecidedError("memory array: every harmonic of the lattice lies beyond the sampling limit")
    ranked = np.argsort(power)[::-1]
    keep = [int(i) for i in ranked[:count] if power[i] > 0.02 * power[ranked[0]]]
    for part in (0, 1):
        if not any(orders[i, part] for i in keep):
            extra = [int(i) for i in ranked if orders[i, part]]
            if not extra:
                raise UndecidedError("memory array: one axis of the lattice shows no harmonic that can be sampled")
            keep.append(extra[0])
    return np.array(keep, dtype=np.int64)


def _demodulate_one(flat: FloatArray, g: Matrix, weights: list[FloatArray]) -> npt.NDArray[np.complex128]:
    height, width = flat.shape
    across = weights[0] * np.exp(-2j * np.pi * g[0] * np.arange(width)).astype(np.complex64)
    down = weights[1] * np.exp(-2j * np.pi * g[1] * np.arange(height)).astype(np.complex64)
    step = flat @ np.ascontiguousarray(across.real.T) + 1j * (flat @ np.ascontiguousarray(across.imag.T))
    return np.asarray(down @ step, dtype=np.complex128)


def advance(phase: PhaseMap, reciprocal: Matrix) -> Matrix:
    """Correct the reciprocal vectors by the phase steps between windows, near ones first, then far ones.

    Steps across a strap are few against those inside a bank, so they do not lead the sum.
    """
    signal = phase.signal.copy()
    result = reciprocal.copy()
    for reach in (1, 2):
        slopes = np.zeros((len(phase.orders), 2))
        weight = np.zeros((len(phase.orders), 2))
        for part, centre in ((0, phase.centre_x), (1, phase.centre_y)):
            moved = np.moveaxis(signal, 2 - part, 2)
            if moved.shape[2] <= reach:
                continue
            product = (moved[:, :, reach:] * moved[:, :, :-reach].conj()).sum(axis=(1, 2))
            distance = float(centre[reach] - centre[0])
            slopes[:, part] = np.angle(product) / (2 * np.pi * distance)
            weight[:, part] = np.abs(product)
        change = np.zeros((2, 2))
        for part in (0, 1):
            if weight[:, part].sum() > 0:
                change[:, part] = _solve_orders(phase.orders, slopes[:, part], weight[:, part])
        result += change
        turn = phase.orders @ change
        signal *= np.exp(
            -2j
            * np.pi
            * (
                turn[:, 0, None, None] * phase.centre_x[None, None, :]
                + turn[:, 1, None, None] * phase.centre_y[None, :, None]
            )
        )
    return result


def _solve_orders(orders: npt.NDArray[np.int64], slope: Matrix, weight: Matrix) -> Matrix:
    root = np.sqrt(weight)[:, None]
    return np.asarray(np.linalg.lstsq(orders * root, slope * root[:, 0], rcond=None)[0])


@dataclass(frozen=True, slots=True, eq=False)
class CellPhases:
    """Harmonics of groups of whole periods, in lattice coordinates.

    `signal` (K, M): coefficient of harmonic `orders[k]` = (h, k) in group m, summed over the group's periods;
    `u`, `v` (M,): the group's centre in periods; `bank` (M,): the bank it belongs to.
    """

    orders: npt.NDArray[np.int64]
    signal: npt.NDArray[np.complex128]
    u: Matrix
    v: Matrix
    bank: npt.NDArray[np.int64]
    shapes: tuple[tuple[int, int, int, int], ...]
    """Of each bank: rows and columns of groups, and periods a group along y and x."""


def cell_phases(
    picture: FloatArray,
    samples: tuple[int, int],
    rectangles: Sequence[tuple[int, int, int, int]],
    orders: npt.NDArray[np.int64],
) -> CellPhases:
    """Demodulate whole periods inside the banks of a picture resampled to `samples` a period.

    A window of exactly one period holds a whole number of cycles of every harmonic, so none leaks into
    another.
    `rectangles` are the banks' (i0, j0, i1, j1) in samples.
    """
    n_x, n_y = samples
    signals, us, vs, bank, shapes = [], [], [], [], []
    for index, (i0, j0, i1, j1) in enumerate(rectangles):
        columns, rows = (i1 - i0) // n_x, (j1 - j0) // n_y
        if columns < 1 or rows < 1:
            continue
        group_x, group_y = -(-columns // _GROUPS), -(-rows // _GROUPS)
        columns, rows = columns // group_x, rows // group_y
        width, height = columns * group_x * n_x, rows * group_y * n_y
        part = picture[j0 : j0 + height, i0 : i0 + width].astype(np.float64)
        sums = part.reshape(rows, group_y, n_y, columns, group_x, n_x).sum(axis=(1, 4))
        sums -= sums.mean(axis=(1, 3), keepdims=True)
        across = np.exp(-2j * np.pi * np.outer(np.arange(n_x), orders[:, 0]) / n_x)
        down = np.exp(-2j * np.pi * np.outer(np.arange(n_y), orders[:, 1]) / n_y)
        signals.append(np.einsum("ryck,yk->krc", sums @ across, down).reshape(len(orders), -1))
        v, u = np.meshgrid(
            j0 / n_y + (np.arange(rows) + 0.5) * group_y,
            i0 / n_x + (np.arange(columns) + 0.5) * group_x,
            indexing="ij",
        )
        shapes.append((rows, columns, group_y, group_x))
        us.append(u.ravel())
        vs.append(v.ravel())
        bank.append(np.full(u.size, index, dtype=np.int64))
    if not signals:
        raise UndecidedError("memory array: no bank holds a whole period of the cells")
    return CellPhases(
        orders,
        np.concatenate(signals, axis=1),
        np.concatenate(us),
        np.concatenate(vs),
        np.concatenate(bank),
        tuple(shapes),
    )


def fit_banks(cells: CellPhases) -> Matrix:
    """Fit one lattice to the phases of all banks, each bank with an offset of its own.

    Returns
    -------
    change : ndarray of shape (2, 2)
        D: the true reciprocal vectors are (I + D) times those that the picture was resampled with. Resampling bends
        the finest cells, so this is the way in; `arrays_fit.refine` has the pitch and its uncertainty.
    """
    start = _steps(cells)
    turn = cells.orders @ start
    signals = cells.signal * np.exp(-2j * np.pi * (turn[:, :1] * cells.u + turn[:, 1:] * cells.v))
    normal, right = np.zeros((4, 4)), np.zeros(4)
    for order, z in zip(cells.orders, signals, strict=True):
        design = (
            2
            * np.pi
            * np.stack([order[0] * cells.u, order[0] * cells.v, order[1] * cells.u, order[1] * cells.v], axis=1)
        )
        residual, weight, centred = np.zeros(len(z)), np.zeros(len(z)), np.zeros_like(design)
        for index in np.unique(cells.bank):
            inside = cells.bank == index
            residual[inside], weight[inside] = _phases(z[inside])
            total = max(float(weight[inside].sum()), 1e-30)
            centred[inside] = design[inside] - (weight[inside, None] * design[inside]).sum(axis=0) / total
            residual[inside] -= (weight[inside] * residual[inside]).sum() / total
        # A harmonic whose phase scatters counts less: weights become power over mean square residual.
        scale = max(float((weight * residual**2).sum() / max(weight.sum(), 1e-30)), 1e-8)
        weight = weight / max(float(weight.mean()), 1e-30) / scale
        normal += centred.T @ (weight[:, None] * centred)
        right += centred.T @ (weight * residual)
    if np.linalg.cond(normal) > 1e10:
        raise UndecidedError("memory array: too few cells along one axis to fix its pitch")
    return np.asarray(start + np.linalg.solve(normal, right).reshape(2, 2))


def _steps(cells: CellPhases) -> Matrix:
    """First estimate of D from the phase steps between groups of one bank, which cannot wrap as long phases
    do."""
    result = np.zeros((2, 2))
    ends = np.cumsum([rows * columns for rows, columns, _, _ in cells.shapes])
    for reach in (1, 3, 9):
        turn = cells.orders @ result
        signal = cells.signal * np.exp(-2j * np.pi * (turn[:, :1] * cells.u + turn[:, 1:] * cells.v))
        total: dict[tuple[int, int], npt.NDArray[np.complex128]] = {}
        for end, (rows, columns, group_y, group_x) in zip(ends, cells.shapes, strict=True):
            grid = signal[:, end - rows * columns : end].reshape(-1, rows, columns)
            for part, step, moved in ((0, group_x, np.swapaxes(grid, 1, 2)), (1, group_y, grid)):
                if moved.shape[1] > reach:
                    product = (moved[:, reach:] * moved[:, :-reach].conj()).sum(axis=(1, 2))
                    key = (part, reach * step)
                    total[key] = total.get(key, np.zeros(len(cells.orders), dtype=np.complex128)) + product
        for part in (0, 1):
            found = [(key[1], value) for key, value in total.items() if key[0] == part]
            if found:
                slopes = np.concatenate([np.angle(value) / (2 * np.pi * step) for step, value in found])
                weight = np.concatenate([np.abs(value) * step**2 for step, value in found])
                orders = np.concatenate([cells.orders] * len(found))
                result[:, part] += _solve_orders(orders, slopes, weight)
    return result


def _phases(z: npt.NDArray[np.complex128]) -> tuple[Matrix, Matrix]:
    mean = z.sum()
    turned = z * np.conj(mean) / max(abs(mean), 1e-30)
    return np.angle(turned), np.abs(z) ** 2
