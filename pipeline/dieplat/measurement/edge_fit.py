"""A straight edge in a picture, to a fraction of a pixel: the step between two shades along a whole side."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Literal, Protocol

import numpy as np
import numpy.typing as npt
from scipy.ndimage import map_coordinates

from dieplat.errors import UndecidedError
from dieplat.measurement.edge_form import FIT_PX, Form, one_step
from dieplat.measurement.edge_tone import EXPECTED, SPREAD, outermost, tone_shift

Array = npt.NDArray[np.float64]

STEP_PX = 0.5
"""Spacing of samples across a side: half a pixel loses nothing of a picture that is blurred by a pixel or so."""
WINDOW_PX = 8.0
"""Length of side whose profiles are averaged before a place is read: less noise; a slant of 1 in 20 blurs by 0.1 px."""
FEWEST_WINDOWS = 5
"""Short sides are cut into shorter windows, so that their direction is told by so many."""
CORNER_PX = 4.0
"""Left out at both ends, where the neighbouring side blurs the profile."""
SHORTEST_PX = 20.0
LEAST_SEEN = 0.6
"""Part of a side's windows that must show the edge."""
LEAST_CONTRAST = 12.0
MOST_MISFIT = 0.045
"""Height of a clear step in standard deviations of what the fit leaves in one window, and most that the mean profile
may differ from a step's form (rms, over its height). On phantoms pads, metal and the die's own edge reach 15 to 100,
and 0.005 to 0.04; ends of rows of cells, which are no edge, 6 to 12 and 0.05 to 0.09."""
NO_EDGE = 0.2
"""The same for a die's own edge, of which more may be rough: on invented dies it is 0.008 to 0.023, and 0.32 and more
where a line within the die was taken for a weak edge."""
SHARPER, SHARPER_SHARE = 4.0, 0.65
"""Standard uncertainties by which, and share of it to which, the blur of a die's edge may lie below that of what is
beside it: on 83 invented dies 0.8 and more than 0.9, at every second pixel of others, where blur is no wider than a
pixel, 4.5 and 0.74, and 5.6 and 0.56 where a line within the die was taken for a side that hardly shows (limits are
choices of ours, no source)."""
LEAST_EVIDENCE = 8.0
"""What suffices of the "outermost" edge: height over noise of one window times the root of the number of windows, and
at least 1. Rough ground beside a long side hides a step in single windows that all of them together show."""
RIVAL = 0.6
"""Another edge of this part of the strongest one's height, within reach, leaves the choice open."""
FLOOR_PX = 0.03
"""Standard uncertainty that no length of side averages away: interpolation and the pixels' own phase (drawn pictures:
0.01 to 0.03 px)."""
MISFIT = 2.5
"""Shift of a step, in its blur, for a misfit as large as its height: a bump on the slope moves the place fitted by
about its own height over the slope, and the slope is height / (2.5 blur)."""
PIECE_PX = 512.0
"""A long side is sampled in pieces, so that memory does not grow with its slant."""

Choice = Literal["strongest", "outermost"]


class Reader(Protocol):
    """What is needed of an open mosaic."""

    width_px: int
    height_px: int

    def read(self, x0: int, y0: int, x1: int, y1: int, level: int = 0) -> npt.NDArray[Any]:
        """Pixels of columns x0..x1 and rows y0..y1."""
        ...


@dataclass(frozen=True, slots=True, eq=False)
class Edge:
    """A straight edge: the line through `point` (px) along `along`; `normal` points to its left on the screen.

    shift_u_px is the standard uncertainty of its place across, turn_u that of its direction (radians), independent of
    one another at `point`. blur_px is the standard deviation of the blurred step, contrast its height over the noise,
    misfit what the mean profile leaves of the step's form (rms) over its height; misfit_u_px is the part of shift_u_px
    that follows from it. tone_u_px is the standard uncertainty, beside shift_u_px, from the camera's tone curve,
    where the edge's place allows for one ("outermost").
    """

    point: Array
    along: Array
    shift_u_px: float
    turn_u: float
    blur_px: float
    contrast: float
    misfit: float
    misfit_u_px: float = 0.0
    tone_u_px: float = 0.0

    @property
    def normal(self) -> Array:
        """Unit vector across the edge."""
        return np.array([self.along[1], -self.along[0]])

    def u_at(self, point: Array) -> float:
        """Standard uncertainty of the line's place across at another point along it."""
        return math.hypot(self.shift_u_px, self.turn_u * float((point - self.point) @ self.along))


