"""The conductor's centre line as the segment sum takes it: traced or ideal, in space, with its widths."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy.linalg
import shapely

from dieplat.errors import SettingsError
from dieplat.inductance.crossings import with_underpasses
from dieplat.inductance.partial import Array
from dieplat.inductance.path import spiral_path
from dieplat.values.inductor import InductorGeometry

MOST_PIECES = 160
"""Pieces of a traced path kept for the segment sum; more cost time with the square and add no accuracy."""


@dataclass(frozen=True, slots=True, eq=False)
class CentreLine:
    """points_um: (N, 3); width_um: a number, or (N - 1,) where it tapers.

    `traced` tells a line that was drawn or found from the ideal spiral of a geometry.
    """

    points_um: Array
    width_um: float | Array
    traced: bool
    crossings: int = 0
    vias: int = 0
    remarks: tuple[str, ...] = ()

    @property
    def length_um(self) -> float:
        """Length along the line, vias included."""
        return float(np.sum(np.linalg.norm(np.diff(self.points_um, axis=0), axis=1)))

    @property
    def closed(self) -> bool:
        """Whether the line ends where it begins."""
        return bool(np.allclose(self.points_um[0], self.points_um[-1], rtol=0, atol=1e-6))


def centre_line(
    geometry: InductorGeometry, *, underpass_um: float, piece_widths_um: Sequence[float] | None = None
) -> CentreLine:
    """The line to sum over.

    Parameters
    ----------
    geometry : InductorGeometry
        With `path_um` that line, and with `piece_widths_um` its widths; else the ideal spiral of `spiral_path`.
    underpass_um : float
        Where a traced line crosses itself, one run goes this much below the other, middle to middle.
    piece_widths_um : sequence of float, optional
        A width for every piece of `path_um`, instead of the geometry's own; the line is then kept as it is.

    Raises
    ------
    SettingsError
        If the line or its widths cannot be those of a conductor.
    """
    if not geometry.path_um:
        if piece_widths_um is not None:
            raise SettingsError("inductor: widths were given piece by piece, but no path that has pieces")
        flat = spiral_path(geometry)
        return CentreLine(np.column_stack([flat, np.zeros(len(flat))]), geometry.width_um, traced=False)
    line = np.asarray(geometry.path_um, dtype=np.float64)
    if line.ndim != 2 or len(line) < 2 or not np.all(np.isfinite(line)):
        raise SettingsError("inductor: the path needs two or more points with finite coordinates")
    remarks: tuple[str, ...] = ()
    widths: float | Array = geometry.width_um
    if piece_widths_um is None:
        seen = line
        line, remarks = _without_noise(line, geometry.width_um)
        if geometry.piece_widths_um:
            widths = _widths_of(line, *_tapered(seen, geometry.piece_widths_um))
    else:
        line, widths = _tapered(line, piece_widths_um)
    if len(line) < 2:
        raise SettingsError("inductor: all points of the path coincide")
    level = with_underpasses(line, widths, depth_um=underpass_um)
    if isinstance(widths, np.ndarray):
        widths = widths[level.piece]
    if level.crossings:
        times = "once" if level.crossings == 1 else f"{level.crossings} times"
        remarks = (*remarks, f"the path crosses itself {times}; one run was led {underpass_um:.3g} um below the other")
    return CentreLine(level.points_um, widths, True, level.crossings, level.vias, remarks)


def coarser(line: CentreLine, most_pieces: int) -> Array:
    """The points of a line of even width with fewer pieces, vias kept, (M, 3).

    For what changes little from piece to piece, such as how current spreads over the section.
    """
    points = line.points_um
    level = np.flatnonzero(np.diff(points[:, 2]) != 0)
    runs = [run for run in np.split(points, level + 1) if len(run)]
    tolerance = float(np.max(line.width_um)) / 30
    while sum(map(len, runs)) - 1 > most_pieces and tolerance < np.max(line.width_um):
        tolerance *= 1.3
        runs = [
            np.column_stack([kept, np.full(len(kept), run[0, 2])])
            for run in runs
            for kept in [_simplified(run[:, :2], tolerance) if len(run) > 2 else run[:, :2]]
        ]
    return np.concatenate(runs)


def _without_noise(line: Array, width_um: float) -> tuple[Array, tuple[str, ...]]:
    # A thirtieth of the width moves L by less than 1e-3 and takes the noise of a traced line out.
    tolerance = width_um / 30
    kept = _simplified(line, tolerance)
    while len(kept) - 1 > MOST_PIECES:
        tolerance *= 1.5
        kept = _simplified(line, tolerance)
    if 2 < len(kept) < len(line):
        kept = _balanced(line, kept, width_um / 8)
    if tolerance > width_um / 4:
        return kept, (f"traced path simplified to {tolerance:.3g} um to keep {MOST_PIECES} pieces",)
    return kept, ()


def _balanced(line: Array, kept: Array, step_um: float) -> Array:
    """The points kept of a line, moved so that their pieces lie as much on one side of it as on the other.

    Chords of a bend lie all inside of it, and the coil would come out too small: a third of a percent. The points
    between both ends are those of the polygon that fits the line best in the sense of least squares.
    """
    along = _along(line)
    index, knots = 0, []
    for point in kept[:-1]:
        index += int(np.argmax(np.all(line[index:] == point, axis=1)))
        knots.append(along[index])
    knot = np.array([*knots, along[-1]])
    even = np.linspace(0.0, along[-1], min(20_000, 1 + int(along[-1] / step_um)))
    places = np.concatenate([even, knot])  # every point moves something, however short its pieces
    piece = np.clip(np.searchsorted(knot, places, side="right") - 1, 0, len(knot) - 2)
    part = (places - knot[piece]) / (knot[piece + 1] - knot[piece])
    count = len(knot)
    diagonal = np.bincount(piece, (1 - part) ** 2, count) + np.bincount(piece + 1, part**2, count)
    beside = np.bincount(piece, part * (1 - part), count)[:-1]
    seen = [np.interp(places, along, line[:, k]) for k in range(2)]
    right = np.stack(
        [np.bincount(piece, (1 - part) * v, count) + np.bincount(piece + 1, part * v, count) for v in seen], axis=1
    )
    right[1] -= beside[0] * kept[0]
    right[-2] -= beside[-1] * kept[-1]
    band = np.stack([np.concatenate([[0.0], beside[1:-1]]), diagonal[1:-1]])
    moved = kept.copy()
    moved[1:-1] = scipy.linalg.solveh_banded(band, right[1:-1])
    return moved


def _along(line: Array) -> Array:
    return np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])


def _simplified(line: Array, tolerance_um: float) -> Array:
    kept = np.asarray(shapely.LineString(line).simplify(tolerance_um, preserve_topology=False).coords)
    return np.asarray(kept[_distinct(kept)], dtype=np.float64)


def _distinct(line: Array) -> Array:
    return np.concatenate([[True], np.linalg.norm(np.diff(line, axis=0), axis=1) > 1e-9])


def _widths_of(line: Array, seen: Array, widths_um: Array) -> Array:
    """The widths of the pieces of a line with fewer points, by where their middles lie along the line as seen."""
    along, old = _along(line), _along(seen)
    middle = 0.5 * (along[1:] + along[:-1]) * old[-1] / along[-1]
    return np.asarray(widths_um[np.clip(np.searchsorted(old, middle) - 1, 0, len(widths_um) - 1)])


def _tapered(line: Array, piece_widths_um: Sequence[float]) -> tuple[Array, Array]:
    widths = np.asarray(piece_widths_um, dtype=np.float64)
    if widths.shape != (len(line) - 1,):
        raise SettingsError(
            f"inductor: {widths.size} widths for a path of {len(line) - 1} pieces; give one for each piece"
        )
    if not (np.all(np.isfinite(widths)) and np.all(widths > 0)):
        raise SettingsError("inductor: every piece's width must be a finite number above zero")
    kept = _distinct(line)
    return line[kept], widths[kept[1:]]
