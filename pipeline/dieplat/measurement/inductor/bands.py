"""Bands of metal in the unrolled winding: where they run in every column, and where that is undisturbed."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy import ndimage, optimize

from dieplat.errors import UndecidedError
from dieplat.measurement.inductor.metal import Image
from dieplat.measurement.inductor.surroundings import half_level_runs, main_clusters, usual_gap
from dieplat.measurement.inductor.unwrap import Floats, Frame, sector_of, unwrap

Ints = np.ndarray[tuple[int, ...], np.dtype[np.intp]]
STEP_PX = 0.5
ROUND_SLICES = 36
# Runs within these factors of the usual width are taken as conductor, others as leads or damage.
LEAST_PART, MOST_PART = 0.6, 1.5
# A gap may differ from the usual one by this part of it and a pixel more (a taper does).
GAP_PART, GAP_MORE_PX = 0.35, 1.0
# From column to column a band moves by less than this part of the pitch, unless another one takes its place.
JUMP_PART = 0.2
# Stretches shorter than half a pitch lie within what disturbs them, an underpass or a via.
SHORTEST_PART = 0.5
# A port or a crossing leaves fewer bands undisturbed over no more than this part of the circle.
LACKING_PART = 0.16
# What is disturbed with it, on both sides of such a stretch, comes to no more than this in all.
BETWEEN_PART = 0.2
# Two stretches with all bands are told from a short one between them by being this many times as long.
MUCH_LONGER = 2.0
# Parts of the circle: at least seen undisturbed in all, and at most hidden in one piece.
LEAST_SEEN, LONGEST_UNSEEN = 0.5, 0.2


@dataclass(frozen=True, slots=True, eq=False)
class Columns:
    """The unrolled winding. `soft`, `dark` are (distance, angle); `edges[j]` is an (n, 2) array of band edges in px.

    Bands are numbered from the outside, as `edges` are not: `bands(j)` turns them round.
    """

    frame: Frame
    distance: Floats
    angle: Floats
    sector: Ints
    off_normal: Floats
    soft: Image
    dark: Image
    edges: tuple[Floats, ...]
    width_px: float
    spacing_px: float

    @property
    def pitch_px(self) -> float:
        return self.width_px + self.spacing_px

    def bands(self, column: int) -> Floats:
        """Edges of one column's bands, the outermost first."""
        return self.edges[column % len(self.edges)][::-1]

    def middles(self, column: int) -> Floats:
        """Middles of one column's bands, the outermost first."""
        return np.asarray(self.bands(column).mean(axis=1))


@dataclass(frozen=True, slots=True, eq=False)
class Island:
    """Neighbouring columns, all undisturbed and alike: from `first` on, bands' middles (columns, bands)."""

    first: int
    middles: Floats

    @property
    def last(self) -> int:
        return self.first + len(self.middles) - 1

    @property
    def bands(self) -> int:
        return int(self.middles.shape[1])


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
            runs = half_level_runs(profile / max(float(profile.max()), 0.3), distance)
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


def _directions(reach: float) -> Floats:
    count = max(180, round(2 * np.pi * reach / 1.2))
    return (np.arange(count) + 0.5) * 2 * np.pi / count


def find_bands(soft: Image, dark: Image, frame: Frame, reach: float) -> Columns:
    """Unroll the winding and find the bands of every column; `soft`, `dark` as in `MetalImage`.

    Raises
    ------
    UndecidedError
        If most columns show no band, or few show two.
    """
    distance, angle = np.arange(2.0, reach, STEP_PX), _directions(reach)
    sector, off = sector_of(frame, angle)
    flat = _unrolled(soft, frame, angle, distance)
    found = [half_level_runs(flat[:, j], distance) for j in range(len(angle))]
    if sum(map(len, found)) < 0.5 * len(angle):
        raise UndecidedError("no winding is seen inside the outline")
    spacing = usual_gap(found)
    if not np.isfinite(spacing):
        raise UndecidedError("no two bands lie side by side, so the spacing is not seen")
    parts = main_clusters(found, spacing)
    edges = [e[a:b] for e, (a, b) in zip(found, parts, strict=True)]
    spacing = float(np.median(np.concatenate([e[1:, 0] - e[:-1, 1] for e in edges])))
    width = float(np.median(np.concatenate([e[:, 1] - e[:, 0] for e in edges])))
    edges = _without_leads(edges, width, spacing)
    return Columns(
        frame, distance, angle, sector, off, flat, unwrap(dark, frame, angle, distance), tuple(edges), width, spacing
    )


def seen_on(columns: Columns, sharp: Image) -> Columns:
    """The same columns with their bands, `soft` taken from another picture of the winding."""
    return replace(columns, soft=_unrolled(sharp, columns.frame, columns.angle, columns.distance))


def _unrolled(soft: Image, frame: Frame, angle: Floats, distance: Floats) -> Image:
    flat = unwrap(soft, frame, angle, distance)
    # Three columns together: noise falls, and no detail of a conductor is as short as that.
    return ((np.roll(flat, 1, axis=1) + flat + np.roll(flat, -1, axis=1)) / 3).astype(np.float32)


