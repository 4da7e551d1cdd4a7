"""One period or two mirrored cells: what the mean cell says about itself."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from dieplat.errors import UndecidedError

FloatArray = npt.NDArray[np.float32]

MIRROR_LIKENESS, NEARLY_MIRRORED = 0.9, 0.97
"""Invented pairs of `FINE_PX` and more had a likeness of 0.997 at least (210 axes, bench/array_figures.py from seed
7000); of single cells about half lie between these."""
MIRROR_LACK = 0.005
"""A mirrored pair's mean period lacks this much likeness with its mirror image at most, besides its noise; on
invented pairs it lacked 0.0003, on lopsided single cells 0.013 and more."""
AXES_ALIKE, AXES_UNLIKE, AXES_SURELY_UNLIKE = -0.6, -1.25, -2.0
"""Both mirror axes of a pair of cells are borders between cells, where the picture is much the same; a cell
that is
symmetric in itself has a border on one and its middle on the other. On invented cells of both kinds (blur up
to
1.2 px) the likeness of the axes is above the first for pairs, and below the second for symmetric cells."""
ONE_WAVE = 0.9
"""Share of what varies in a period from which it is called one wave."""
EQUAL_PARTS = 0.96
PARTS, FINE_PARTS = 0.8, 0.45
"""Likeness with itself moved by half from which a period may be two. Below `RESOLVED_PX` it is 0.3 at most on invented
arrays, unless a finer pattern folds back at the sampling limit and only seems to have twice its period (0.7)."""
RESOLVED_PX = 12.0
"""Below this period a pair of cells blurs towards one sinusoid: on invented pairs of 8 to 12 px the axes were as
unlike as -1.9, on invented single cells that are nearly symmetric at least as unlike as -2.2."""
BLURRED_UNLIKE = -2.1
FINE_PX, FINE_UNLIKE, FINE_LIKENESS = 8.0, -2.2, 0.8
"""Below this period a pair has less than 4 px a cell, and orders that fold back spoil its symmetry: on invented
pairs it fell to 0.86. Those that lacked symmetry in low orders too had axes no more unlike than -1.9."""
SAMPLED_PX = 5.2
LOW_LACK = 0.002
"""The same for the mean period of low orders alone, which do not fold back: invented pairs lacked nothing beside
their noise, single cells 0.0026 and more; above `SAMPLED_PX`, where low orders meet high ones that fold onto them, a
pair near 6 px lacked 0.06."""
EVIDENT, STEADIEST = 4.0, 1e-4
"""Likeness that a fine period must lack with its mirror image, in what two halves of its bank lack with one another
(and at least so much), to be lopsided by more than chance: invented pairs of 4 to 8 px lacked up to 2.9 of it (224
axes), single cells that are nearly symmetric 5.8 and more (48 axes)."""
SURELY_LOPSIDED = 0.12
"""Twice what any invented pair lacked in its low orders."""
LOW_SEEN = 0.9
"""Steadiness of the low orders from which they speak for a period: there may be none."""
COLOUR_STEADY, COLOUR_SHIFT_PX = 0.9, 0.25
"""From which steadiness on a colour's mean period speaks, and how far the lens may have moved one colour against
another (choices of ours, no source)."""
COLOUR_LACK, FINE_COLOUR_LACK, COLOUR_PX = 0.1, 0.2, 6.0
"""What a colour then lacks of its likeness with its mirror image on the grey's axis to be lopsided; the same below
`FINE_PX`; and the period from which colours are asked. On invented pairs of 4 px a cell and more colours lacked 0.035
at most, on those of 3 to 4 px 0.09; on single cells whose grey is symmetric 0.11 and more."""
LEAN = 0.07
"""Tangent of the largest angle between a period and its axis: 0.05 is what is searched."""
REPEATS, WITHIN = 0.6, (0.02, 0.3)
"""A period that is this much like itself moved by one of these shares of it holds many cells."""

_FINER = 16


@dataclass(frozen=True, slots=True)
class Symmetry:
    """How a period's pattern compares with itself along one axis; correlations, -1..1.

    `mirror` : with its best mirror image. `axis` : that mirror axis, as a share of the period.
    `half`, `third` : with itself moved by half and by a third of a period.
    `axes_alike` : the pattern near one mirror axis with that near the other, half a period away.
    """

    mirror: float
    axis: float
    half: float
    third: float
    axes_alike: float


def symmetry(period: FloatArray) -> Symmetry:
    """Compare a mean period (V, n) with its mirror images and parts along the second axis.

    What does not change along the axis is left out, since it is alike in every comparison.
    """
    n = period.shape[1]
    varying = period - period.mean(axis=1, keepdims=True)
    spectrum = np.fft.fft(varying, axis=1)
    energy = float((varying**2).sum()) or 1e-12
    power = (np.abs(spectrum) ** 2).sum(axis=0) / (n * energy)
    turn = 2 * np.pi * np.fft.fftfreq(n, 1 / n)
    # sum_x f(x) f(c - x) for every c is the transform of F squared.
    # Its axis may lie between samples, hence the finer step.
    product = (spectrum * spectrum).sum(axis=0)[: n // 2 + 1]
    mirrored = np.fft.irfft(product, n * _FINER) * _FINER / energy
    best = int(np.argmax(mirrored))
    centre = best / _FINER
    return Symmetry(
        mirror=float(mirrored[best]),
        axis=centre / 2 / n,
        half=float(power @ np.cos(turn / 2)),
        third=float(power @ np.cos(turn / 3)),
        axes_alike=_axes_alike(period, centre / 2),
    )


def steadiness(one: FloatArray, other: FloatArray) -> float:
    """Correlation of two halves' mean periods (V, n) over what varies along the second axis."""
    a, b = (half - half.mean(axis=1, keepdims=True) for half in (one, other))
    return float((a * b).sum()) / (float(np.sqrt((a**2).sum() * (b**2).sum())) or 1e-12)


