"""Widths, gaps and diameters from bars with blurred edges, fitted to the mean profile of every side."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import optimize, special, stats

from dieplat.errors import UndecidedError
from dieplat.measurement.inductor.bands import Columns, Ints, is_regular
from dieplat.measurement.inductor.unwrap import Floats, Frame

MOST_MISFIT = 0.12
# What is left of an edge's bias after the fit, found on drawn pictures; it is the same for all sides. That of the
# outermost edge, with a gap on one side only, is greater; a pitch is free of it.
EDGE_U_PX, OUTERMOST_U_PX, PITCH_U_PX = 0.004, 0.013, 0.002
# What lies this many deviations off a side's columns is dirt or a layer below; their scatter is taken as no less than
# this part of the step.
DIRT_DEVIATIONS, LEAST_SCATTER = 3.0, 0.02
COVERED = 0.95
# Chance makes sides differ by as much as these levels once in twenty, once in a hundred windings.
LIKELY, SURE = 0.95, 0.99
# A diameter and the centre's place are found from the sides' distances together.
CENTRE_FREEDOMS = 3
# A step blurred by a Gaussian has its height over this many blurs as its slope.
SLOPE_BLURS = float(np.sqrt(2 * np.pi))


@dataclass(frozen=True, slots=True, eq=False)
class Side:
    """One side's bars, the outermost first: widths, the gaps between them, the outermost and innermost edge (px).

    `drift_px`: how much further out the outermost edge lies on the mean over the whole sector.
    """

    sector: int
    widths: Floats
    gaps: Floats
    outer_px: float
    inner_px: float
    blur_px: float
    drift_px: float

    @property
    def bands(self) -> int:
        return len(self.widths)

    @property
    def distances_px(self) -> Floats:
        """Of the bars' middles from the centre."""
        pitches = 0.5 * (self.widths[:-1] + self.widths[1:]) + self.gaps
        return np.asarray(self.outer_px - 0.5 * self.widths[0] - np.concatenate([[0.0], np.cumsum(pitches)]))


@dataclass(frozen=True, slots=True)
class Mean:
    """A mean with its standard uncertainty."""

    value: float
    u: float


def fit_sides(columns: Columns) -> list[Side]:
    """Fit every side that shows one count of bands.

    An edge blurred by the optics is an error function; a bar is the difference of two. Fitting bars with
    their blur leaves width and gap unbiased where they are no wider than a few times the blur, which a
    half-level crossing does not.
    """
    frame = columns.frame
    step = 2 * np.pi / frame.sectors
    part = 0.38 if frame.sides else 0.5
    regular = np.array([is_regular(e, columns.width_px, columns.spacing_px) for e in columns.edges])
    counts = np.array([len(e) for e in columns.edges])
    found = []
    for k in range(frame.sectors):
        chosen = np.nonzero((columns.sector == k) & (np.abs(columns.off_normal) < part * step) & regular)[0]
        if len(chosen) < 5:
            continue
        bands = int(np.bincount(counts[chosen]).argmax())
        picked = chosen[counts[chosen] == bands]
        if len(picked) >= 5:
            fit = _fit_side(columns, k, bands, picked, regular)
            if fit is not None:
                found.append(fit)
    return found


def blur_of(sides: list[Side]) -> float:
    """The blur that most sides have (px), 0 where none was fitted."""
    return float(np.median([side.blur_px for side in sides])) if sides else 0.0


def _profile(columns: Columns, picked: Ints) -> tuple[Floats, float, Ints]:
    """The side's mean profile, its middle, and which columns it was taken from.

    Columns are moved onto one another by the line through their own middles, which follows drift and tilt; those
    off that line (where the winding steps) are left out.
    """
    own = np.array([columns.edges[j].mean() for j in picked])
    off = columns.off_normal[picked]
    keep = np.ones(len(own), dtype=bool)
    tilt = np.zeros(2)
    for _ in range(3):
        tilt = np.polyfit(off[keep], own[keep], 1)
        miss = np.abs(own - np.polyval(tilt, off))
        keep = miss < max(3 * 1.4826 * float(np.median(miss[keep])), 0.25)
        if keep.sum() < 5:
            keep[:] = True
            break
    line = np.polyval(tilt, off)
    middle, at = float(line[keep].mean()), columns.distance
    shifted = [
        np.interp(at + o - middle, at, columns.soft[:, j]) for o, j in zip(line[keep], picked[keep], strict=True)
    ]
    return _undisturbed_mean(np.array(shifted)), middle, picked[keep]


