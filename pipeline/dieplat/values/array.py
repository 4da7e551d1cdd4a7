"""The lattice of a memory array as read from a picture."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Bank:
    """One uninterrupted block of cells: corner pixels (x0, y0, x1, y1) and its count of columns and rows."""

    bounds_px: tuple[float, float, float, float]
    columns: int
    rows: int


@dataclass(frozen=True, slots=True)
class ArrayLattice:
    """Pitches in pixels along x and y with standard uncertainties, the lattice's rotation, and its banks.

    `mirrored_x`/`mirrored_y` are true when neighbouring cells are mirror images, so that the picture's own
    period is two cells; the pitch is always one cell. `columns` and `rows` count the cells of the whole
    array, `cells` those that are present in the banks. `other_factors` are what the count is multiplied by if a cell
    that is its own mirror image, or a pair that looks like one cell, was taken the wrong way.
    """

    pitch_x_px: float
    pitch_x_px_u: float
    pitch_y_px: float
    pitch_y_px_u: float
    rotation_deg: float
    columns: int
    rows: int
    cells: int
    banks: tuple[Bank, ...]
    mirrored_x: bool = False
    mirrored_y: bool = False
    remarks: tuple[str, ...] = ()
    other_factors: tuple[float, ...] = ()
