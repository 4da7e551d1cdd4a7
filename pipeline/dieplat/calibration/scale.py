"""Micrometres a pixel from one or two pictures of a stage micrometer."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from dieplat.calibration.ruling import Ruling, find_ruling
from dieplat.errors import RulingError, ScaleError
from dieplat.values import RulingLines, Scale, ScalePart
from dieplat.values.bounds import UM_PER_PX, is_within

MOST_OFF_SQUARE_DEG = 10.0
# Rulings 30 degrees off the axes; at 45 degrees the two equations of _solve_axes are one and the same.
SMALLEST_DETERMINANT = 0.5
SQUARE_U_REL = 3e-4
"""Standard uncertainty of the ratio of both scales that a ruling in one direction does not see, and (in radians) of the
angle between the axes, which no ruling sees. A camera's pixels are square to far better (a sensor is made by
lithography); what is left is a specimen that does not lie flat. A tilt t shortens one direction by t^2/2, so tilts
about both axes with a standard deviation of one degree change ratio and angle by t^2 = 3.0e-4 (standard deviation).
More than about a degree would blur one side of the field: 0.4 mm across then lie 7 um apart in height, the depth of
focus (wavelength over NA squared) at NA 0.28. The size of the tilt is common practice, no source."""


def measure_scale(
    picture: npt.NDArray[np.generic],
    *,
    pitch_um: float,
    pitch_um_u: float = 0.0,
    turned: npt.NDArray[np.generic] | None = None,
    source: str = "",
    names: tuple[str, ...] = (),
    square_u_rel: float = SQUARE_U_REL,
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
    square_u_rel : float
        How well the pixels are known to be square: standard uncertainty of um_per_px_y over um_per_px_x where one
        picture gives both, and of the angle between the axes (radians, from 90 degrees) in any case.

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
        If the pitch or its uncertainty is not a sensible length, or the scale is none that a picture has.
    """
    if not (math.isfinite(pitch_um) and pitch_um > 0):
        raise ScaleError(f"pitch of {pitch_um} um: give the micrometer's division as a positive length in um")
    if not (math.isfinite(pitch_um_u) and 0 <= pitch_um_u < 0.2 * pitch_um):
        raise ScaleError(
            f"pitch uncertainty of {pitch_um_u} um: give a standard uncertainty, 0 to a fifth of the pitch"
        )
    if not (math.isfinite(square_u_rel) and 0 <= square_u_rel < 0.1):
        raise ScaleError(f"square_u_rel of {square_u_rel:g}: give a standard uncertainty from 0 to below 0.1")
    called = names or (source or "micrometer picture", f"{source or 'micrometer picture'} (turned)")
    first = find_ruling(picture, name=called[0])
    second = None if turned is None else find_ruling(turned, name=called[-1])
    scale = scale_of_rulings(
        first, second, pitch_um=pitch_um, pitch_um_u=pitch_um_u, source=source, square_u_rel=square_u_rel
    )
    check_scale(scale, f"{called[0]}: a pitch of {pitch_um:g} um")
    return scale


def check_scale(scale: Scale, stated: str) -> None:
    """Refuse a scale that no picture has; `stated` is what led to it, in words."""
    for value in (scale.um_per_px_x, scale.um_per_px_y):
        if not is_within(value, UM_PER_PX):
            raise ScaleError(f"{stated} makes a pixel {value:.3g} um wide, which no picture has; check the unit")


def scale_of_rulings(
    first: Ruling,
    second: Ruling | None = None,
    *,
    pitch_um: float,
    pitch_um_u: float = 0.0,
    source: str = "",
    square_u_rel: float = SQUARE_U_REL,
) -> Scale:
    """The scale that rulings in one or two directions give; parameters and errors as for `measure_scale`."""
    common = pitch_um_u / pitch_um
    if second is None:
        parts = _one_direction(first, common, square_u_rel)
        counts = np.array([first.pitch_px, first.pitch_px])
        return _scale_of((first,), pitch_um / counts, parts, pitch_um, pitch_um_u, source)
    _check_directions(first, second, source or "micrometer pictures")
    counts, parts = _two_directions(first, second, common, square_u_rel)
    return _scale_of((first, second), pitch_um / counts, parts, pitch_um, pitch_um_u, source)