def _undisturbed_mean(stack: Floats) -> Floats:
    """Mean over the columns (N, D) at every distance, without what dirt or a layer below does to a few of them."""
    middle = np.median(stack, axis=0)
    off = np.abs(stack - middle)
    # Blur and a column's own slant make all of an edge scatter; the flat parts' scatter alone would cut edges off.
    usual = 1.4826 * np.median(off, axis=0)
    kept = off <= DIRT_DEVIATIONS * np.maximum(usual, LEAST_SCATTER)
    return np.asarray((stack * kept).sum(axis=0) / kept.sum(axis=0))


def _fit_side(
    columns: Columns, sector: int, bands: int, picked: Ints, regular: np.ndarray[tuple[int, ...], np.dtype[np.bool_]]
) -> Side | None:
    profile, middle, picked = _profile(columns, picked)
    first = np.mean([columns.edges[j] - columns.edges[j].mean() for j in picked], axis=0)
    margin = 0.9 * columns.spacing_px
    x = columns.distance - middle
    use = (x > first[0, 0] - margin) & (x < first[-1, 1] + margin)
    x, y = x[use], profile[use]

    def model(p: Floats) -> Floats:
        edges, (blur, low, high, slope) = p[:-4].reshape(-1, 2), p[-4:]
        scaled = (x[:, None, None] - edges) / (blur * np.sqrt(2))
        steps = special.erf(scaled)
        bars = (steps[:, :, 0] - steps[:, :, 1]).sum(axis=1)
        return np.asarray(low + (high - low + slope * x) * bars / 2)

    start = np.concatenate([first.ravel(), [1.0, 0.0, 1.0, 0.0]])

    def misfit(p: Floats) -> Floats:
        return np.asarray(model(p) - y)

    fit = optimize.least_squares(
        misfit,
        start,
        x_scale=np.concatenate([np.ones(2 * bands), [1.0, 0.1, 0.1, 0.01]]),
        bounds=(
            np.concatenate([start[:-4] - 4, [0.25, -0.5, 0.5, -0.02]]),
            np.concatenate([start[:-4] + 4, [8, 0.5, 1.8, 0.02]]),
        ),
    )
    edges = fit.x[:-4].reshape(-1, 2)
    widths, gaps = edges[:, 1] - edges[:, 0], edges[1:, 0] - edges[:-1, 1]
    if not fit.success or float(np.sqrt(np.mean(fit.fun**2))) > MOST_MISFIT or min(widths.min(), *gaps, 9.0) <= 0.5:
        return None
    inside = np.nonzero((columns.sector == sector) & regular)[0]
    whole = float(np.mean([columns.edges[j][-1, 1] for j in inside]))
    own = float(np.mean([columns.edges[j][-1, 1] for j in picked]))
    bent = np.zeros(2) if columns.frame.sides else float(fit.x[-4]) ** 2 / 2 / (middle + edges[[-1, 0], [1, 0]])
    return Side(
        sector=sector,
        widths=widths[::-1],
        gaps=gaps[::-1],
        outer_px=middle + float(edges[-1, 1]) + float(bent[0]),
        inner_px=middle + float(edges[0, 0]) + float(bent[1]),
        blur_px=float(fit.x[-4]),
        drift_px=whole - own,
    )


def _agreeing(data: Floats) -> Floats:
    """The values within three deviations (by their median) of the median."""
    off = np.abs(data - np.median(data))
    return np.asarray(data[off <= 3 * 1.4826 * np.median(off) + 0.05])


def mean_of(values: list[float], *, floor: float = EDGE_U_PX, every: bool = False) -> Mean:
    """Mean; values three deviations off the median only count if `every`.

    The uncertainty is that of the mean by its scatter, widened by Student's factor so that 1.96 of it cover 95 %
    (JCGM 100, G.3), or `floor` where chance makes that smaller.
    """
    data = np.array(values)
    kept = data if every else _agreeing(data)
    if len(kept) < 2:
        return Mean(float(kept.mean()), 0.3)
    scatter = _student(len(kept) - 1) * kept.std(ddof=1) / np.sqrt(len(kept))
    return Mean(float(kept.mean()), float(max(scatter, floor)))


