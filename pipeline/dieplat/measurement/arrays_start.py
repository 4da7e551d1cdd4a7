"""Lattices of an array to start from, the most trusted first.

The autocorrelation of all of the picture knows a lattice best. Where banks hold few cells and are out of step with one
another, it may meet chance instead; rows that are alike, or the picture's parts, then show another lattice, which is
tried where the first leads to no count.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from dieplat.errors import UndecidedError
from dieplat.measurement import arrays_few, arrays_period, arrays_phase

FloatArray = npt.NDArray[np.float32]
Matrix = npt.NDArray[np.float64]

WEAK = 0.1
"""Height of an autocorrelation's peaks below which cells stand out weakly, and chance may lift others (a choice of
ours, no source)."""
SAME, PART = 0.02, 0.05
"""Shares by which two lattices' periods differ at most to be the same, and to be whole numbers of one another: then
the other is a part of the first, or several, which the mean period itself is asked about (choices of ours, no
source)."""


@dataclass(frozen=True, slots=True, eq=False)
class Start:
    """Reciprocal vectors to start from, the phases and the flattened picture behind them.

    `strength` is how much the cells stand out, as `arrays_period.coarse_lattice` has it.
    """

    reciprocal: Matrix
    phase: arrays_phase.PhaseMap
    flat: FloatArray
    strength: float


def starts(picture: FloatArray, mask: npt.NDArray[np.bool_]) -> Iterator[Start]:
    """The lattices that a picture (H, W) shows inside a mask (H, W), the most trusted first, the same one once: as the
    autocorrelation has it and as phases advance it, where these differ.

    Raises
    ------
    UndecidedError
        If there is none.
    """
    tried: list[Matrix] = []
    for a_x, a_y, strength, in_step in _lattices(picture, mask):
        lengths = np.hypot(*np.stack([a_x, a_y], axis=1))
        if any(_akin(lengths, other) for other in tried):
            continue
        tried.append(lengths)
        flat = arrays_period.flatten(picture, mask, 5.0 * max(float(lengths.max()), 4.0))
        reciprocal = np.linalg.inv(np.stack([a_x, a_y], axis=1))
        phase = arrays_phase.demodulate(flat, reciprocal)
        if in_step:
            advanced = arrays_phase.advance(phase, reciprocal)
            if np.abs(np.hypot(*np.linalg.inv(advanced)) / lengths - 1.0).max() > SAME:
                # Banks out of step may pull phases further than an autocorrelation's peak can be off.
                yield Start(reciprocal, phase, flat, strength)
                tried.append(np.hypot(*np.linalg.inv(advanced)))
            reciprocal = advanced
        yield Start(reciprocal, phase, flat, strength)


def _lattices(picture: FloatArray, mask: npt.NDArray[np.bool_]) -> Iterator[tuple[Matrix, Matrix, float, bool]]:
    """Period vectors, how much they stand out, and whether the whole picture shows them.

    If only parts of it do, its banks are out of step and phases must not be carried from one to the next.
    """
    none: UndecidedError | None = None
    try:
        coarse = arrays_period.coarse_lattice(picture, mask)
    except UndecidedError as error:
        none = error
    weak = none is not None or coarse[2] < WEAK
    few = arrays_few.lattice_of_few(picture, mask) if weak else None
    if few is not None:
        yield *few, False
    elif none is None:
        yield *coarse, True
    few = few if weak else arrays_few.lattice_of_few(picture, mask)
    parts = arrays_period.lattice_of_parts(picture, mask)
    for found in (few, parts):
        if found is not None and min(np.hypot(*found[0]), np.hypot(*found[1])) >= arrays_period.PARTED_PERIOD_PX:
            yield *found, False
    if none is not None and few is None and parts is None:
        raise none


def _akin(one: Matrix, other: Matrix) -> bool:
    """Whether lattices with these two periods (2,) are the same, or one is a part of the other along an axis."""
    ratio = np.maximum(one, other) / np.minimum(one, other)
    whole = np.rint(ratio)
    if np.all(np.abs(ratio - 1.0) < SAME):
        return True
    return bool(np.any((whole > 1) & (np.abs(ratio / whole - 1.0) < PART)))
