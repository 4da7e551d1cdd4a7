"""The middle of a drawn conductor, found on the picture between its two edges.

Every straight piece of a drawn path gets its line anew: stations along it look across for the places where the
brightness is half way between the conductor's and the board's on either side; a line through the middles is fitted
robustly, and corners are where neighbouring lines meet. A blur shifts both edges alike and leaves the middle where it
is. All is done on the plane of the board, so that neither tilt nor distortion bends a straight conductor.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from dieplat.board.camera import Frame, to_board, to_picture, unknowns_of
from dieplat.values.board import BoardCamera, Floats

LEAST_U_PX = 0.05
"""Of a middle between edges, however well its line fits: edges of etched copper are no better (common practice, no
source)."""
LEAST_STATIONS = 8
MOST_MOVED = 0.75
"""Widths of the conductor; a middle that lies farther from the drawn line is another conductor's."""
LEAST_ANGLE_DEG = 15.0
"""Lines that meet at less do not fix a corner along them."""
CORRELATED = 3.0
"""Neighbouring stations, a pixel apart, share their blur and noise (common practice, no source)."""
_ACROSS = 1.6
"""Half of the width looked at, in widths of the conductor."""
_STEPS = 81


@dataclass(frozen=True, slots=True, eq=False)
class CentredPath:
    """A path (N, 2) in the picture, the standard uncertainty of each point's coordinates (N,), in pixels, and how many
    of its pieces were found."""

    points_px: Floats
    u_px: Floats
    found: int
    pieces: int


@dataclass(frozen=True, slots=True, eq=False)
class _Line:
    point: Floats
    direction: Floats
    u_um: float


def centred_path(
    picture: npt.NDArray[np.generic], points_px: Floats, *, camera: BoardCamera, width_um: float, hand_u_px: float
) -> CentredPath:
    """Put a drawn path on the middle of its conductor.

    Parameters
    ----------
    picture : ndarray of shape (H, W) or (H, W, 3)
        The photograph.
    points_px : ndarray of shape (N, 2)
        The drawn path.
    camera : BoardCamera
    width_um : float
        Width of the conductor, roughly: to a third is enough.
    hand_u_px : float
        Standard uncertainty of the drawn points' coordinates, kept where nothing better was found and along the path
        at its ends.

    Returns
    -------
    CentredPath
    """
    frame, unknowns = Frame(camera.centre_px, camera.half_px), unknowns_of(camera)
    planes = picture[..., None] if picture.ndim == 2 else picture
    board = to_board(unknowns, points_px, frame)
    um_per_px = camera.um_per_half / camera.half_px
    lines = [
        _line(planes, a, b, width_um, um_per_px, lambda places: to_picture(unknowns, places, frame))
        for a, b in itertools.pairwise(board)
    ]
    moved, u_px = board.copy(), np.full(len(board), hand_u_px)
    for number, point in enumerate(board):
        before = lines[number - 1] if number > 0 else None
        after = lines[number] if number < len(lines) else None
        corner = _meeting(before, after)
        if corner is not None and before is not None and after is not None:
            moved[number] = corner
            u_px[number] = max(LEAST_U_PX, before.u_um / um_per_px, after.u_um / um_per_px)
        elif (line := before or after) is not None:
            moved[number] = line.point + ((point - line.point) @ line.direction) * line.direction
    found = sum(line is not None for line in lines)
    return CentredPath(to_picture(unknowns, moved, frame), u_px, found, len(lines))


def _meeting(a: _Line | None, b: _Line | None) -> Floats | None:
    if a is None or b is None:
        return None
    cross = float(a.direction[0] * b.direction[1] - a.direction[1] * b.direction[0])
    if abs(cross) < np.sin(np.radians(LEAST_ANGLE_DEG)):
        return None
    gap = b.point - a.point
    along = float(gap[0] * b.direction[1] - gap[1] * b.direction[0]) / cross
    meeting: Floats = a.point + along * a.direction
    return meeting


