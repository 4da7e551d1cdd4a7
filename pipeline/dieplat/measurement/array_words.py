"""Gaps between the banks of an array, and why one memory can look like several arrays, in plain words."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from dieplat.values import ArrayLattice, Bank

STRAP_PITCHES = 4.0
"""Up to so many cells wide a gap is called narrow (choice of ours: a strap is a line or two, a row of drivers or
sense amplifiers is several cells high; common practice, no source)."""
EDGE_U = 0.2
"""Standard uncertainty of a bank's edge, in pitches: where a cell begins cannot be seen in a repeating pattern (0.35
pitches is the limit that the tests hold)."""


@dataclass(frozen=True, slots=True)
class Gap:
    """Stripes between neighbouring banks along one axis, of about equal width."""

    axis: str
    width_um: float
    width_um_u: float
    pitches: float
    count: int


def gaps_between(lattice: ArrayLattice, pitch_um: tuple[float, float]) -> tuple[Gap, ...]:
    """The gaps between banks, alike ones counted together."""
    found: list[Gap] = []
    for axis, name in ((0, "x"), (1, "y")):
        pitch_px = (lattice.pitch_x_px, lattice.pitch_y_px)[axis]
        widths = sorted(width / pitch_px for width in _widths(lattice.banks, axis))
        while widths:
            alike = [width for width in widths if width - widths[0] <= 4 * EDGE_U]
            mean = sum(alike) / len(alike)
            u = EDGE_U * math.sqrt(2.0)
            found.append(Gap(name, mean * pitch_um[axis], u * pitch_um[axis], mean, len(alike)))
            widths = widths[len(alike) :]
    return tuple(found)


def _widths(banks: Sequence[Bank], axis: int) -> list[float]:
    """Widths in pixels of the stripes between banks that lie side by side along an axis."""
    spans = sorted({_span(bank, axis) for bank in banks})
    merged: list[tuple[float, float]] = []
    for low, high in spans:
        # Banks one above the other share a span, but for what rotation and the edges' uncertainty make of it.
        if merged and low < merged[-1][1]:
            merged[-1] = (min(merged[-1][0], low), max(merged[-1][1], high))
        else:
            merged.append((low, high))
    sizes = [b[0] - a[1] for a, b in pairwise(merged)]
    return [size for size in sizes if size > 0]


def _span(bank: Bank, axis: int) -> tuple[float, float]:
    low, high = bank.bounds_px[axis], bank.bounds_px[axis + 2]
    return (min(low, high), max(low, high))


def explain_banks(lattice: ArrayLattice, gaps: Sequence[Gap]) -> tuple[str, ...]:
    """Why the cells lie in several banks, for a reader who has never seen a memory."""
    if len(lattice.banks) < 2:
        return (
            "All cells lie in one bank. If the data sheet names a larger memory, the rest is in other arrays of the "
            "chip: a memory is usually cut into several, and their cells add up.",
        )
    said = [
        f"The cells lie in {len(lattice.banks)} banks. A memory is cut into banks because a long line is slow: every "
        "cell on it must be driven or listened to at once. So one memory of the data sheet can look like several "
        "arrays here, and several arrays drawn apart can be one memory; their cells add up."
    ]
    for gap in gaps:
        times = "one gap is" if gap.count == 1 else f"{gap.count} gaps are"
        across = "side by side" if gap.axis == "x" else "one above the other"
        if gap.pitches <= STRAP_PITCHES:
            what = (
                "narrow, as for straps: metal that ties the cells' supply, wells or select lines down at regular places"
            )
        else:
            what = (
                "wide enough for circuits: drivers or sense amplifiers, which banks on both sides often share; "
                "they belong to the memory but hold no bits"
            )
        said.append(f"Between banks {across}, {times} about {gap.pitches:.1f} cells wide: {what}.")
    return tuple(said)