@dataclass(frozen=True, slots=True)
class Sizes:
    """What the sides together give, in square pixels; tapers are changes a turn inwards, None where not seen.

    `first_width_px`: the outermost turn's width, by the taper of all.
    """

    outer: Mean
    inner: Mean
    width: Mean
    spacing: Mean
    width_taper: Mean | None
    spacing_taper: Mean | None
    first_width_px: float


def sizes(columns: Columns, sides: list[Side], turns: float, *, symmetric: bool, off: float = 0.0) -> Sizes:
    """Diameters, width and spacing over all sides.

    `off` is by what part of the step the level of all edges may be off, in one sense (k = 1). Both edges of a bar then
    move apart or together by it over the slope, which is the step over sqrt(2 pi) blurs; a pitch is free of it.

    Raises
    ------
    UndecidedError
        If too few sides are undisturbed, or the innermost edges contradict the count of turns.
    """
    if len(sides) < 0.5 * columns.frame.sectors:
        raise UndecidedError("too few sides show undisturbed bands to measure them")
    many = [s for s in sides if s.bands > 1]
    if not many:
        raise UndecidedError("no side shows two bands, so the spacing is not seen")
    width = _over_all([s.widths for s in sides])
    spacing = _over_all([s.gaps for s in many])
    noise = _noise(sides)
    pitch = width.value + spacing.value
    full = [s for s in sides if s.bands == round(turns)] if symmetric else sides
    if len(full) < 2:
        raise UndecidedError("too few sides show all bands")
    edges = np.array([s.outer_px for s in full])
    # A side on which the winding steps inwards does not show the full diameter; a drifting one has no other.
    low = edges < np.median(edges) - 0.2 * pitch
    steps = bool(np.median(np.abs(edges - np.median(edges))) < 0.07 * pitch)
    own = [s for s, is_low in zip(full, low, strict=True) if not (is_low and steps and low.mean() < 0.3)]
    drift = np.array([0.0 if steps or columns.frame.sides else s.drift_px for s in own])
    # A side with more bands than there are turns has its innermost edge as many pitches further in.
    more = np.array([s.bands - turns for s in own])
    pitches = mean_of([float((s.widths[:-1] + s.gaps).mean()) for s in many], floor=PITCH_U_PX)
    # A gap is the pitch less the width, whose errors have nothing to do with one another.
    spacing = Mean(spacing.value, max(spacing.u, float(np.hypot(pitches.u, width.u))))
    outermost, innermost = (np.array([getattr(s, f"{e}_px") for s in own]) + drift for e in ("outer", "inner"))
    even = steps or symmetric
    outer, inner = (
        _diameter(columns.frame, own, at + pitches_in * pitch, noise / float(np.sqrt(at.mean())), even=even)
        for at, pitches_in in ((outermost, 0.0), (innermost, more))
    )
    inner = Mean(inner.value, float(np.hypot(inner.u, 2 * more.mean() * pitches.u)))
    _check_inner(full, outer.value - 2 * turns * width.value - 2 * (turns - 1) * spacing.value, turns, pitch)
    # Of a bar both edges may be off, and of a diameter.
    off_px = 2 * SLOPE_BLURS * off * blur_of(sides)
    outer, inner, width, spacing = (Mean(m.value, float(np.hypot(m.u, off_px))) for m in (outer, inner, width, spacing))
    taper = _taper([s.widths for s in sides])
    slope = 0.0 if taper is None else taper.value
    first = float(np.mean([s.widths.mean() - slope * (s.bands - 1) / 2 for s in sides]))
    return Sizes(outer, inner, width, spacing, taper, _taper([s.gaps for s in many]), first)


