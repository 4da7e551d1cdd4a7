"""Bands of metal in the unrolled winding: where they run, how many there are, how wide."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy import optimize, special

from dieplat.errors import UndecidedError
from dieplat.measurement.inductor.metal import Image, Mask
from dieplat.measurement.inductor.unwrap import Floats, Frame, sector_of, unwrap

Ints = np.ndarray[tuple[int, ...], np.dtype[np.intp]]
STEP_PX = 0.5
ROUND_SLICES = 36
# Runs within these factors of the usual width are taken as conductor, others as leads or damage.
LEAST_PART, MOST_PART = 0.6, 1.5
# A gap may differ from the usual one by this part of it (at least by one pixel).
GAP_PART = 0.25


@dataclass(frozen=True, slots=True, eq=False)
class Columns:
    """The unrolled winding. `soft` is (distance, angle); `edges[j]` is an (n, 2) array of band edges in px.

    `regular` marks the columns in which every band and gap has the usual width, `countable` those in which
    each is one band and one gap, though slanted where the winding steps.
    """

    frame: Frame
    distance: Floats
    angle: Floats
    sector: Ints
    off_normal: Floats
    soft: Image
    edges: tuple[Floats, ...]
    regular: Mask
    countable: Mask
    width_px: float
    spacing_px: float


@dataclass(frozen=True, slots=True)
class SideFit:
    """One side's bands: their count, width and pitch (px), and the optics' blur.

    `outer_px`, `inner_px`: distance of the outermost and innermost metal edge from the centre in the
    columns that show that count; `outer_over_all_px`: mean of the outermost over the whole sector.
    """

    sector: int
    bands: int
    width_px: float
    pitch_px: float
    blur_px: float
    outer_px: float
    inner_px: float
    outer_over_all_px: float


def recentre(soft: Image, frame: Frame, reach: float) -> Frame:
    """Shift the frame so that the outermost edges are equally far all round, but for leads and steps.

    A round spiral may drift inwards instead: then the edges fall evenly all the way round.
    """
    slices = frame.sides or ROUND_SLICES
    for _ in range(3):
        distance, angle = np.arange(2.0, reach, STEP_PX), _directions(reach)
        flat = unwrap(soft, frame, angle, distance)
        step = 2 * np.pi / slices
        slot = np.round((angle - frame.normal) / step)
        off = angle - frame.normal - slot * step
        # Columns next to the corners of a polygon are left out.
        chosen = np.where(np.abs(off) < (0.46 if frame.sides else 0.5) * step, slot % slices, -1)
        normals, outer = [], []
        for k in range(slices):
            profile = flat[:, chosen == k].mean(axis=1)
            # A port or a crossing takes part of a side's band, so half the level is half of what is left.
            runs = _runs(profile / max(float(profile.max()), 0.3), distance)
            if len(runs):
                normals.append(frame.normal + k * step)
                outer.append(float(runs[-1, 1]))
        if len(outer) < 3:
            raise UndecidedError("the winding's sides are not seen all round")
        x, y = _centre_shift(np.array(normals), np.array(outer), round_spiral=not frame.sides)
        frame = replace(frame, x=frame.x + x, y=frame.y + y)
        if np.hypot(x, y) < 0.05:
            break
    return frame


def _centre_shift(normal: Floats, outer: Floats, *, round_spiral: bool) -> tuple[float, float]:
    """Centre from edges at `outer` in directions `normal`: robust least squares, with drift if that fits."""
    design = np.stack([np.cos(normal), np.sin(normal), np.ones(len(outer))], axis=1)

    def solve(matrix: Floats) -> tuple[Floats, float]:
        start = np.zeros(matrix.shape[1])
        start[2] = np.median(outer)

        def residual(p: Floats) -> Floats:
            return np.asarray(matrix @ p - outer)

        fit = optimize.least_squares(residual, start, loss="soft_l1", f_scale=0.5).x
        return fit, float(np.median(np.abs(matrix @ fit - outer)))

    shift, off = solve(design)
    if round_spiral and off > 0.3:
        falls = [np.column_stack([design, (normal - first) % (2 * np.pi)]) for first in normal - 1e-6]
        best = min(falls, key=lambda m: float(np.abs(m @ np.linalg.lstsq(m, outer)[0] - outer).sum()))
        drift, drift_off = solve(best)
        if drift_off < 0.6 * off:
            shift = drift
    return float(shift[0]), float(shift[1])


def find_bands(soft: Image, frame: Frame, reach: float) -> Columns:
    """Unroll the winding and find the bands of every column.

    Raises
    ------
    UndecidedError
        If most columns do not show bands of one width.
    """
    distance, angle = np.arange(2.0, reach, STEP_PX), _directions(reach)
    sector, off = sector_of(frame, angle)
    flat = unwrap(soft, frame, angle, distance)
    # Three columns together: noise falls, and no detail of a conductor is as short as that.
    flat = ((np.roll(flat, 1, axis=1) + flat + np.roll(flat, -1, axis=1)) / 3).astype(np.float32)
    edges = tuple(_runs(flat[:, j], distance) for j in range(len(angle)))
    widths = np.concatenate([e[:, 1] - e[:, 0] for e in edges])
    gaps = np.concatenate([e[1:, 0] - e[:-1, 1] for e in edges])
    if len(widths) < 0.5 * len(angle):
        raise UndecidedError("no winding is seen inside the outline")
    width = float(np.median(widths))
    spacing = float(np.median(gaps)) if len(gaps) > 0.2 * len(angle) else float("nan")
    edges = _without_leads(edges, width, spacing, gaps)
    regular = np.array([_is_regular(e, width, spacing) for e in edges])
    countable = np.array([_is_countable(e, width, spacing) for e in edges])
    return Columns(frame, distance, angle, sector, off, flat, edges, regular, countable, width, spacing)


def _directions(reach: float) -> Floats:
    count = max(180, round(2 * np.pi * reach / 1.2))
    return (np.arange(count) + 0.5) * 2 * np.pi / count


def _runs(profile: Image, distance: Floats) -> Floats:
    """Half-level crossings in pairs from the centre outwards, (n, 2), without dips and peaks under 0.15."""
    profile = np.asarray(profile, dtype=float)
    up = profile > 0.5
    change = np.nonzero(up[1:] != up[:-1])[0]
    if len(change) == 0:
        return np.empty((0, 2))
    part = (0.5 - profile[change]) / (profile[change + 1] - profile[change])
    place = distance[change] + part * (distance[change + 1] - distance[change])
    rising = up[change + 1]
    if not rising[0]:
        place, rising, change = place[1:], rising[1:], change[1:]
    if len(place) % 2:
        place, change = place[:-1], change[:-1]
    kept: list[float] = []
    for k, at in enumerate(place):
        if kept and k % 2 == 0 and profile[change[k - 1] + 1 : change[k] + 1].min() > 0.35:
            kept.pop()
            continue
        if k % 2 == 1 and profile[change[k - 1] + 1 : change[k] + 1].max() < 0.65:
            kept.pop()
            continue
        kept.append(float(at))
    return np.array(kept).reshape(-1, 2)


def _without_leads(edges: tuple[Floats, ...], width: float, spacing: float, gaps: Floats) -> tuple[Floats, ...]:
    """Drop outermost runs that are leads leaving along a tangent.

    Such a run lies further out than the outermost edges elsewhere. Where these do not agree all round (a
    spiral that drifts inwards), it stands off the band before it.
    """
    outer = np.array([e[-1, 1] for e in edges if len(e)])
    middle = float(np.median(outer))
    spread = 1.4826 * float(np.median(np.abs(outer - middle)))
    steps = spread < 0.1 * (width + spacing)
    most_outer = middle + max(5 * spread, 0.75)
    scatter = 1.4826 * float(np.median(np.abs(gaps - spacing))) if len(gaps) else 0.0
    most_gap = spacing + max(5 * scatter, 0.05 * spacing, 0.5)
    kept = []
    for e in edges:
        if len(e) > 1 and e[-1, 1] - e[-1, 0] < width + 0.6 * (width + spacing):
            lead = e[-1, 1] > most_outer if steps else e[-1, 0] - e[-2, 1] > most_gap
            e = e[:-1] if lead else e
        kept.append(e)
    return tuple(kept)


def _is_regular(edges: Floats, width: float, spacing: float) -> bool:
    if len(edges) == 0:
        return False
    own = (edges[:, 1] - edges[:, 0]) / width
    off = np.abs(edges[1:, 0] - edges[:-1, 1] - spacing)
    narrow = bool(((own > LEAST_PART) & (own < MOST_PART)).all())
    return narrow and (len(edges) == 1 or bool((off <= max(GAP_PART * spacing, 1.0)).all()))


def _is_countable(edges: Floats, width: float, spacing: float) -> bool:
    """Whether each run is one band and each gap one gap, though slanted: two would be a pitch wider."""
    if len(edges) == 0:
        return False
    pitch = width + spacing if np.isfinite(spacing) else 2 * width
    own = edges[:, 1] - edges[:, 0]
    gap = edges[1:, 0] - edges[:-1, 1]
    single = bool(((own > 0.5 * width) & (own < width + 0.6 * pitch)).all())
    return single and (len(edges) == 1 or bool(((gap > 0.3 * spacing) & (gap < spacing + 0.6 * pitch)).all()))


def fit_sides(columns: Columns) -> list[SideFit]:
    """Fit every side that shows one count of bands with blurred bars of one width and pitch.

    An edge blurred by the optics is an error function; a bar is the difference of two. Fitting bars with
    their blur leaves width and gap unbiased where they are no wider than a few times the blur, which a
    half-level crossing does not.
    """
    step = 2 * np.pi / columns.frame.sectors
    part = 0.38 if columns.frame.sides else 0.5
    found = []
    for k in range(columns.frame.sectors):
        chosen = (columns.sector == k) & (np.abs(columns.off_normal) < part * step) & columns.regular
        counts = np.array([len(columns.edges[j]) for j in np.nonzero(chosen)[0]], dtype=int)
        if len(counts) < 5:
            continue
        bands = int(np.bincount(counts).argmax())
        picked = np.nonzero(chosen)[0][counts == bands]
        if len(picked) < 5:
            continue
        fit = _fit_side(columns, k, bands, picked)
        if fit is not None:
            found.append(fit)
    return found


def _fit_side(columns: Columns, sector: int, bands: int, picked: Ints) -> SideFit | None:
    """Columns are first moved onto one another by their own edges' mean, which follows drift and tilt."""
    own = np.array([columns.edges[j].mean() for j in picked])
    tilt = np.polyfit(columns.off_normal[picked], own, 1)
    own = np.polyval(tilt, columns.off_normal[picked])
    at, middle = columns.distance, float(own.mean())
    profile = np.mean([np.interp(at + o - middle, at, columns.soft[:, j]) for o, j in zip(own, picked, strict=True)], 0)
    half = 0.5 * (columns.edges[picked[0]][-1, 1] - columns.edges[picked[0]][0, 0])
    margin = 0.9 * (columns.spacing_px if np.isfinite(columns.spacing_px) else columns.width_px)
    use = np.abs(at - middle) < half + margin
    x, y = at[use] - middle, profile[use]
    order = np.arange(bands) - 0.5 * (bands - 1)

    def model(p: Floats) -> Floats:
        shift, width, pitch, blur, low, high, slope = p
        bars = np.zeros_like(x)
        for c in order * pitch + shift:
            bars += special.erf((x - c + width / 2) / (blur * np.sqrt(2))) - special.erf(
                (x - c - width / 2) / (blur * np.sqrt(2))
            )
        return np.asarray(low + (high - low + slope * x) * bars / 2)

    def residual(p: Floats) -> Floats:
        return np.asarray(model(p) - y)

    pitch = columns.width_px + columns.spacing_px if bands > 1 else 1.0
    scale = np.array([1.0, 1.0, 1.0 if bands > 1 else 1e-9, 1.0, 0.1, 0.1, 0.01])
    fit = optimize.least_squares(
        residual,
        np.array([0.0, columns.width_px, pitch, 1.0, 0.0, 1.0, 0.0]),
        x_scale=scale,
        bounds=([-9, 1, 0.5, 0.25, -0.5, 0.5, -0.02], [9, 200, 400, 8, 0.5, 1.8, 0.02]),
    )
    shift, width, pitch, blur = (float(v) for v in fit.x[:4])
    if not fit.success or float(np.sqrt(np.mean(fit.fun**2))) > 0.12:
        return None
    reach = 0.5 * (bands - 1) * (pitch if bands > 1 else 0.0) + 0.5 * width
    sector_columns = np.nonzero((columns.sector == sector) & columns.countable)[0]
    whole = float(np.mean([columns.edges[j][-1, 1] for j in sector_columns]))
    own_outer = float(np.mean([columns.edges[j][-1, 1] for j in picked]))
    return SideFit(
        sector=sector,
        bands=bands,
        width_px=width,
        pitch_px=pitch if bands > 1 else float("nan"),
        blur_px=blur,
        outer_px=middle + shift + reach,
        inner_px=middle + shift - reach,
        outer_over_all_px=middle + shift + reach + whole - own_outer,
    )