def _scale_of(
    rulings: tuple[Ruling, ...],
    um_per_px: npt.NDArray[np.float64],
    parts: tuple[ScalePart, ...],
    pitch_um: float,
    pitch_um_u: float,
    source: str,
) -> Scale:
    """The scale whose uncertainties are those of its parts (JCGM 100:2008, 5.1.2)."""
    return Scale(
        um_per_px_x=float(um_per_px[0]),
        um_per_px_x_u=float(um_per_px[0]) * math.hypot(*(part.u * part.on_x for part in parts)),
        um_per_px_y=float(um_per_px[1]),
        um_per_px_y_u=float(um_per_px[1]) * math.hypot(*(part.u * part.on_y for part in parts)),
        pitch_um=pitch_um,
        pitch_um_u=pitch_um_u,
        lines_used=sum(ruling.lines_used for ruling in rulings),
        rotation_deg=rulings[0].angle_deg,
        source=source,
        axes_independent=len(rulings) > 1,
        common_u_rel=pitch_um_u / pitch_um,
        budget=parts,
        rulings=tuple(map(_lines_of, rulings)),
    )


def _lines_of(ruling: Ruling) -> RulingLines:
    order = np.argsort(ruling.index)
    return RulingLines(
        tuple(map(int, ruling.index[order])),
        tuple(round(float(value), 6) for value in ruling.residual_px[order]),
        tuple(map(bool, ruling.used[order])),
    )


def _tolerance(common: float) -> ScalePart:
    note = "standard uncertainty of one pitch over the pitch; common to both axes"
    if common == 0.0:
        note = "no uncertainty of the pitch was given: taken as 0, which no real micrometer has"
    return ScalePart("micrometer pitch", common, "1", "B", note)


def _fit_notes(ruling: Ruling) -> tuple[str, str]:
    return (
        f"regression over {ruling.lines_used} lines, rms residual {ruling.rms_residual_px:.3f} px",
        f"radial term at the corner {ruling.distortion_k1:+.5f} is taken out; this is what it leaves",
    )


def _one_direction(ruling: Ruling, common: float, square_u_rel: float) -> tuple[ScalePart, ...]:
    """Square pixels: the distance along the normal scales alike in every direction."""
    notes = _fit_notes(ruling)
    return (
        ScalePart("line fit", ruling.pitch_px_fit_u / ruling.pitch_px, "1", "A", notes[0]),
        ScalePart("residual distortion", ruling.pitch_px_distortion_u / ruling.pitch_px, "1", "B", notes[1]),
        _tolerance(common),
        *axes_unseen(math.radians(ruling.angle_deg), square_u_rel),
    )


def axes_unseen(angle: float, square_u_rel: float = SQUARE_U_REL) -> tuple[ScalePart, ScalePart]:
    """What a length in one direction, at `angle` (radians) to the x axis, does not tell of the two axes.

    Where pixels are not square, and um_per_px_y / um_per_px_x is 1 + d, it gives the scale in its own direction: that
    along x is then smaller by d sin^2 a, that along y larger by d cos^2 a. Axes that enclose 90 degrees plus f make
    both smaller by f sin(2a)/2.
    """
    ratio = ScalePart(
        "ratio of the axes",
        square_u_rel,
        "1",
        "B",
        "measured in one direction only: pixels taken as square but for a tilt of the specimen of about a degree",
        on_x=-(math.sin(angle) ** 2),
        on_y=math.cos(angle) ** 2,
    )
    return ratio, _angle_of_axes(square_u_rel, -0.5 * math.sin(2 * angle), -0.5 * math.sin(2 * angle))


