"""Readings of lines: where each lies in each group of strips, in a turned picture and on the picture's own pixels."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from dieplat.calibration.strips import Strips
from dieplat.calibration.template import Box, Shape, nearest_box

Floats = npt.NDArray[np.float64]
Indices = npt.NDArray[np.intp]
Bools = npt.NDArray[np.bool_]

GROUPS = 12
LEAST_OF_STRONG = 0.15
TRIES = 5
"""Strips whose lines are looked at for their blur."""


@dataclass(frozen=True, slots=True, eq=False)
class Readings:
    """Places of lines in groups of strips.

    place_px : ndarray (lines, groups), along the ruling's normal from the picture's centre; NaN where there is none.
    good : ndarray (lines, groups), those that count.
    t_px : ndarray (lines, groups), where along the lines.
    reach_px : ndarray (groups,), how far along the lines each extends.
    blur_px : of the lines; None where their shape is not known.
    """

    place_px: Floats
    good: Bools
    t_px: Floats
    reach_px: Floats
    blur_px: float | None

    @property
    def middles_px(self) -> Floats:
        """Medians (lines,) of the places that count; NaN where none does."""
        found = np.full(len(self.place_px), np.nan)
        rows = self.good.any(axis=1)
        found[rows] = np.nanmedian(np.where(self.good, self.place_px, np.nan)[rows], axis=1)
        return found


def read_turned(
    strips: Strips, body: Indices, shape: Shape, start_px: Floats, pitch_px: float, blur_px: float | None
) -> Readings:
    """Read the lines near `start_px` (lines,), along the normal, in up to 12 groups of the strips `body`."""
    groups = np.array_split(body, min(GROUPS, len(body)))
    at = np.broadcast_to((start_px - strips.s0_px)[:, None], (len(start_px), len(groups)))
    place, good = _read_groups(strips, groups, shape, at, pitch_px)
    t = np.array([strips.t_px[group].mean() for group in groups])
    reach = np.array([np.ptp(strips.t_px[group]) for group in groups]) + strips.tall_px
    return Readings(place + strips.s0_px, good, np.broadcast_to(t, place.shape), reach, blur_px)


def read_unturned(
    unturned: Strips, angle_rad: float, along_px: tuple[float, float], box: Box, start_px: Floats, pitch_px: float
) -> Readings:
    """Read the lines in the strips of a picture that was not turned, each strip for itself.

    Turning a picture makes up what lies between pixels, and that is off by as much as the lines are sharp. Strips are
    so low that lines at this angle hardly lean in one.

    Parameters
    ----------
    angle_rad : float
        Direction of the ruling's normal, next to that of the strips.
    along_px : tuple of float
        From where to where, along the lines, there are strips that most lines cross.
    box : Box
        What the lines look like in the turned picture.
    start_px : ndarray (lines,)
        Where they lie along the normal.
    """
    cosine, sine = np.cos(angle_rad - unturned.angle_rad), np.sin(angle_rad - unturned.angle_rad)
    # Strips of both pictures do not lie on one another.
    body = np.flatnonzero(np.abs(unturned.t_px - np.clip(unturned.t_px, *along_px)) <= 0.5 * unturned.tall_px)
    across = unturned.t_px[body]
    at = (start_px[:, None] - across * sine) / cosine - unturned.s0_px
    found = []
    for k in range(0, len(body), max(1, len(body) // TRIES)):
        near = nearest_box(unturned.profile[body[k]], at[:, k], box.half_width_px)
        if near is not None:
            found.append((near[0].width_px, near[0].blur_px))
    seen = Box(*np.median(found, axis=0)) if found else box
    place, good = _read_groups(unturned, [body[k : k + 1] for k in range(len(body))], seen, at, pitch_px)
    place = place + unturned.s0_px
    s, t = place * cosine + across * sine, across * cosine - place * sine
    return Readings(s, good, np.nan_to_num(t), np.full(len(body), float(unturned.tall_px)), seen.blur_px)


def _read_groups(
    strips: Strips, groups: Sequence[Indices], shape: Shape, start: Floats, pitch_px: float
) -> tuple[Floats, Bools]:
    """Columns (lines, groups) where the lines lie, near `start` (lines, groups), and which of these count."""
    place = np.full(start.shape, np.nan)
    strength, misfit = np.full_like(place, np.nan), np.full_like(place, np.nan)
    for g, group in enumerate(groups):
        profile, _ = strips.mean(group)
        weight = strips.weight[group].min(axis=0)
        place[:, g], strength[:, g], misfit[:, g] = _match(profile, weight, shape, start[:, g], pitch_px)
    if not np.isfinite(strength).any():
        return place, np.zeros(place.shape, dtype=bool)
    strength = strength * np.sign(np.nanmedian(strength))
    usual, strong = (float(value) for value in np.nanpercentile(strength, (50.0, 75.0)))
    # Of a false numbering half the places may be no lines at all, and the median as weak as these.
    good = np.isfinite(place) & (strength > max(0.4 * usual, LEAST_OF_STRONG * strong))
    if good.any():
        # Uneven light alone leaves a few per cent of a line's depth; dirt on a line leaves more.
        depth = float(np.ptp(shape.value(np.linspace(-1.0, 1.0, 41) * 2.0 * shape.half_width_px)))
        good &= misfit < max(5.0 * float(np.median(misfit[good])), 0.06 * usual * depth)
    return place, good


def _match(
    profile: Floats, weight: Floats, shape: Shape, start: Floats, pitch_px: float
) -> tuple[Floats, Floats, Floats]:
    """Places, strengths and misfits of the shape near `start`; NaN where the profile has no data.

    Least squares for strength, shift, level and slope, linearised in the shift and repeated (Gauss-Newton):
    the optimal estimate of a known shape's place in white noise. The shape is held against the samples where they
    are; a curve through samples would be a shape of another kind at every place between two of them.
    """
    wing = float(np.clip(2.0 * shape.half_width_px + 1.5, 1.75, 0.45 * pitch_px))
    inside = (start - wing > 1) & (start + wing < len(profile) - 2)
    covered = np.interp(start - wing, np.arange(len(weight)), weight) > 0
    covered &= np.interp(start + wing, np.arange(len(weight)), weight) > 0
    inside &= covered
    place = np.where(inside, start, len(profile) / 2.0)
    limit = 0.25 * pitch_px
    for _ in range(6):
        terms, misfit = _fit_once(profile, shape, place, wing)
        with np.errstate(divide="ignore", invalid="ignore"):
            shift = np.nan_to_num(-terms[:, 1] / terms[:, 0])
        moved = np.clip(place + np.clip(shift, -wing / 4, wing / 4), start - limit, start + limit)
        place = np.where(inside, moved, place)
    inside &= np.abs(place - start) < 0.98 * limit
    return np.where(inside, place, np.nan), np.where(inside, terms[:, 0], np.nan), misfit


def _fit_once(profile: Floats, shape: Shape, place: Floats, wing: float) -> tuple[Floats, Floats]:
    """Terms (lines, 3 or 4) of the shape at these places, and the misfits (lines,)."""
    reach = int(np.ceil(wing)) + 1
    columns = np.clip(np.rint(place).astype(np.intp)[:, None] + np.arange(-reach, reach + 1), 0, len(profile) - 1)
    offset = columns - place[:, None]
    # Samples enter by and by as the shape moves, so that its place does not jump.
    share = np.clip(wing + 0.5 - np.abs(offset), 0.0, 1.0)
    design = np.stack([shape.value(offset), shape.slope(offset), np.ones_like(offset), offset], axis=2)
    if wing < 3.0:
        design = design[..., :3]
    normal = np.einsum("lni,ln,lnj->lij", design, share, design)
    normal += 1e-9 * np.trace(normal, axis1=1, axis2=2)[:, None, None] * np.eye(design.shape[2])
    values = profile[columns]
    terms = np.linalg.solve(normal, np.einsum("lni,ln->li", design, share * values)[..., None])[..., 0]
    left = values - np.einsum("lni,li->ln", design, terms)
    return terms, np.sqrt(np.sum(share * left**2, axis=1) / np.sum(share, axis=1))
