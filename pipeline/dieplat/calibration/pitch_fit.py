"""The pitch of numbered lines by weighted robust regression, with its standard uncertainty."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.optimize import brentq
from scipy.stats import f as fisher

from dieplat.calibration.sampling import Grid
from dieplat.values.correction import USUAL_K1_U

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

FEWEST_FOR_DISTORTION = 8
FEWEST_FOR_REMAINDER = 14
LEAST_VARIANCE = 1e-8
"""Of what the readings promise."""


@dataclass(frozen=True, slots=True, eq=False)
class PitchFit:
    """Pitch in pixels at the picture's centre.

    `fit_u_px`: from the scatter of the lines about the fit (type A). `distortion_u_px`: what the fit's
    distortion term leaves open (type B). `k1` is relative radial distortion at the corner, 0 if not fitted.
    """

    pitch_px: float
    fit_u_px: float
    distortion_u_px: float
    origin_px: float
    k1: float
    residual_px: Floats
    used: Bools
    freedom: float


@dataclass(frozen=True, slots=True, eq=False)
class _Solution:
    values: Floats
    covariance: Floats
    residual: Floats
    freedom: float


def _solve(design: Floats, y: Floats, variance: Floats, prior: Floats) -> _Solution:
    """Weighted least squares; `prior` are standard uncertainties of parameters expected to be 0 (inf: none).

    An excess variance common to all lines (ruling errors) is added until chi-square equals the degrees of
    freedom (R. C. Paule and J. Mandel, J. Res. NBS 87, 377 (1982); from memory); where the lines scatter less
    than their readings promise, their variance is scaled down instead. A parameter takes a degree of freedom by as
    much as the lines and not its prior determine it.
    """
    penalty = 1.0 / prior**2

    def at(scale: float, excess: float) -> tuple[float, _Solution]:
        weight = 1.0 / (variance * scale + excess)
        inverse = np.asarray(np.linalg.inv(design.T @ (design * weight[:, None]) + np.diag(penalty)))
        values = inverse @ (design.T @ (weight * y))
        residual: Floats = y - design @ values
        freedom = len(y) - design.shape[1] + float(np.sum(penalty * np.diag(inverse)))
        over = float(np.sum(weight * residual**2)) - freedom
        return over, _Solution(values, inverse, residual, freedom)

    if at(1.0, 0.0)[0] > 0.0:
        top = float(np.var(y - np.polyval(np.polyfit(design[:, 1], y, 1), design[:, 1]))) * len(y) + 1e-12
        return at(1.0, float(brentq(lambda value: at(1.0, value)[0], 0.0, top * 4.0, xtol=1e-14)))[1]
    least = np.log(LEAST_VARIANCE)
    if at(LEAST_VARIANCE, 0.0)[0] < 0.0:
        return at(LEAST_VARIANCE, 0.0)[1]
    return at(float(np.exp(brentq(lambda value: at(float(np.exp(value)), 0.0)[0], least, 0.0))), 0.0)[1]


def _columns(index: Floats, t_square: Floats, origin: float, pitch: float, norm_px: float) -> Floats:
    """Columns 1, i and the radial cubic u (u^2 + t^2) / norm^2 of the undistorted places u."""
    u = origin + pitch * index
    return np.stack([np.ones_like(u), index, u * (u**2 + t_square) / norm_px**2], axis=1)


def fit_pitch(
    index: npt.NDArray[np.intp],
    s_px: Floats,
    *,
    groups: npt.NDArray[np.intp],
    t_square_px2: Floats,
    spread_px: float,
    norm_px: float,
    grid: Grid | None = None,
) -> PitchFit:
    """Fit s = u + k1 u (u^2 + t^2) / norm^2 + A c + B d with u = origin + pitch * index to all lines.

    Every line counts, not only the first and the last: pitch is best evaluated by linear regression (Zhang,
    Postek and Larrabee, Metrologia 34 (1996)). s and u are distances from the picture's centre along the
    normal, so that the pitch is the one at the centre. The radial term joins from 8 lines on. c and d are cosine and
    sine of the lines' phases on the grid of pixels (see `sampling`). Lines more than 4.5 robust standard deviations off
    are left out. With nu degrees of freedom the type A uncertainty carries the factor sqrt(nu / (nu - 2)) of a scaled
    t-distribution (JCGM 101:2008, 6.4.9).

    Parameters
    ----------
    index, s_px, groups, t_square_px2, spread_px, grid
        As in `LinePlaces`; without `grid`, places are taken as free of the error that it makes.
    norm_px : float
        Half the diagonal of the picture.
    """
    whole = index.astype(np.float64)
    variance = spread_px**2 / groups
    used = np.ones(len(whole), dtype=bool)
    pitch, origin = _theil_sen(whole, s_px)
    k1 = 0.0
    pattern = np.empty((len(whole), 0))
    for last in (False, False, False, False, False, True):
        with_k1 = bool(used.sum() >= FEWEST_FOR_DISTORTION)
        width = 3 if with_k1 else 2
        smooth = _columns(whole, t_square_px2, origin, pitch, norm_px)[:, :width]
        if grid is not None:
            pattern = grid.columns(smooth @ np.array([origin, pitch, k1])[:width])
        design = np.hstack([smooth, pattern])
        prior = np.array([*(np.inf, np.inf, USUAL_K1_U)[:width], *([] if grid is None else [grid.error_u_px] * 2)])
        found = _solve(design[used], s_px[used], variance[used], prior)
        origin, pitch = float(found.values[0]), float(found.values[1])
        k1 = float(found.values[2]) if with_k1 else 0.0
        residual = s_px - design @ found.values
        if last:
            break
        # Residuals of a fit are smaller than the scatter by its degrees of freedom.
        freedom = max(found.freedom, 1.0)
        sigma = 1.4826 * float(np.median(np.abs(residual[used]))) * np.sqrt(used.sum() / freedom)
        now = np.abs(residual) < np.maximum(4.5 * sigma, 1e-4)
        if now.sum() < max(4, 0.5 * len(whole)):
            break
        used = now
    student = min(np.sqrt(found.freedom / (found.freedom - 2)), 3.0) if found.freedom > 2 else 3.0
    fit_u = float(np.sqrt(found.covariance[1, 1]) * student)
    reach = float(np.max(np.abs(origin + pitch * whole[used]))) / norm_px
    if not with_k1:
        left = abs(pitch) * USUAL_K1_U * 0.6 * reach**2
    else:
        u = (origin + pitch * whole[used]) / norm_px
        left = _remaining(u, s_px[used], variance[used], design[used], prior, found, norm_px)
    return PitchFit(pitch, fit_u, left, origin, k1, residual, used, found.freedom)


def _theil_sen(index: Floats, s_px: Floats) -> tuple[float, float]:
    """Median slope of all pairs: a start that a third of wrong lines does not move."""
    i, j = np.triu_indices(len(index), k=max(1, len(index) // 3))
    pitch = float(np.median((s_px[j] - s_px[i]) / (index[j] - index[i])))
    return pitch, float(np.median(s_px - pitch * index))


def _remaining(
    u: Floats, s_px: Floats, variance: Floats, design: Floats, prior: Floats, found: _Solution, norm_px: float
) -> float:
    """Standard uncertainty of the pitch from distortion that the fit does not describe.

    The change of the pitch when a square and a fifth-power term of the places `u` (over `norm_px`) join, if these
    lower the residuals significantly (F test, 0.1 %). Without a radial term it is that term's prior size, over the
    lines' reach.
    """
    if len(u) < FEWEST_FOR_REMAINDER:
        return 0.0
    wider = np.column_stack([design, u**2, u**5])
    # The added terms are bounded like the first, in pixels at the corner.
    more = _solve(wider, s_px, variance, np.array([*prior, USUAL_K1_U * norm_px, USUAL_K1_U * norm_px]))
    weight = 1.0 / variance
    before = float(np.sum(weight * found.residual**2))
    after = float(np.sum(weight * more.residual**2))
    ratio = ((before - after) / 2.0) / max(after / more.freedom, 1e-300)
    if ratio <= float(fisher.isf(0.001, 2, more.freedom)):
        return 0.0
    return abs(float(more.values[1] - found.values[1]))