def parts_of(period: FloatArray) -> tuple[int, int]:
    """How many equal parts (1, 2 or 3) the mean period (n_y, n_x) falls into along x and y."""

    def one(values: FloatArray) -> int:
        found = symmetry(values)
        return 3 if found.third > EQUAL_PARTS else 2 if found.half > EQUAL_PARTS else 1

    return one(period), one(np.ascontiguousarray(period.T))


def refuse_stripes(period: FloatArray) -> None:
    """Refuse a mean period (n_y, n_x) that is hardly more than one wave across both axes.

    Cells repeat along two directions; stripes aslant are what finer cells leave when they fold back at the sampling
    limit, and two directions of the lattice cannot be told from one wave.
    """
    power = np.abs(np.fft.fft2(period)) ** 2
    power[0, 0] = 0.0
    row, column = np.unravel_index(int(np.argmax(power)), power.shape)
    # A wave and its complex conjugate are one.
    if row and column and 2.0 * float(power[row, column]) > ONE_WAVE * float(power.sum()):
        raise UndecidedError(
            "memory array: the picture shows slanting stripes, not cells; photograph at a higher magnification"
        )


def refuse_leaning(vectors: npt.NDArray[np.float64]) -> None:
    """Refuse period vectors, the columns (x, y) of a matrix, that have left the axes along which they were looked for.

    Finer cells that fold back at the sampling limit have lattices of their own, with some periods of the cells.
    """
    if abs(vectors[1, 0]) > LEAN * abs(vectors[0, 0]) or abs(vectors[0, 1]) > LEAN * abs(vectors[1, 1]):
        raise UndecidedError(
            "memory array: the periods found do not run along rows and columns; photograph at a higher magnification"
        )


def _axes_alike(period: FloatArray, axis: float) -> float:
    """1 where the strips on both mirror axes are equal, 0 where they differ as much as unrelated columns."""
    n = period.shape[1]
    half = n // 16
    near = np.arange(-half, half + 1)
    first = period[:, (round(axis) + near) % n].mean(axis=1)
    second = period[:, (round(axis + n / 2) + near) % n].mean(axis=1)
    varying = float(((period - period.mean(axis=1, keepdims=True)) ** 2).mean()) or 1e-12
    return 1.0 - float(((first - second) ** 2).mean()) / (2 * varying)


