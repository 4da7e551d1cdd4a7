"""Micrometres a pixel from one or two pictures of a stage micrometer."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from dieplat.calibration.ruling import Ruling, find_ruling
from dieplat.errors import RulingError, ScaleError
from dieplat.values import BudgetLine, Scale

MOST_OFF_SQUARE_DEG = 10.0
# Rulings 30 degrees off the axes; at 45 degrees the two equations of _solve_axes are one and the same.
SMALLEST_DETERMINANT = 0.5


def measure_scale(
    picture: npt.NDArray[np.generic],
    *,
    pitch_um: float,
    pitch_um_u: float = 0.0,
    turned: npt.NDArray[np.generic] | None = None,
    source: str = "",
    names: tuple[str, ...] = (),
) -> Scale:
    """Measure micrometres a pixel from a stage micrometer photographed through the same optical path.

    Follows ASTM E1951 in this: the scale can be no better than the micrometer, so that its own tolerance is
    part of the result; and nominal magnifications are not used.

    Parameters
    ----------
    picture : ndarray of shape (H, W) or (H, W, 3)
        The micrometer, at any angle.
    pitch_um : float
        Distance of neighbouring lines in micrometres: one division, the finest that the picture shows.
    pitch_um_u : float
        Standard uncertainty (k = 1) of one pitch, in micrometres, taken as one relative error common to the
        whole ruler: for a certificate that gives U (k = 2) of a length L, it is pitch_um * (U / 2) / L.
    turned : ndarray, optional
        The same micrometer turned by about 90 degrees, at the same magnification: both axes are then
        independent but for the micrometer's own error. Without it both axes get the same value.
    source : str
        What the pictures are called in the result.
    names : tuple of str, optional
        What each picture is called in messages, such as its path; `source` unless given.

    Returns
    -------
    Scale
        With uncertainties by the law of propagation (JCGM 100:2008, 5.1.2) and their budget, whose lines are
        relative standard uncertainties of the scale.

    Raises
    ------
    RulingError
        If a picture shows no ruling, or the two are not about 90 degrees apart.
    ScaleError
        If the pitch or its uncertainty is not a sensible length.
    """
    if not (math.isfinite(pitch_um) and pitch_um > 0):
        raise ScaleError(f"pitch of {pitch_um} um: give the micrometer's division as a positive length in um")
    if not (math.isfinite(pitch_um_u) and 0 <= pitch_um_u < 0.2 * pitch_um):
        raise ScaleError(
            f"pitch uncertainty of {pitch_um_u} um: give a standard uncertainty, 0 to a fifth of the pitch"
        )
    called = names or (source or "micrometer picture", f"{source or 'micrometer picture'} (turned)")
    first = find_ruling(picture, name=called[0])
    common = pitch_um_u / pitch_um
    if turned is None:
        return _one_direction(first, pitch_um, pitch_um_u, common, source)
    second = find_ruling(turned, name=called[-1])
    return _two_directions(first, second, pitch_um, pitch_um_u, common, source)


def _tolerance_line(common: float) -> BudgetLine:
    note = "standard uncertainty of one pitch over the pitch; common to both axes"
    if common == 0.0:
        note = "no uncertainty of the pitch was given: taken as 0, which no real micrometer has"
    return BudgetLine("micrometer pitch", common, "1", "B", note)


def _fit_lines(ruling: Ruling, where: str) -> tuple[BudgetLine, BudgetLine]:
    fit = BudgetLine(
        f"line fit{where}",
        ruling.pitch_px_fit_u / ruling.pitch_px,
        "1",
        "A",
        f"regression over {ruling.lines_used} lines, rms residual {ruling.rms_residual_px:.3f} px",
    )
    left = BudgetLine(
        f"residual distortion{where}",
        ruling.pitch_px_distortion_u / ruling.pitch_px,
        "1",
        "B",
        f"radial term at the corner {ruling.distortion_k1:+.5f} is taken out; this is what it leaves",
    )
    return fit, left


def _one_direction(ruling: Ruling, pitch_um: float, pitch_um_u: float, common: float, source: str) -> Scale:
    """Square pixels: the distance along the normal scales alike in every direction."""
    scale = pitch_um / ruling.pitch_px
    lines = _fit_lines(ruling, "")
    scale_u = scale * math.hypot(common, *(line.u for line in lines))
    return Scale(
        um_per_px_x=scale,
        um_per_px_x_u=scale_u,
        um_per_px_y=scale,
        um_per_px_y_u=scale_u,
        pitch_um=pitch_um,
        pitch_um_u=pitch_um_u,
        lines_used=ruling.lines_used,
        rotation_deg=ruling.angle_deg,
        source=source,
        common_u_rel=common,
        budget=(*lines, _tolerance_line(common)),
    )


def _solve_axes(first: Ruling, second: Ruling) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Pixels a pitch along x and y, and their covariance.

    A ruling with normal (cos a, sin a) and pitch p in pixels has the wave vector (cos a, sin a) / p. In
    micrometres its length is 1 / P, so that with scales sx, sy
        (cos a / sx)^2 + (sin a / sy)^2 = (p / P)^2,
    which is linear in (P / sx)^2 and (P / sy)^2: two pictures give two equations.
    """
    angles = np.radians([first.angle_deg, second.angle_deg])
    pitch = np.array([first.pitch_px, second.pitch_px])
    pitch_u = [math.hypot(item.pitch_px_fit_u, item.pitch_px_distortion_u) for item in (first, second)]
    angle_u = np.radians([first.angle_deg_u, second.angle_deg_u])
    matrix = np.stack([np.cos(angles) ** 2, np.sin(angles) ** 2], axis=1)
    inverse = np.linalg.inv(matrix)
    squares = inverse @ pitch**2
    counts = np.sqrt(squares)
    # d(squares) = M^-1 (2 p dp + sin(2a) (square_x - square_y) da)
    right_u = np.hypot(2.0 * pitch * np.array(pitch_u), np.sin(2 * angles) * (squares[0] - squares[1]) * angle_u)
    jacobian = inverse / (2.0 * counts[:, None])
    return counts, jacobian @ np.diag(right_u**2) @ jacobian.T


