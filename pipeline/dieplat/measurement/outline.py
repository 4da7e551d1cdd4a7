"""Find the outline of a rectangular die in a mosaic that shows what it lies on."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
from shapely.geometry import Polygon

from dieplat.errors import UndecidedError
from dieplat.measurement.edge_blur import blur_beside
from dieplat.measurement.edge_fit import Edge, Reader
from dieplat.measurement.placement import Point
from dieplat.measurement.snapping import find_side, meet
from dieplat.mosaicfile.read import read_shrunk

Array = npt.NDArray[np.float64]

COARSE_PX = 1200
"""Longest side of the reduced picture in which the die is found first."""
RIM = 0.006
"""Width of the rim, as a part of the reduced picture, that is taken for the ground the die lies on."""
APART = 4.0
"""A pixel belongs to the die when it differs from the ground by more than this many of its robust deviations."""
SMOOTH = 1.5
"""Blur (pixels of the reduced picture) before the two are told apart, so that specks on the ground weigh less."""
LEAST_SIZE = 0.2
LEAST_FILL = 0.97
"""Least part of the picture that a die covers, and of its own rectangle that it fills."""
OFF_SQUARE_DEG = 1.0
COMMON, COMMON_KNOWN = 1.5, 0.75
"""How much more a die's edge may move the form fitted to it than the misfit and the forms that fit as well say; the
second where the blur is known from things on the die. On drawn sides (blur 0.5 to 1.1 px, rims of 0.6 to 4 px with 15
to 60 % of the step, some with a ring near) errors then had an rms of 1.0 of what is stated."""


@dataclass(frozen=True, slots=True, eq=False)
class Outline:
    """A die's outline (px) as found, the standard uncertainties (x, y) of its corners by their coordinates, and that of
    an offset common to all its sides: what a rim and the camera's tone curve leave open."""

    polygon: Polygon
    vertex_u_px: dict[Point, Point]
    edge_u_px: float = 0.0


def find_outline(mosaic: Reader, *, far: bool = False) -> Outline:
    """Find the four sides of a die.

    In a reduced picture, what differs from the ground along its rim is the die; its smallest rectangle is then refined
    side by side at full size, on the outermost clear edge. How blurred sharp edges are on the die beside a side says
    how much of the edge's own width is a sawn rim.

    Parameters
    ----------
    mosaic : Reader
    far : bool, optional
        Whether a side that shows no edge where it is expected is looked for up to three times as far out. For
        proposals, which a person looks at: on an invented die such an outline was right to 1.3 px, beyond what its
        uncertainties say.

    Raises
    ------
    UndecidedError
        If the rim does not look like one ground, what differs from it is not a rectangle, or a side shows no edge.
    """
    picture, factor = reduced(mosaic)
    corners = _rectangle(picture)
    corners = (corners + 0.5) * np.array(factor)
    reach = 2.5 * max(factor) + 2.0
    sides: list[Edge] = []
    common = []
    for start, end in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        blur = blur_beside(mosaic, start, end)
        side = find_side(mosaic, start, end, reach, "outermost", blur)
        if isinstance(side, str) and far:
            # Where the ground and the die's rim are alike, the reduced picture's side lies within the die's. A ring
            # further in has clearer edges and must not be looked at.
            outward = 1.5 * reach * np.array([end[1] - start[1], start[0] - end[0]]) / np.linalg.norm(end - start)
            side = find_side(mosaic, start + outward, end + outward, 1.5 * reach, "outermost", blur)
        if isinstance(side, str):
            raise UndecidedError(f"a side of the die is not clear: {side}")
        sides.append(side)
        common.append((COMMON if blur is None else COMMON_KNOWN) * side.misfit_u_px)
    found, u = [], {}
    for corner, before, after in zip(corners, [sides[-1], *sides[:-1]], sides, strict=True):
        if abs(float(before.along @ after.along)) > math.sin(math.radians(OFF_SQUARE_DEG)):
            raise UndecidedError("its sides do not meet at right angles")
        at, covariance = meet(corner, [_alone(before), _alone(after)], 0.0)
        place = (float(at[0]), float(at[1]))
        found.append(place)
        u[place] = (math.sqrt(covariance[0, 0]), math.sqrt(covariance[1, 1]))
    tone = float(np.mean([side.tone_u_px for side in sides]))
    return Outline(Polygon(found), u, math.hypot(math.sqrt(float(np.mean(np.square(common)))), tone))


def _alone(side: Edge) -> Edge:
    """A side with what moves it alone: what the form of a die's edge does to one of its sides it does to all."""
    return replace(side, shift_u_px=math.sqrt(max(side.shift_u_px**2 - side.misfit_u_px**2, 0.0)))


