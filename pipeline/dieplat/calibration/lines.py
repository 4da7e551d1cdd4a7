"""Sub-pixel places of numbered lines, strip by strip."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from dieplat.calibration.lattice import Lattice
from dieplat.calibration.readings import Readings, read_turned, read_unturned
from dieplat.calibration.sampling import Grid, mixing_of, phase_error_px
from dieplat.calibration.strips import Strips
from dieplat.calibration.template import Template, line_template, nearest_box

Floats = npt.NDArray[np.float64]
Indices = npt.NDArray[np.intp]

# A false numbering, of noise or of one line in a few, holds about as much contrast as chance gives it.
LEAST_SHARE = 0.4


@dataclass(frozen=True, slots=True, eq=False)
class LinePlaces:
    """Where each line crosses the picture's axis t = 0, from groups of strips.

    index : ndarray (lines,), the whole number of each line.
    s_px : ndarray (lines,), place along s with the common lean taken out.
    groups : ndarray (lines,), how many groups of strips agree on the place.
    t_square_px2 : ndarray (lines,), mean square of t over those groups.
    grid : how those groups lie on the grid of pixels.
    spread_px : standard deviation of one group's reading.
    lean, lean_u : ds/dt common to all lines, with its standard uncertainty.
    """

    index: Indices
    s_px: Floats
    groups: Indices
    t_square_px2: Floats
    grid: Grid
    spread_px: float
    lean: float
    lean_u: float


def share_in_lines(profile: Floats, valid: npt.NDArray[np.bool_], template: Template, columns: Floats) -> float:
    """How much of the profile's contrast lies in the lines: 1 all, 0 no more than chance.

    Contrast counts from the level half-way between lines, in the lines' own sense, and is capped at three
    line depths so that dirt does not rule.
    """
    nodes = np.arange(len(profile))
    centre = columns + template.centre_px
    level = float(np.median(np.interp((centre[1:] + centre[:-1]) / 2.0, nodes, profile)))
    depth = float(np.median(np.interp(centre, nodes, profile))) - level
    between = valid & (nodes >= centre[0]) & (nodes <= centre[-1])
    excess = np.clip((profile - level) * np.sign(depth), 0.0, 3.0 * abs(depth))[between] ** 2
    nearest = np.abs(nodes[between][:, None] - centre[None, :]).min(axis=1)
    inside = nearest <= min(2.0 * template.half_width_px + 0.5, 0.3 * float(np.median(np.diff(columns))))
    covered = float(inside.mean())
    if covered >= 1.0 or excess.sum() <= 0.0:
        return 0.0
    return (float(excess[inside].sum() / excess.sum()) - covered) / (1.0 - covered)


def body_strips(strips: Strips, template: Template, columns: Floats, pitch_px: float) -> Indices:
    """The strips that most lines cross: not those of only the long lines, nor those of the digits."""
    centre = np.clip(np.rint(columns + template.centre_px), 0, strips.profile.shape[1] - 1).astype(np.intp)
    reach = int(np.ceil(1.5 * template.half_width_px + 0.5))
    offset = np.arange(-reach, reach + 1)
    shape = template.curve(offset) - template.curve(offset).mean()
    strength = np.full(len(strips.profile), -np.inf)
    at = np.clip(centre[:, None] + offset[None, :], 0, strips.profile.shape[1] - 1)
    for b, (row, weight) in enumerate(zip(strips.profile, strips.weight, strict=True)):
        seen = np.all(weight[at] > 0, axis=1)
        if seen.sum() >= 4 and seen.sum() >= 0.3 * len(columns):
            strength[b] = float(np.median(row[at][seen] @ shape) / (shape @ shape))
    if not np.isfinite(strength).any():
        return np.zeros(0, dtype=np.intp)
    padded = np.concatenate([[-np.inf], strength, [-np.inf]])
    steady = np.median(np.stack([padded[:-2], padded[1:-1], padded[2:]]), axis=0)
    top = steady.max() if np.isfinite(steady).any() else strength.max()
    return np.flatnonzero(strength > 0.5 * top) if top > 0 else np.zeros(0, dtype=np.intp)


def place_lines(strips: Strips, lattice: Lattice, divisions: int = 1) -> LinePlaces | None:
    """Measure every line of the lattice in up to 12 groups of strips; None if no strip shows them.

    Readings that disagree with their line's other groups (dirt, a digit, a broken line) are left out.
    """
    index, columns = lattice.places(divisions)
    pitch = lattice.pitch_px / divisions
    rough = line_template(strips.mean(slice(None))[0], columns, pitch)
    body = body_strips(strips, rough, columns, pitch)
    if not len(body):
        return None
    mean_profile, mean_valid = strips.mean(body)
    template = line_template(mean_profile, columns, pitch)
    if divisions == 1 and share_in_lines(mean_profile, mean_valid, template, columns) < LEAST_SHARE:
        return None
    read = read_turned(strips, body, template, columns + template.centre_px + strips.s0_px, pitch, None)
    near = nearest_box(mean_profile, read.middles_px - strips.s0_px, template.half_width_px)
    if near is not None:
        box, start = near[0], near[1] + strips.s0_px
        if strips.unturned is None:
            read = read_turned(strips, body, box, start, pitch, box.blur_px)
        else:
            along = (float(strips.t_px[body[0]]), float(strips.t_px[body[-1]]))
            read = read_unturned(strips.unturned, strips.angle_rad, along, box, start, pitch)
    return _line_places(index, read, strips.angle_rad)


@dataclass(frozen=True, slots=True, eq=False)
class _Combined:
    good: npt.NDArray[np.bool_]
    rows: npt.NDArray[np.bool_]
    lean: float
    lean_u: float
    spread_px: float


def _line_places(index: Indices, read: Readings, angle_rad: float) -> LinePlaces | None:
    """One place a line from the groups that count."""
    found = _combine(read.place_px, read.good, read.t_px) if read.good.any() else None
    if found is None:
        return None
    rows = found.rows
    good, place, t = found.good[rows], read.place_px[rows], read.t_px[rows]
    counts = good.sum(axis=1)
    step, mixing = mixing_of(angle_rad, found.lean, t, read.reach_px)
    grid = Grid(step, np.where(good, mixing, 0.0).sum(axis=1) / counts, phase_error_px(read.blur_px))
    upright = np.where(good, place - found.lean * t, 0.0).sum(axis=1) / counts
    t_square = np.where(good, t * t, 0.0).sum(axis=1) / counts
    groups = counts.astype(np.intp)
    return LinePlaces(index[rows], upright, groups, t_square, grid, found.spread_px, found.lean, found.lean_u)


def _combine(place: Floats, good: npt.NDArray[np.bool_], t: Floats) -> _Combined | None:
    """Which groups count: the common lean, keystone and bow are modelled to find those that are off."""
    needed = max(1, int(np.ceil(0.35 * place.shape[1])))
    lean, lean_u, spread = 0.0, 0.0, 0.0
    for _ in range(3):
        good = good & (good.sum(axis=1) >= needed)[:, None]
        if good.sum() < 4:
            return None
        counts = np.maximum(good.sum(axis=1), 1)[:, None]

        def centred(values: Floats, good: npt.NDArray[np.bool_] = good, counts: Indices = counts) -> Floats:
            mean: Floats = np.where(good, values, 0.0).sum(axis=1, keepdims=True) / counts
            return values - mean

        filled = np.where(good, place, 0.0)
        middle = np.where(good, place, np.nan)
        s = np.zeros((len(place), 1))
        rows = good.any(axis=1)
        s[rows, 0] = np.nanmedian(middle[rows], axis=1)
        terms = [t, s * t, s * t * t]
        if place.shape[1] == 1:
            break
        design = np.stack([centred(term)[good] for term in terms], axis=1)
        scale = np.maximum(np.sqrt((design**2).sum(axis=0)), 1e-12)
        # The lines' own medians start the fit, so that one wild reading does not drag its line's mean along.
        target = (filled - s)[good] if spread == 0.0 else centred(filled)[good]
        solution = np.linalg.lstsq(design / scale, target, rcond=1e-9)[0] / scale
        model = sum(value * term for value, term in zip(solution, terms, strict=True))
        left = place - model
        left_middle = np.zeros((len(place), 1))
        left_middle[rows, 0] = np.nanmedian(np.where(good, left, np.nan)[rows], axis=1)
        off = left - left_middle
        spread = float(1.4826 * np.median(np.abs(off[good])))
        # A median of few shares their error: the factor restores the spread of one reading.
        spread = max(spread / np.sqrt(max(1.0 - 1.0 / place.shape[1], 0.5)), 1e-6)
        lean = float(solution[0])
        lean_u = spread / float(scale[0])
        good = good & (np.abs(off) < 4.5 * spread)
    good = good & (good.sum(axis=1) >= needed)[:, None]
    rows = good.sum(axis=1) >= needed
    if rows.sum() < 3:
        return None
    return _Combined(good, rows, lean, lean_u, max(spread, 1e-6))