@dataclass(frozen=True, slots=True, eq=False)
class Periods:
    """Mean periods (V, n) along their second axis: of all orders, and of low ones; and how steady each is.

    `steady` is the likeness of the mean periods of two halves of a bank; `colours` are mean periods of what colours
    say beside the grey, each with its steadiness.
    """

    whole: FloatArray
    steady: float
    low: FloatArray
    low_steady: float
    colours: tuple[tuple[FloatArray, float], ...] = ()


class MirrorUndecidedError(UndecidedError):
    """The picture does not tell one cell from two mirrored ones."""


def cells_a_period(
    periods: Periods, period_px: float, extents: list[tuple[float, float]], axis: str
) -> tuple[int, str | None]:
    """Decide whether a period is one cell or two mirrored ones.

    Mirrored cells have mirrored colours: where a colour is lopsided, a period that the grey leaves open is one cell.
    Returns the number of cells (1 or 2) and a remark.
    """
    # Of still finer pairs the orders that fold back make every colour lopsided.
    lopsided = period_px >= COLOUR_PX and lopsided_in_colour(periods, period_px)
    try:
        cells, remark = _cells_in_grey(periods, period_px, extents, axis)
    except MirrorUndecidedError:
        if not lopsided:
            raise
        return 1, None
    if not lopsided or (cells == 1 and remark is None):
        return cells, remark
    if cells == 2 and remark is None:
        raise _open_mirror(axis)
    return 1, None


def lopsided_in_colour(periods: Periods, period_px: float) -> bool:
    """Whether a colour differs from its own mirror image on the grey's mirror axis, or near it."""
    middle = symmetry(periods.whole).axis
    lack = COLOUR_LACK if period_px >= FINE_PX else FINE_COLOUR_LACK
    for period, steady in periods.colours:
        spectrum = np.fft.fft(period - period.mean(axis=1, keepdims=True), axis=1)
        order = np.fft.fftfreq(period.shape[1], 1 / period.shape[1])
        axes = middle + np.linspace(-1, 1, 9) * COLOUR_SHIFT_PX / period_px
        turned = np.exp(4j * np.pi * np.outer(axes, order)) @ (spectrum**2).sum(axis=0)
        likeness = turned.real / (float((np.abs(spectrum) ** 2).sum()) or 1e-12)
        if steady > COLOUR_STEADY and float(likeness.max()) < steady - lack:
            return True
    return False


def _cells_in_grey(
    periods: Periods, period_px: float, extents: list[tuple[float, float]], axis: str
) -> tuple[int, str | None]:
    period, steady = periods.whole, periods.steady
    _refuse_many(period, axis)
    found = symmetry(period)
    if found.half > (PARTS if period_px >= RESOLVED_PX else FINE_PARTS) or found.third > PARTS:
        raise UndecidedError(
            f"memory array: along {axis} the period holds parts that are nearly but not quite alike, so "
            "one cell or several may be meant; photograph at a higher magnification"
        )
    # What low orders lack all orders lack too; where these do not, it is chance.
    low_lack = min(periods.low_steady - symmetry(periods.low).mirror, steady - found.mirror)
    likeness = MIRROR_LIKENESS if period_px >= FINE_PX else FINE_LIKENESS
    seen_in_low = periods.low_steady > LOW_SEEN and SAMPLED_PX <= period_px < RESOLVED_PX
    symmetric_in_low = low_lack <= LOW_LACK and seen_in_low
    evident = low_lack > max(LOW_LACK, EVIDENT * max(1.0 - steady, STEADIEST))
    if found.mirror < likeness - 2.0 * (1.0 - steady) and not symmetric_in_low:
        return 1, None
    # Noise takes twice as much likeness from the halves as from their mean, so this allows it twice over.
    lacks = found.mirror < 1.0 - MIRROR_LACK - (1.0 - steady) and not symmetric_in_low
    if lacks or period_px < SAMPLED_PX or (evident and period_px < FINE_PX):
        return _nearly_mirrored(found, low_lack, evident, period_px, axis)
    # An odd number of half periods can only be made of mirrored half-period cells.
    middles = [(low + high) / 2 for low, high in extents if high - low < 0.6]
    odd = any(abs(m - round(m)) > 0.35 for m in middles)
    if found.axes_alike > AXES_ALIKE or (odd and found.axes_alike > AXES_UNLIKE):
        return 2, None
    if period_px < RESOLVED_PX:
        if found.axes_alike > BLURRED_UNLIKE:
            return 2, (
                f"along {axis} a period is its own mirror image and taken as two mirrored cells; if it is one "
                "cell, the count halves and the pitch doubles"
            )
    elif found.axes_alike < (AXES_SURELY_UNLIKE if odd else AXES_UNLIKE):
        return 1, (
            f"along {axis} the cell is its own mirror image and taken as one cell; if it is two mirrored "
            "cells, the count doubles and the pitch halves"
        )
    raise _open_mirror(axis)


