"""Geometry of an inductor from its conductor's drawn centre line."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import shapely

from dieplat.errors import AnnotationError
from dieplat.values import InductorGeometry
from dieplat.values.inductor import Shape

Floats = npt.NDArray[np.float64]
# Corners of a drawn polygon turn by 90, 60 or 45 degrees; a circle is drawn with more and smaller ones.
CORNER_DEG: tuple[tuple[Shape, float], ...] = (("square", 90.0), ("hexagon", 60.0), ("octagon", 45.0))
RAYS = 360
LARGEST_OPENING = 0.1
"""Opening between the two ends of a winding on one ring, in turns, that still counts as part of the turn."""


def inductor_from_path(line_um: npt.ArrayLike, width_um: float | None) -> InductorGeometry:
    """Read the geometry of an inductor off its drawn centre line.

    Turns are the angle by which the line winds round its centre, over 2 pi; straight leads add what they
    wind, nothing more. Where both ends lie on one ring, as in a symmetric winding, the opening between them is
    counted as turned (common practice, no source). The diameters are means over all directions (medians where the
    line crosses itself) of the distance between opposite crossings, the outermost and the innermost, half a width
    further out and in at either end: so an error of the centre does not count;
    spacing is the median distance between neighbouring crossings, less the width. On straight sides distances
    count square to the side.

    Parameters
    ----------
    line_um : array_like of shape (N, 2)
        The centre line from end to end, micrometres, N >= 4.
    width_um : float
        Width of the conductor, micrometres.

    Raises
    ------
    AnnotationError
        If there is no width, or the line does not wind round a centre at least once.
    """
    line = np.asarray(line_um, dtype=np.float64)
    if width_um is None or not np.isfinite(width_um) or width_um <= 0:
        raise AnnotationError("the conductor has no width: give its property width_um, in micrometres")
    if line.ndim != 2 or line.shape[1] != 2 or len(line) < 4 or not np.isfinite(line).all():
        raise AnnotationError("the conductor's centre line needs at least four points with finite coordinates")
    line = line[np.r_[True, np.hypot(*np.diff(line, axis=0).T) > 0]]
    centre = _centre(line)
    around = np.unwrap(np.arctan2(line[:, 1] - centre[1], line[:, 0] - centre[0]))
    turns = float(abs(around[-1] - around[0]) / (2 * np.pi))
    if turns < 0.9:
        raise AnnotationError("the conductor's centre line does not wind round a centre once: draw it from end to end")
    shape, normal = _shape(line)
    crossings = _crossings(line, centre, shape, normal)
    symmetric = not shapely.LineString(line).is_simple
    # A spiral steps in a little on every side; a winding with crossings stays on its rings but for the crossings.
    middle = np.median if symmetric else np.mean
    opposite = [
        (a, b)
        for a, b in zip(crossings, crossings[RAYS // 2 :] + crossings[: RAYS // 2], strict=True)
        if len(a) and len(b)
    ]
    outer = float(middle([a[-1] + b[-1] for a, b in opposite])) + width_um
    inner = float(middle([a[0] + b[0] for a, b in opposite])) - width_um
    steps = np.concatenate([np.diff(c) for c in crossings])
    steps = steps[steps > 0.5 * width_um]
    if len(steps) == 0:
        raise AnnotationError("the conductor's centre line has no neighbouring turns, so no spacing")
    spacing = float(np.median(steps)) - width_um
    if spacing <= 0 or inner <= 0:
        raise AnnotationError(f"the conductor's turns overlap with width_um {width_um:g}: check the width and the line")
    radius = np.hypot(*(line[[0, -1]] - centre).T)
    if abs(radius[0] - radius[1]) < width_um + spacing and abs(turns - round(turns)) < LARGEST_OPENING:
        turns = float(round(turns))
    return InductorGeometry(
        shape=shape,
        turns=turns,
        outer_um=outer,
        inner_um=inner,
        width_um=float(width_um),
        spacing_um=spacing,
        method="path",
        symmetric=symmetric,
        rotation_deg=_rotation(shape, normal),
        path_um=tuple((float(x), float(y)) for x, y in line),
    )


def _centre(line: Floats) -> Floats:
    """Middle of the line, each part by the angle it takes, over as many whole turns as it has, from its end.

    A part of a turn, or a lead, would pull the middle to its side. The middle of the line's length starts it.
    """
    step, middle = np.hypot(*np.diff(line, axis=0).T), 0.5 * (line[1:] + line[:-1])
    centre = np.asarray((middle * step[:, None]).sum(axis=0) / step.sum())
    for _ in range(5):
        around = np.unwrap(np.arctan2(line[:, 1] - centre[1], line[:, 0] - centre[0]))
        turned = np.abs(around - around[-1])
        whole = 2 * np.pi * max(np.floor(turned[0] / (2 * np.pi)), 1.0)
        # The part of every step that lies within those turns.
        share = np.abs(np.diff(np.minimum(turned, whole)))
        if share.sum() <= 0:
            break
        centre = np.asarray((middle * share[:, None]).sum(axis=0) / share.sum())
    return centre


def _shape(line: Floats) -> tuple[Shape, float]:
    """Shape from how far the line turns at its corners, and the direction of one side's normal (radians)."""
    step = np.diff(line, axis=0)
    length, heading = np.hypot(*step.T), np.arctan2(step[:, 1], step[:, 0])
    turn = np.degrees(np.abs((np.diff(heading) + np.pi) % (2 * np.pi) - np.pi))
    # Corners weigh by the angle they turn, so that points drawn along a side do not count; of these the median,
    # so that the bends where a winding crosses itself do not either.
    order = np.argsort(turn)
    half = np.searchsorted(np.cumsum(turn[order]), 0.5 * turn.sum())
    typical = float(turn[order][min(int(half), len(turn) - 1)])
    near = [(abs(typical - angle), name, angle) for name, angle in CORNER_DEG]
    off, shape, angle = min(near)
    if off > 8.0:
        return "circle", 0.0
    period = np.radians(angle)
    phase = np.angle(np.sum(length * np.exp(2j * np.pi * (heading - np.pi / 2) / period)))
    return shape, float(phase * period / (2 * np.pi))


def _rotation(shape: Shape, normal: float) -> float:
    for name, angle in CORNER_DEG:
        if name == shape:
            return float((np.degrees(normal) + angle / 2) % angle - angle / 2)
    return 0.0


def _crossings(line: Floats, centre: Floats, shape: Shape, normal: float) -> list[Floats]:
    """For every direction the distances at which the line crosses the ray, ascending."""
    period = {name: np.radians(angle) for name, angle in CORNER_DEG}.get(shape)
    angle = (np.arange(RAYS) + 0.5) * 2 * np.pi / RAYS
    start, step = line[:-1] - centre, np.diff(line, axis=0)
    found = []
    for a in angle:
        across = np.array([-np.sin(a), np.cos(a)])
        along = np.array([np.cos(a), np.sin(a)])
        with np.errstate(divide="ignore", invalid="ignore"):
            t = -(start @ across) / (step @ across)
        hit = (t >= 0) & (t < 1)
        radius = (start[hit] + t[hit, None] * step[hit]) @ along
        radius = np.sort(radius[radius > 0])
        if period is not None:
            off = (a - normal + period / 2) % period - period / 2
            radius = radius * np.cos(off)
        found.append(radius)
    return found