def find_edge(
    mosaic: Reader,
    start: Array,
    end: Array,
    *,
    reach_px: float,
    choice: Choice = "strongest",
    blur_px: tuple[float, float] | None = None,
) -> Edge:
    """Find the edge that a drawn side follows.

    The picture is sampled across the side; in windows along it a blurred step (a normal distribution's integral, the
    image of a sharp edge through a lens with such a point spread) is fitted, and a line through the places of all
    windows. That is done again about the line found.

    Parameters
    ----------
    mosaic : Reader
    start, end : ndarray (2,)
        The side as drawn, in mosaic pixels.
    reach_px : float
        How far from the drawn side an edge is looked for.
    choice : str
        Of several edges within reach take the "strongest", or the "outermost": of those with at least half the
        strongest one's height the one furthest to the left of the side (on the screen, looking along it); it may have a
        sawn rim on its right (`edge_form.with_rim`), and its place allows for a tone curve (`edge_tone`).
    blur_px : tuple of float, optional
        Blur of sharp edges there and its standard uncertainty (px), where it is known: it tells a narrow rim from blur.

    Raises
    ------
    UndecidedError
        If the side is too short, or the picture shows no clear edge, or more than one.
    """
    tone = 0.0
    for attempt in range(2):
        length = float(np.hypot(*(end - start)))
        if length < SHORTEST_PX:
            raise UndecidedError(f"it is shorter than {SHORTEST_PX:g} px")
        along = (end - start) / length
        reach = reach_px if attempt == 0 else FIT_PX
        s, t, profiles = _profiles(mosaic, start, end, reach + FIT_PX + 1.0)
        if attempt == 0 or choice == "strongest":
            middle, colour = _coarse_place(t, profiles, reach, choice, open_choice=attempt == 0)
        else:
            middle = 0.0  # of a rim's two borders only the inner one may stand out
        shades = profiles @ colour
        mean = np.median(shades, axis=0)
        fitted = one_step(t, mean, middle) if choice == "strongest" else outermost(t, mean, middle, blur_px)
        place, place_u, height, noise = _places(t, shades, fitted.place, fitted.form)
        needed = LEAST_CONTRAST if choice == "strongest" else max(1.0, LEAST_EVIDENCE / math.sqrt(len(s)))
        # Of the first look at a die only the place is taken, wherever within reach it lies.
        most = MOST_MISFIT if choice == "strongest" else math.inf if attempt == 0 else NO_EDGE
        if fitted.misfit > most:
            raise UndecidedError(f"no clear edge: its form differs from a step by {100 * fitted.misfit:.0f} %")
        if blur_px is not None and attempt == 1 and _too_sharp(fitted.form.blur_px, blur_px):
            raise UndecidedError("no clear edge: what lies there is sharper than edges on the die, so it is no edge")
        line = _line(s, place, place_u, height, noise, reach, needed)
        shift, slope, shift_u, slope_u, contrast = line
        normal = np.array([along[1], -along[0]])
        half = 0.5 * length
        shift += fitted.further
        if choice == "outermost":
            tone = tone_shift(t, np.median(profiles, axis=0), fitted, blur_px)
            shift += EXPECTED * tone
        start, end = start + (shift - half * slope) * normal, end + (shift + half * slope) * normal
    along = (end - start) / np.hypot(*(end - start))
    blur = fitted.form.blur_px
    misfit_u = math.hypot(MISFIT * fitted.misfit * blur, fitted.further_u)
    shift_u = math.hypot(shift_u, FLOOR_PX, misfit_u)
    of_tone = SPREAD * abs(tone)
    return Edge(0.5 * (start + end), along, shift_u, slope_u, blur, contrast, fitted.misfit, misfit_u, of_tone)


