"""Sub-pixel places of numbered lines, strip by strip."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.interpolate import CubicSpline

from dieplat.calibration.lattice import Lattice
from dieplat.calibration.strips import Strips

Floats = npt.NDArray[np.float64]
Indices = npt.NDArray[np.intp]

GROUPS = 12
# A false numbering, of noise or of one line in a few, holds about as much contrast as chance gives it.
LEAST_SHARE = 0.4


@dataclass(frozen=True, slots=True, eq=False)
class LinePlaces:
    """Where each line crosses the picture's axis t = 0, from groups of strips.

    index : ndarray (lines,), the whole number of each line.
    s_px : ndarray (lines,), place along s with the common lean taken out.
    groups : ndarray (lines,), how many groups of strips agree on the place.
    t_square_px2 : ndarray (lines,), mean square of t over those groups.
    spread_px : standard deviation of one group's reading.
    lean, lean_u : ds/dt common to all lines, with its standard uncertainty.
    """

    index: Indices
    s_px: Floats
    groups: Indices
    t_square_px2: Floats
    spread_px: float
    lean: float
    lean_u: float


@dataclass(frozen=True, slots=True, eq=False)
class Template:
    """The mean shape of a line at offsets from its strongest point, and its half width at half depth."""

    curve: CubicSpline
    centre_px: float
    half_width_px: float


def line_template(profile: Floats, columns: Floats, pitch_px: float) -> Template:
    """The median shape of the lines at `columns` of `profile`, over two pitches."""
    # The strongest point may lie half a pitch off, and a match needs 0.45 pitch on both its sides.
    offset = np.arange(-pitch_px, pitch_px + 0.25, 0.25)
    inside = (columns + offset[0] > 1) & (columns + offset[-1] < len(profile) - 2)
    windows = CubicSpline(np.arange(len(profile)), profile)(columns[inside][:, None] + offset[None, :])
    shape = np.median(windows, axis=0)
    inner = np.abs(offset) <= 0.5 * pitch_px
    depth = np.abs(shape - np.median(shape[inner]))
    centre = int(np.argmax(np.where(inner, depth, -1.0)))
    below = depth < 0.5 * depth[centre]
    left = int(np.argmax(below[centre::-1])) if below[: centre + 1].any() else centre
    right = int(np.argmax(below[centre:])) if below[centre:].any() else len(offset) - 1 - centre
    half_width = min(max(left, right) * 0.25, 0.3 * pitch_px)
    return Template(CubicSpline(offset - offset[centre], shape), float(offset[centre]), max(half_width, 0.75))


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


def _match(
    profile: Floats, weight: Floats, template: Template, columns: Floats, pitch_px: float
) -> tuple[Floats, Floats, Floats]:
    """Places, strengths and misfits of the template near `columns`; NaN where the profile has no data.

    Least squares for strength, shift, level and slope, linearised in the shift and repeated (Gauss-Newton):
    the optimal estimate of a known shape's place in white noise.
    """
    wing = float(np.clip(2.0 * template.half_width_px + 1.5, 1.75, 0.45 * pitch_px))
    offset = np.arange(-wing, wing + 0.25, 0.5)
    shape, slope = template.curve(offset), template.curve(offset, 1)
    design = np.stack([shape, slope, np.ones_like(offset), offset], axis=1)
    if wing < 3.0:
        design = design[:, :3]
    solve = np.linalg.pinv(design)
    curve = CubicSpline(np.arange(len(profile)), profile)
    start = columns + template.centre_px
    inside = (start - wing > 1) & (start + wing < len(profile) - 2)
    covered = np.interp(start - wing, np.arange(len(weight)), weight) > 0
    covered &= np.interp(start + wing, np.arange(len(weight)), weight) > 0
    inside &= covered
    place = np.where(inside, start, len(profile) / 2.0)
    limit = 0.25 * pitch_px
    for _ in range(5):
        values = curve(place[:, None] + offset[None, :])
        terms = values @ solve.T
        with np.errstate(divide="ignore", invalid="ignore"):
            shift = np.nan_to_num(-terms[:, 1] / terms[:, 0])
        place = np.clip(place + np.clip(shift, -wing / 4, wing / 4), place - wing, place + wing)
        place = np.where(inside, np.clip(place, start - limit, start + limit), place)
    values = curve(place[:, None] + offset[None, :])
    terms = values @ solve.T
    misfit = np.sqrt(np.mean((values - terms @ design.T) ** 2, axis=1))
    inside &= np.abs(place - start) < 0.98 * limit
    return np.where(inside, place, np.nan), np.where(inside, terms[:, 0], np.nan), misfit


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
    groups = np.array_split(body, min(GROUPS, len(body)))
    place = np.full((len(index), len(groups)), np.nan)
    strength, misfit = np.full_like(place, np.nan), np.full_like(place, np.nan)
    t_px = np.array([strips.t_px[group].mean() for group in groups])
    for g, group in enumerate(groups):
        profile, _ = strips.mean(group)
        weight = strips.weight[group].min(axis=0)
        place[:, g], strength[:, g], misfit[:, g] = _match(profile, weight, template, columns, pitch)
    if not np.isfinite(strength).any():
        return None
    usual = np.nanmedian(strength)
    good = np.isfinite(place) & (strength > 0.4 * usual)
    if good.any():
        # Uneven light alone leaves a few per cent of a line's depth; dirt on a line leaves more.
        depth = float(np.ptp(template.curve(np.linspace(-1.0, 1.0, 41) * 2.0 * template.half_width_px)))
        good &= misfit < max(5.0 * float(np.median(misfit[good])), 0.06 * abs(usual) * depth)
    return _combine(index, place + strips.s0_px, good, t_px)


def _combine(index: Indices, place: Floats, good: npt.NDArray[np.bool_], t_px: Floats) -> LinePlaces | None:
    """One place a line from its groups, with the common lean, keystone and bow modelled to find outliers."""
    needed = max(1, int(np.ceil(0.35 * place.shape[1])))
    t = np.broadcast_to(t_px, place.shape)
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
    counts = good.sum(axis=1)[rows]
    if len(counts) < 3:
        return None
    upright = np.where(good, place - lean * t, 0.0)[rows].sum(axis=1) / counts
    t_square = np.where(good, t * t, 0.0)[rows].sum(axis=1) / counts
    return LinePlaces(index[rows], upright, counts.astype(np.intp), t_square, max(spread, 1e-6), lean, lean_u)