def other_factors(*axes: tuple[int, str | None]) -> tuple[float, ...]:
    """What a count is multiplied by where a remark says that the picture leaves the cell open, ascending.

    `axes` are the answers of `cells_a_period`, which remarks on nothing else.
    """
    factors = {1.0}
    for cells, remark in axes:
        if remark is not None:
            factors |= {factor * (2.0 if cells == 1 else 0.5) for factor in factors}
    return tuple(sorted(factors - {1.0}))


def _refuse_many(period: FloatArray, axis: str) -> None:
    """Refuse a period that repeats within itself, as a whole bank with its strap does."""
    n = period.shape[1]
    power = (np.abs(np.fft.fft(period - period.mean(axis=1, keepdims=True), axis=1)) ** 2).sum(axis=0)
    likeness = np.fft.ifft(power).real / max(float(power.mean()), 1e-12)
    peaks = (likeness > np.roll(likeness, 1)) & (likeness > np.roll(likeness, -1))
    low, high = max(1, round(WITHIN[0] * n)), round(WITHIN[1] * n)
    if (likeness[low : high + 1][peaks[low : high + 1]] > REPEATS).any():
        raise UndecidedError(
            f"memory array: along {axis} only whole banks repeat clearly; measure the banks one by one"
        )


def _nearly_mirrored(
    found: Symmetry, low_lack: float, evident: bool, period_px: float, axis: str
) -> tuple[int, str | None]:
    """Decide on a period that differs from its mirror image a little, but by more than noise."""
    if period_px >= FINE_PX:
        # Blur makes a pair's axes unlike, but leaves it its own mirror image.
        clear = period_px >= RESOLVED_PX or found.mirror < NEARLY_MIRRORED
        single = found.axes_alike < (AXES_UNLIKE if clear else BLURRED_UNLIKE)
    else:
        unlike = found.axes_alike < FINE_UNLIKE or period_px < SAMPLED_PX
        single = evident and (unlike or low_lack > SURELY_LOPSIDED)
    if single:
        return 1, (
            f"along {axis} the cell is nearly its own mirror image and taken as one cell; if it is two "
            "mirrored cells in slanting light, the count doubles and the pitch halves"
        )
    if found.mirror > NEARLY_MIRRORED and found.axes_alike > AXES_ALIKE and period_px >= SAMPLED_PX:
        return 2, (
            f"along {axis} a period is taken as two mirrored cells though they differ a little; if it is one "
            "cell, the count halves and the pitch doubles"
        )
    raise _open_mirror(axis)


def _open_mirror(axis: str) -> MirrorUndecidedError:
    return MirrorUndecidedError(
        f"memory array: along {axis} the picture is equal to its mirror image, so a period may be one cell "
        "or two mirrored ones; photograph at a higher magnification, or state cells_per_period for the block (a "
        "number or a list of two: 1 or 2 cells along x and y)"
    )