def _diameter(frame: Frame, sides: list[Side], edges: Floats, noise: float, *, even: bool) -> Mean:
    """Twice the mean distance of the outermost or innermost edges, with what the sides scatter but for the centre's
    own error; `even`: it is the same on all sides.

    That error moves opposite sides against one another and cancels in a diameter. An edge's `noise` is that of all
    bars, unless the sides differ by more than chance lets it.
    """
    if not even or len(edges) <= CENTRE_FREEDOMS:
        # The sides of a winding that drifts differ of themselves; of very few the centre's error is not known.
        floor = 2 * float(np.hypot(OUTERMOST_U_PX, noise / np.sqrt(len(edges))))
        return mean_of(list(2 * edges), floor=floor, every=not even)
    normal = frame.normal + np.array([s.sector for s in sides]) * 2 * np.pi / frame.sectors
    design = np.column_stack([np.ones(len(edges)), np.cos(normal), np.sin(normal)])
    start = np.array([np.median(edges), 0.0, 0.0])

    def residual(p: Floats) -> Floats:
        return np.asarray(design @ p - edges)

    robust = optimize.least_squares(residual, start, loss="soft_l1", f_scale=0.1).x
    off = np.abs(residual(robust))
    kept = off <= 3 * 1.4826 * np.median(off) + 0.05
    if kept.sum() <= CENTRE_FREEDOMS:
        kept[:] = True
    design, edges = design[kept], edges[kept]
    free = len(edges) - CENTRE_FREEDOMS
    fit = np.linalg.lstsq(design, edges)[0]
    scatter = float(np.sqrt(((edges - design @ fit) ** 2).sum() / free))
    deviation = noise
    if scatter > deviation * _chance(free, SURE):
        deviation = scatter
    return Mean(2 * float(fit[0]), 2 * float(np.hypot(OUTERMOST_U_PX, deviation / np.sqrt(len(edges)))))


def _over_all(rows: list[Floats]) -> Mean:
    """Mean over all sides' bars (or gaps).

    Its uncertainty is that of so many bars by their deviation within each turn, so that a taper does not count, unless
    the sides as wholes differ by more than chance lets them.
    """
    turns = [_agreeing(np.array([r[k] for r in rows if len(r) > k])) for k in range(max(map(len, rows)))]
    free = sum(len(one) - 1 for one in turns)
    squares = sum(float(((one - one.mean()) ** 2).sum()) for one in turns)
    noise = float(np.sqrt(squares / free)) if free > 0 else 0.0
    alone = noise / float(np.sqrt(sum(map(len, rows))))
    mean = mean_of([float(r.mean()) for r in rows], floor=0.0)
    between = mean.u / _student(len(rows) - 1)
    own = mean.u if between > alone * _chance(len(rows) - 1, LIKELY) else alone * _student(free)
    return Mean(mean.value, float(np.hypot(EDGE_U_PX, own)))


def _student(free: int) -> float:
    """By how much a scatter of so many degrees of freedom is widened for 1.96 of it to cover 95 % (JCGM 100, G.3)."""
    return float(stats.t.ppf(0.5 + COVERED / 2, max(free, 1)) / stats.norm.ppf(0.5 + COVERED / 2))


def _chance(free: int, level: float) -> float:
    """Up to what ratio chance raises a scatter of so many degrees of freedom."""
    return float(np.sqrt(stats.chi2.ppf(level, max(free, 1)) / max(free, 1)))


def _noise(sides: list[Side]) -> float:
    """Deviation of one edge's place at a pixel's distance from the centre, times the root of the distance.

    By the widths within each turn: a bar has two edges, and is seen over a length that grows with its distance.
    """
    squares, free = 0.0, 0
    for turn in range(max(s.bands for s in sides)):
        seen = [s for s in sides if s.bands > turn]
        widths = np.array([s.widths[turn] for s in seen])
        kept = np.isin(widths, _agreeing(widths))
        distance = float(np.mean([s.distances_px[turn] for s in seen]))
        squares += distance * float(((widths[kept] - widths[kept].mean()) ** 2).sum()) / 2
        free += int(kept.sum()) - 1
    return float(np.sqrt(squares / free)) if free > 0 else 0.0


def _check_inner(sides: list[Side], counted: float, turns: float, pitch: float) -> None:
    """An independent check of the count: the innermost edges all round, a missing band on a side by its pitch."""
    seen = np.array([2 * (s.inner_px + (s.bands - turns) * pitch) for s in sides])
    if abs(float(np.median(seen)) - counted) > 0.5 * pitch + 1.0:
        raise UndecidedError("the diameters do not agree with the count of turns")


def _taper(rows: list[Floats]) -> Mean | None:
    """Change from one turn to the next one inside."""
    slopes = [float(np.polyfit(np.arange(len(r)), r, 1)[0]) for r in rows if len(r) > 1]
    return mean_of(slopes) if len(slopes) > 2 else None