def _angle_of_axes(u: float, on_x: float, on_y: float) -> ScalePart:
    note = "no ruling tells it: axes taken as square but for a tilt of the specimen of about a degree"
    return ScalePart("angle of the axes", u, "1", "B", note, on_x, on_y, 1.0)


def _check_directions(first: Ruling, second: Ruling, name: str) -> None:
    """Refuse pictures that do not tell x from y."""
    apart = abs(first.angle_deg - second.angle_deg) % 180.0
    apart = min(apart, 180.0 - apart)
    if abs(apart - 90.0) > MOST_OFF_SQUARE_DEG:
        raise RulingError(
            f"{name}: the rulings of the two pictures lie {apart:.1f} degrees apart; "
            "turn the micrometer by 90 degrees for the second picture"
        )
    angles = np.radians([first.angle_deg, second.angle_deg])
    # cos^2 a sin^2 b - sin^2 a cos^2 b, the determinant of the two equations of _two_directions.
    determinant = float(np.sin(angles[1] + angles[0]) * np.sin(angles[1] - angles[0]))
    if abs(determinant) < SMALLEST_DETERMINANT:
        raise RulingError(
            f"{name}: the rulings lie diagonally ({first.angle_deg:.0f} and {second.angle_deg:.0f} degrees), "
            "which does not tell x from y; align the micrometer with the picture's axes within 30 degrees"
        )


def _two_directions(
    first: Ruling, second: Ruling, common: float, square_u_rel: float
) -> tuple[npt.NDArray[np.float64], tuple[ScalePart, ...]]:
    """Pixels a pitch along x and y from two rulings, and what makes them uncertain.

    A ruling with normal (cos a, sin a) and pitch p in pixels has the wave vector (cos a, sin a) / p. In
    micrometres its length is 1 / P, so that with scales sx, sy and axes that enclose 90 degrees plus f
        (cos a / sx)^2 + (sin a / sy)^2 - f sin(2a) / (sx sy) = (p / P)^2,
    which for f = 0 is linear in (P / sx)^2 and (P / sy)^2: two pictures give two equations. Every part is the
    change of ln sx and ln sy for one standard uncertainty of one cause.
    """
    rulings = (first, second)
    angles = np.radians([ruling.angle_deg for ruling in rulings])
    pitch = np.array([ruling.pitch_px for ruling in rulings])
    inverse = np.linalg.inv(np.stack([np.cos(angles) ** 2, np.sin(angles) ** 2], axis=1))
    squares = inverse @ pitch**2
    counts = np.sqrt(squares)

    def change(right: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        """Of ln sx and ln sy, for a change of the equations' right sides."""
        return np.asarray(-0.5 * (inverse @ right) / squares, dtype=np.float64)

    parts = []
    for number, (ruling, where) in enumerate(zip(rulings, (", first picture", ", turned picture"), strict=True)):
        unit = np.eye(2)[number]
        turn = math.radians(ruling.angle_deg_u) * math.sin(2 * angles[number]) * (squares[0] - squares[1])
        fit = math.hypot(2.0 * pitch[number] * ruling.pitch_px_fit_u, turn)
        rights = (
            ("line fit", "A", fit),
            ("residual distortion", "B", 2.0 * pitch[number] * ruling.pitch_px_distortion_u),
        )
        for (name, kind, right), note in zip(rights, _fit_notes(ruling), strict=True):
            parts.append(_part(f"{name}{where}", kind, note, change(right * unit)))
    skew = change(np.sin(2 * angles) * counts[0] * counts[1])
    parts += [_tolerance(common), _angle_of_axes(square_u_rel, float(skew[0]), float(skew[1]))]
    return counts, tuple(parts)


def _part(name: str, kind: str, note: str, effect: npt.NDArray[np.float64]) -> ScalePart:
    u = float(np.abs(effect).max())
    along = effect / u if u > 0 else np.zeros(2)
    return ScalePart(name, u, "1", kind, note, float(along[0]), float(along[1]))