def reduced(mosaic: Any, *, coarse_px: int = COARSE_PX) -> tuple[npt.NDArray[np.float32], tuple[float, float]]:
    """The mosaic at `coarse_px` to twice that, (h, w, channels), and how many of its pixels one of these is wide and
    high.

    From the coarsest level of the pyramid that is fine enough; what is larger is read in bands.
    """
    sizes = getattr(mosaic, "level_sizes", ((mosaic.width_px, mosaic.height_px),))
    fine = [k for k, size in enumerate(sizes) if max(size) >= coarse_px] or [0]
    level = fine[-1]
    width, height = sizes[level]
    shrink = max(1, max(width, height) // coarse_px)
    factor = (mosaic.width_px / width * shrink, mosaic.height_px / height * shrink)
    return read_shrunk(mosaic, level, sizes[level], shrink), factor


def _rectangle(picture: npt.NDArray[np.float32]) -> Array:
    """Corners (4, 2) of the die in the reduced picture, as array positions, the die on the right of each side."""
    height, width = picture.shape[:2]
    shown = (picture > 0).any(axis=2)
    rim_px = max(2, round(RIM * max(height, width)))
    kernel = np.ones((3, 3), np.uint8)
    padded = cv2.copyMakeBorder(shown.astype(np.uint8), 1, 1, 1, 1, cv2.BORDER_CONSTANT, value=0)
    inside = cv2.erode(padded, kernel, iterations=rim_px + 1)[1:-1, 1:-1].astype(bool)
    first = cv2.erode(padded, kernel, iterations=1)[1:-1, 1:-1].astype(bool)
    rim = first & ~inside
    if rim.sum() < 50:
        raise UndecidedError("the picture is too small")
    smooth = cv2.GaussianBlur(picture, (0, 0), SMOOTH).reshape(picture.shape)
    ground = np.median(smooth[rim], axis=0)
    spread = 1.4826 * np.median(np.abs(smooth[rim] - ground), axis=0)
    floor = 0.004 * float(picture.max())
    differs = (np.abs(smooth - ground) / np.maximum(spread, floor)).max(axis=2) > APART
    mask = cv2.morphologyEx((differs & shown).astype(np.uint8), cv2.MORPH_OPEN, np.ones((9, 9), np.uint8))
    mask = cv2.morphologyEx(mask, cv2.MORPH_CLOSE, np.ones((9, 9), np.uint8))
    contours, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    if not contours:
        raise UndecidedError("nothing differs from the ground along the picture's rim")
    contour = max(contours, key=cv2.contourArea)
    area = cv2.contourArea(contour)
    if area < LEAST_SIZE * shown.sum():
        raise UndecidedError("what differs from the ground along the picture's rim is too small for a die")
    filled = cv2.drawContours(np.zeros_like(mask), [contour], -1, 1, cv2.FILLED).astype(bool)
    corners = _corners(filled)
    x, y = corners.T
    size = 0.5 * float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))
    if x.min() <= 0 or y.min() <= 0 or x.max() >= width - 1 or y.max() >= height - 1:
        raise UndecidedError("it reaches the rim of the picture")
    fill = area / size if size > 0 else math.inf
    if not LEAST_FILL <= fill <= 1 / LEAST_FILL:
        raise UndecidedError(f"what differs from the ground is no rectangle: it fills {100 * fill:.0f} % of one")
    return corners


def _corners(filled: npt.NDArray[np.bool_]) -> Array:
    """Corners (4, 2), clockwise on the screen from the top left one, of the rectangle about a filled shape.

    Every side is a line through the outermost pixels of its rows or columns, the median of which counts: specks that
    stick to the shape do not.
    """
    rows, columns = np.nonzero(filled.any(axis=1))[0], np.nonzero(filled.any(axis=0))[0]
    down, across = (ends[len(ends) // 20 : len(ends) - len(ends) // 20] for ends in (rows, columns))
    height, width = filled.shape
    left = _median_line(down, filled[down].argmax(axis=1) - 0.5)
    right = _median_line(down, width - filled[down, ::-1].argmax(axis=1) - 0.5)
    top = _median_line(across, filled[:, across].argmax(axis=0) - 0.5)
    bottom = _median_line(across, height - filled[::-1, across].argmax(axis=0) - 0.5)

    def cross(level: tuple[float, float], upright: tuple[float, float]) -> tuple[float, float]:
        """x = a + b y and y = c + d x."""
        (c, d), (a, b) = level, upright
        x = (a + b * c) / (1.0 - b * d)
        return x, c + d * x

    return np.array([cross(top, left), cross(top, right), cross(bottom, right), cross(bottom, left)])


def _median_line(at: npt.NDArray[np.intp], place: Array) -> tuple[float, float]:
    """Intercept and slope of place against at: the median slope between points a third of the side apart, and the
    median intercept (Theil and Sen)."""
    apart = max(len(at) // 3, 1)
    slope = float(np.median((place[apart:] - place[:-apart]) / (at[apart:] - at[:-apart])))
    return float(np.median(place - slope * at)), slope
