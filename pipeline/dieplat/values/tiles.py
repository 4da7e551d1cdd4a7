"""Tiles as found in a folder."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

MAX_COLUMNS = 1_000_000
"""More tiles in a row than this are a slip of the pen."""


@dataclass(frozen=True, slots=True)
class Skipped:
    """A file that was left out, and why."""

    name: str
    reason: str


@dataclass(frozen=True, slots=True)
class Tile:
    """One picture of the survey. `row`, `column` are its nominal place in the grid, from zero."""

    name: str
    path: Path
    row: int
    column: int
    order: int
    """Place in the order of capture, from zero."""
    series: tuple[Path, ...] = ()
    """Pictures of this field at different focus settings that are yet to be fused, by setting; else empty."""
    stage: tuple[float, float] | None = None
    """The stage's position (x, y) as the file's metadata has it, in a unit and with axes of its own."""

    coarse_px: tuple[float, float] | None = None
    """The corner (x, y) to a few pixels, where the pictures gave it because rows and columns are no even grid."""

    place_u_px: float = 0.0
    """Standard uncertainty (x and y) of where what it shows lies in it, if pictures were brought over each other."""

    unproven: bool = False
    """Whether nothing but small pictures placed it, so that those at full size must bear it out."""

    @property
    def pictures(self) -> tuple[Path, ...]:
        """Every file that this tile rests on."""
        return self.series or (self.path,)


@dataclass(frozen=True, slots=True)
class TileSet:
    """Tiles of one size, depth and channel count.

    `channels` is 1 (grey) or 3 (RGB); `dtype` is "uint8" or "uint16". `grid_source` says where the
    grid came from: "names", "order", "option", "metadata" or "pictures".
    """

    tiles: tuple[Tile, ...]
    height_px: int
    width_px: int
    channels: int
    dtype: str
    rows: int
    columns: int
    grid_source: str
    skipped: tuple[Skipped, ...] = ()
