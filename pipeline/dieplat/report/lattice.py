"""The lattice that was counted, as lines to lay over a picture."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import shapely
from shapely.geometry import LineString, MultiLineString, box
from shapely.geometry.base import BaseGeometry


@dataclass(frozen=True, slots=True)
class DrawnBank:
    """A bank's first corner in mosaic pixels, and its count of cells."""

    x_px: float
    y_px: float
    columns: int
    rows: int


@dataclass(frozen=True, slots=True)
class DrawnLattice:
    """Pitches in pixels, the rows' direction in degrees (from x towards y), and the banks."""

    pitch_px: tuple[float, float]
    rotation_deg: float
    banks: tuple[DrawnBank, ...]

    def frames(self) -> BaseGeometry:
        """The outline of every bank."""
        return MultiLineString([self._frame(bank) for bank in self.banks])

    def lines_in(self, window: tuple[float, float, float, float]) -> BaseGeometry:
        """The borders of all cells inside a window (x0, y0, x1, y1)."""
        found = []
        for bank in self.banks:
            if not self._frame(bank).convex_hull.intersects(box(*window)):
                continue
            for column in range(bank.columns + 1):
                found.append(LineString([self._place(bank, column, 0), self._place(bank, column, bank.rows)]))
            for row in range(bank.rows + 1):
                found.append(LineString([self._place(bank, 0, row), self._place(bank, bank.columns, row)]))
        # One by one: as a whole they would be cut at every crossing.
        cut = shapely.intersection(found, box(*window))
        return MultiLineString([line for line in cut if line.geom_type == "LineString" and not line.is_empty])

    def _frame(self, bank: DrawnBank) -> LineString:
        corners = [(0, 0), (bank.columns, 0), (bank.columns, bank.rows), (0, bank.rows), (0, 0)]
        return LineString([self._place(bank, u, v) for u, v in corners])

    def _place(self, bank: DrawnBank, u: float, v: float) -> tuple[float, float]:
        turn = math.radians(self.rotation_deg)
        along, down = u * self.pitch_px[0], v * self.pitch_px[1]
        return (
            bank.x_px + along * math.cos(turn) - down * math.sin(turn),
            bank.y_px + along * math.sin(turn) + down * math.cos(turn),
        )


def drawn_lattice(array: Mapping[str, Any], um_per_px: tuple[float, float]) -> DrawnLattice:
    """The lattice of an `array` of measurements.json."""
    banks = tuple(
        DrawnBank(bank["bounds_px"][0], bank["bounds_px"][1], bank["columns"], bank["rows"])
        for bank in array.get("bank_list") or ()
    )
    pitch_px = array["pitch_x_um"] / um_per_px[0], array["pitch_y_um"] / um_per_px[1]
    return DrawnLattice(pitch_px, array.get("rotation_deg") or 0.0, banks)