def _line(
    planes: npt.NDArray[np.generic],
    start: Floats,
    end: Floats,
    width_um: float,
    um_per_px: float,
    see: Callable[[Floats], Floats],
) -> _Line | None:
    """The middle line of one piece; None where it is not plain to see."""
    step = end - start
    length = float(np.hypot(*step))
    # Corners are left out: there the conductor goes on to the side.
    free = length - 2.0 * width_um
    count = int(free / um_per_px)
    if count < LEAST_STATIONS:
        return None
    direction = step / length
    normal = np.array([-direction[1], direction[0]])
    along = width_um + (np.arange(count) + 0.5) * free / count
    across = np.linspace(-_ACROSS, _ACROSS, _STEPS) * width_um
    places = start + along[:, None, None] * direction + across[None, :, None] * normal
    profiles = _profiles(planes, see(places.reshape(-1, 2)).reshape(count, _STEPS, 2))
    middles = _middles(profiles, across, width_um)
    good = np.isfinite(middles)
    if good.sum() < max(LEAST_STATIONS, 0.4 * count):
        return None
    offset, slope, u_um = _robust_line(along[good] - length / 2, middles[good])
    if abs(offset) > MOST_MOVED * width_um:
        return None
    turned = direction + slope * normal
    return _Line(start + step / 2 + offset * normal, turned / np.hypot(*turned), u_um)


def _profiles(planes: npt.NDArray[np.generic], places: Floats) -> Floats:
    """Brightness (stations, steps) in the colour in which the conductor stands out most."""
    x, y = ((places[..., axis] - 0.5).astype(np.float32) for axis in (0, 1))
    seen = []
    for channel in range(planes.shape[2]):
        plane = np.ascontiguousarray(planes[..., channel]).astype(np.float32)
        seen.append(cv2.remap(plane, x, y, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE))
    contrast = [abs(float(np.median(p[:, _INSIDE]) - np.median(p[:, _OUTSIDE]))) for p in seen]
    return np.asarray(seen[int(np.argmax(contrast))], dtype=np.float64)


_SHARE = np.abs(np.linspace(-_ACROSS, _ACROSS, _STEPS))
_INSIDE, _OUTSIDE = _SHARE < 0.2, _SHARE > 1.1


def _middles(profiles: Floats, across: Floats, width_um: float) -> Floats:
    """Half way between the places where either side falls to half its height; NaN where there are none."""
    centre = np.median(profiles[:, _INSIDE], axis=1)
    half = _STEPS // 2
    sides = []
    for part, order in ((slice(half, None), 1), (slice(half, None, -1), -1)):
        outside = np.median(profiles[:, part][:, _OUTSIDE[half:]], axis=1)
        height = centre - outside
        share = (profiles[:, part] - outside[:, None]) / np.where(np.abs(height) > 1e-9, height, np.nan)[:, None]
        below = share < 0.5
        first = np.argmax(below, axis=1)
        rows = np.arange(len(share))
        high, low = share[rows, np.maximum(first - 1, 0)], share[rows, first]
        place = first - 1 + (high - 0.5) / np.where(high > low, high - low, np.nan)
        found = below.any(axis=1) & (first > 0)
        sides.append(np.where(found, order * place * (across[1] - across[0]), np.nan))
    wide = sides[0] - sides[1]
    usual = np.nanmedian(wide) if np.isfinite(wide).any() else np.nan
    even = (np.abs(wide - usual) < 0.25 * width_um) & (usual > 0.5 * width_um) & (usual < 1.6 * width_um)
    middles: Floats = np.where(even, 0.5 * (sides[0] + sides[1]), np.nan)
    return middles


def _robust_line(along: Floats, middles: Floats) -> tuple[float, float, float]:
    """Offset at the middle, slope, and the larger standard uncertainty at either end, by reweighted least squares."""
    design = np.column_stack([np.ones(len(along)), along])
    weight = np.ones(len(along))
    theta: Floats = np.zeros(2)
    scale = 1.0
    for _ in range(12):
        normal = design.T @ (weight[:, None] * design)
        theta = np.asarray(np.linalg.solve(normal, design.T @ (weight * middles)), dtype=np.float64)
        residual = middles - design @ theta
        # 1.4826 MAD estimates the deviation of a normal distribution (Rousseeuw and Croux 1993).
        scale = max(1.4826 * float(np.median(np.abs(residual))), 1e-6)
        weight = 1 / (1 + (residual / (2 * scale)) ** 2)
    covariance = np.linalg.inv(design.T @ (weight[:, None] * design)) * scale**2 * CORRELATED
    ends = [float(row @ covariance @ row) for row in design[[int(along.argmin()), int(along.argmax())]]]
    return float(theta[0]), float(theta[1]), float(np.sqrt(max(ends)))