def _without_leads(edges: list[Floats], width: float, spacing: float) -> list[Floats]:
    """Drop outermost runs that are leads leaving along a tangent: further out than the outermost edges elsewhere.

    Where these do not agree all round (a spiral that drifts inwards), the lead is told by its gap alone.
    """
    outer = np.array([e[-1, 1] for e in edges if len(e)])
    middle = float(np.median(outer))
    spread = 1.4826 * float(np.median(np.abs(outer - middle)))
    most_outer = middle + max(5 * spread, 0.25 * width, 1.0)
    steps = spread < 0.1 * (width + spacing)
    return [e[:-1] if len(e) > 1 and steps and e[-1, 1] > most_outer else e for e in edges]


def is_regular(edges: Floats, width: float, spacing: float) -> bool:
    """Whether every band and every gap of a column is about as wide as usual."""
    if len(edges) == 0:
        return False
    own = (edges[:, 1] - edges[:, 0]) / width
    off = np.abs(edges[1:, 0] - edges[:-1, 1] - spacing)
    narrow = bool(((own > LEAST_PART) & (own < MOST_PART)).all())
    return narrow and (len(edges) == 1 or bool((off <= GAP_PART * spacing + GAP_MORE_PX).all()))


def find_islands(columns: Columns) -> list[Island]:
    """Stretches of undisturbed columns that show the same bands, in order round the circle.

    Raises
    ------
    UndecidedError
        If the bands close on themselves, or too much of them is hidden.
    """
    n = len(columns.angle)
    regular = [is_regular(e, columns.width_px, columns.spacing_px) for e in columns.edges]
    joined = np.zeros(n, dtype=bool)
    for j in range(n):
        a, b = columns.middles(j - 1), columns.middles(j)
        joined[j] = (
            regular[j - 1]
            and regular[j]
            and len(a) == len(b)
            and bool((np.abs(a - b) < JUMP_PART * columns.pitch_px).all())
        )
    starts = [j for j in range(n) if regular[j] and not joined[j]]
    if not starts:
        raise UndecidedError("the bands close on themselves everywhere: no end of a conductor is seen")
    islands = []
    shortest = max(4.0, SHORTEST_PART * columns.pitch_px * n / (2 * np.pi * columns.distance[-1]))
    for start in starts:
        stop = start + 1
        while joined[stop % n] and stop - start < n:
            stop += 1
        if stop - start >= shortest:
            islands.append(Island(start, np.array([columns.middles(j) for j in range(start, stop)])))
    check_seen(islands, n)
    return _without_lacking(islands, n, 2 * shortest)


def check_seen(islands: list[Island], columns: int) -> None:
    """Refuse a winding of which too much is disturbed for a missing end to be noticed."""
    if not islands or sum(len(one.middles) for one in islands) < LEAST_SEEN * columns:
        raise UndecidedError("the bands are disturbed over too much of the winding to follow the conductor")
    gaps = [((b.first - a.last) % columns or columns) for a, b in zip(islands, islands[1:] + islands[:1], strict=True)]
    if max(gaps) > LONGEST_UNSEEN * columns:
        raise UndecidedError("a part of the winding is hidden, and a turn could end in it")


def mean_bands(columns: Columns) -> float:
    """Mean number of bands over all directions, a disturbed one counted as the nearest undisturbed one.

    A conductor that winds by an angle a is met by a / 2 pi of all rays: an estimate of the turns that knows
    nothing of sides or joints.
    """
    n = len(columns.angle)
    regular = np.array([is_regular(e, columns.width_px, columns.spacing_px) for e in columns.edges])
    if not regular.any():
        return float("nan")
    nearest = ndimage.distance_transform_edt(~np.tile(regular, 3), return_distances=False, return_indices=True)[0]
    counts = np.array([len(e) for e in columns.edges])
    return float(counts[nearest[n : 2 * n] % n].mean())


def _without_lacking(islands: list[Island], columns: int, pitch: float) -> list[Island]:
    """Leave out short stretches with fewer bands than longer ones on both sides: a port, a crossing, a notch, dirt.

    One shorter than a pitch (`pitch` columns) is compared with its next neighbours, however long these are. What they
    show is part of what the joint between the others is judged by.
    """
    longest = LACKING_PART * columns
    for k, one in enumerate(islands):
        length = len(one.middles)
        enough = min(longest, MUCH_LONGER * length)
        others = [*islands[k + 1 :], *islands[:k]]
        sides = [others] if length <= pitch else []
        sides.append([other for other in others if len(other.middles) > enough])
        for near in sides:
            if length > longest or not near or one.bands >= min(near[0].bands, near[-1].bands):
                continue
            # Many short stretches between two long ones are the winding itself, not something on it.
            if ((near[0].first - near[-1].last) % columns or columns) <= BETWEEN_PART * columns:
                return _without_lacking([*islands[:k], *islands[k + 1 :]], columns, pitch)
    return islands