def _too_sharp(blur_px: float, beside_px: tuple[float, float]) -> bool:
    usual, u = beside_px
    return blur_px < min(usual - SHARPER * u, SHARPER_SHARE * usual)


def _profiles(mosaic: Reader, start: Array, end: Array, reach: float) -> tuple[Array, Array, Array]:
    """Window middles along the side from its middle (n,), distances across (m,), shades (n, m, channels)."""
    length = float(np.hypot(*(end - start)))
    along = (end - start) / length
    normal = np.array([along[1], -along[0]])
    most = math.floor(reach / STEP_PX)
    t = np.linspace(-most, most, 2 * most + 1, dtype=np.float64) * STEP_PX
    usable = length - 2 * CORNER_PX
    count = max(int(usable / WINDOW_PX), min(FEWEST_WINDOWS, int(usable / 3.0)))
    step = usable / count
    per_window = max(round(step), 4)
    s = CORNER_PX + (np.arange(count * per_window) + 0.5) * step / per_window
    shades = []
    size = max(int(PIECE_PX / step), 1) * per_window
    for first in range(0, len(s), size):
        piece = s[first : first + size]
        points = start + piece[:, None, None] * along + t[None, :, None] * normal
        sampled = sample(mosaic, points)
        shades.append(sampled.reshape(len(piece) // per_window, per_window, len(t), -1).mean(axis=1))
    middles = np.asarray(CORNER_PX + (np.arange(count) + 0.5) * step - 0.5 * length, dtype=np.float64)
    return middles, t, np.concatenate(shades)


def sample(mosaic: Reader, points: Array) -> Array:
    """The picture at points (n, m, 2) by cubic splines: (n, m, channels). Beyond the picture the last pixel goes on."""
    low = np.floor(points.min(axis=(0, 1))).astype(int) - 6
    high = np.ceil(points.max(axis=(0, 1))).astype(int) + 6
    x0, y0 = max(int(low[0]), 0), max(int(low[1]), 0)
    x1, y1 = min(int(high[0]), mosaic.width_px), min(int(high[1]), mosaic.height_px)
    if x1 - x0 < 4 or y1 - y0 < 4:
        raise UndecidedError("it lies outside the picture")
    crop = mosaic.read(x0, y0, x1, y1).astype(np.float64)
    crop = crop[..., None] if crop.ndim == 2 else crop
    where = np.stack([points[..., 1] - y0 - 0.5, points[..., 0] - x0 - 0.5])
    channels = [map_coordinates(crop[..., c], where, order=3, mode="nearest") for c in range(crop.shape[2])]
    return np.stack(channels, axis=-1)


def _coarse_place(t: Array, profiles: Array, reach: float, choice: Choice, *, open_choice: bool) -> tuple[float, Array]:
    """Where the step lies to about half a pixel, and the colour direction along which it is highest."""
    mean = np.median(profiles, axis=0)
    inner, outer = round(1.0 / STEP_PX), round(FIT_PX / STEP_PX)
    at = np.nonzero(np.abs(t) <= reach)[0]
    steps = np.stack(
        [mean[k + inner : k + outer + 1].mean(axis=0) - mean[k - outer : k - inner + 1].mean(axis=0) for k in at]
    )
    height = np.linalg.norm(steps, axis=1)
    peaks = [
        k for k in range(len(height)) if height[k] == height[max(k - 2, 0) : k + 3].max() and 0 < k < len(height) - 1
    ]
    if not peaks:
        raise UndecidedError(f"no edge lies within {reach:g} px")
    best = max(peaks, key=lambda k: float(height[k]))
    if choice == "outermost":
        best = next(k for k in reversed(peaks) if height[k] >= 0.5 * height[best])
    elif open_choice:
        apart = [k for k in peaks if abs(t[at[k]] - t[at[best]]) > 2.0 and height[k] >= RIVAL * height[best]]
        if apart:
            raise UndecidedError(f"{len(apart) + 1} edges of like strength lie within {reach:g} px")
    if height[best] <= 0.0:
        raise UndecidedError("the picture is blank there")
    return float(t[at[best]]), steps[best] / height[best]


def _places(t: Array, shades: Array, centre: float, form: Form) -> tuple[Array, Array, Array, Array]:
    """Place, its standard uncertainty, height and noise of the edge in every window, by Gauss and Newton.

    Shade = low + height * form(t - place): three unknowns a window, the form is the side's own.
    """
    place = np.full(len(shades), centre)
    for _ in range(8):
        near = np.abs(t[None, :] - place[:, None]) <= FIT_PX
        away = t[None, :] - place[:, None]
        model = form.at(away)
        columns = np.stack([np.ones_like(model), model, -form.slope_at(away)], axis=-1) * near[..., None]
        normal = np.einsum("ijk,ijl->ikl", columns, columns) + 1e-9 * np.eye(3)
        right = np.einsum("ijk,ij->ik", columns, shades * near)
        solved = np.linalg.solve(normal, right[..., None])[..., 0]
        height = np.where(np.abs(solved[:, 1]) > 1e-12, solved[:, 1], 1e-12)
        place = np.clip(place + np.clip(solved[:, 2] / height, -0.5, 0.5), centre - 3.0, centre + 3.0)
    left = (shades - np.einsum("ijk,ik->ij", columns, solved)) * near
    # Samples half a pixel apart are not independent: about one a pixel is.
    freedom = np.maximum(near.sum(axis=1) * STEP_PX - 3.0, 1.0)
    noise = np.sqrt((left**2).sum(axis=1) * STEP_PX / freedom)
    spread = np.sqrt(np.linalg.inv(normal)[:, 2, 2] / STEP_PX)
    return place, spread * noise / np.abs(height), height, noise


def _line(
    s: Array, place: Array, place_u: Array, height: Array, noise: Array, reach: float, needed: float
) -> tuple[float, float, float, float, float]:
    """A robust line through the windows' places: shift, slope, their uncertainties, contrast."""
    usual = float(np.median(height))
    seen = (np.sign(height) == np.sign(usual)) & (np.abs(height) >= 0.3 * abs(usual)) & (np.abs(place) <= reach + 1.0)
    contrast = abs(usual) / max(float(np.median(noise)), 1e-9)
    if contrast < needed:
        raise UndecidedError(f"no clear edge: the step is {contrast:.1f} times the noise, {needed:.1f} are needed")
    span = float(np.ptp(s)) if len(s) > 1 else WINDOW_PX
    basis = np.stack([np.ones_like(s), s], axis=1) if len(s) > 2 else np.ones((len(s), 1))
    kept = seen.copy()
    for _ in range(6):
        if kept.sum() < max(LEAST_SEEN * len(s), 1):
            raise UndecidedError(f"the edge shows along {100 * kept.mean():.0f} % of it only")
        fit, *_ = np.linalg.lstsq(basis[kept], place[kept], rcond=None)
        left = place - basis @ fit
        scatter = max(1.4826 * float(np.median(np.abs(left[kept]))), float(np.median(place_u)), 0.02)
        again = seen & (np.abs(left) <= 3.0 * scatter)
        if np.array_equal(again, kept):
            break
        kept = again
    freedom = max(int(kept.sum()) - basis.shape[1], 1)
    scatter = max(math.sqrt(float((left[kept] ** 2).sum()) / freedom), float(np.median(place_u[kept])))
    inverse = np.linalg.inv(basis[kept].T @ basis[kept]) * scatter**2
    slope, slope_u = (float(fit[1]), math.sqrt(inverse[1, 1])) if len(fit) > 1 else (0.0, scatter / span)
    return float(fit[0]), slope, math.sqrt(inverse[0, 0]), slope_u, contrast