def _two_directions(
    first: Ruling, second: Ruling, pitch_um: float, pitch_um_u: float, common: float, source: str
) -> Scale:
    """Both axes on their own; only the micrometer's error is common."""
    name = source or "micrometer pictures"
    apart = abs(first.angle_deg - second.angle_deg) % 180.0
    apart = min(apart, 180.0 - apart)
    if abs(apart - 90.0) > MOST_OFF_SQUARE_DEG:
        raise RulingError(
            f"{name}: the rulings of the two pictures lie {apart:.1f} degrees apart; "
            "turn the micrometer by 90 degrees for the second picture"
        )
    angles = np.radians([first.angle_deg, second.angle_deg])
    # cos^2 a sin^2 b - sin^2 a cos^2 b, the determinant of the two equations of _solve_axes.
    determinant = float(np.sin(angles[1] + angles[0]) * np.sin(angles[1] - angles[0]))
    if abs(determinant) < SMALLEST_DETERMINANT:
        raise RulingError(
            f"{name}: the rulings lie diagonally ({first.angle_deg:.0f} and {second.angle_deg:.0f} degrees), "
            "which does not tell x from y; align the micrometer with the picture's axes within 30 degrees"
        )
    counts, covariance = _solve_axes(first, second)
    relative = np.sqrt(np.diag(covariance)) / counts
    scale = pitch_um / counts
    scale_u = scale * np.hypot(relative, common)
    budget = (
        *_fit_lines(first, ", first picture"),
        *_fit_lines(second, ", turned picture"),
        _tolerance_line(common),
    )
    return Scale(
        um_per_px_x=float(scale[0]),
        um_per_px_x_u=float(scale_u[0]),
        um_per_px_y=float(scale[1]),
        um_per_px_y_u=float(scale_u[1]),
        pitch_um=pitch_um,
        pitch_um_u=pitch_um_u,
        lines_used=first.lines_used + second.lines_used,
        rotation_deg=first.angle_deg,
        source=source,
        axes_independent=True,
        common_u_rel=common,
        budget=budget,
    )
