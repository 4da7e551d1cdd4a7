"""Where every tile lies in the mosaic frame."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any, Literal

from dieplat.values.tiles import Skipped

PlacedBy = Literal["overlap", "stage", "tie"]


@dataclass(frozen=True, slots=True)
class PlacedTile:
    """A tile's top-left corner in mosaic pixels (x right, y down), with standard uncertainties."""

    name: str
    x_px: float
    y_px: float
    x_px_u: float
    y_px_u: float
    placed_by: PlacedBy
    ambiguous: bool = False
    alternatives: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True, slots=True)
class PairLink:
    """A measured offset of tile `b` from tile `a`, and how far the solved layout lies from it."""

    a: str
    b: str
    dx_px: float
    dy_px: float
    residual_px: float
    used: bool


@dataclass(frozen=True, slots=True)
class FusedTile:
    """A tile that was fused from a focus series, with the share of its pixels that each picture gave.

    Its geometry is that of the picture `reference`. `shift_px` and `magnification` tell how far the others had to be
    brought: the largest shift, and the magnification that differs most from 1; `align_u_px` is the largest standard
    uncertainty of that, at a corner of the tile.
    """

    name: str
    pictures: tuple[str, ...]
    shares: tuple[float, ...]
    reference: str
    shift_px: float
    magnification: float
    align_u_px: float

    @property
    def place_u_px(self) -> float:
        """Standard uncertainty of where the content lies in the tile: the others' in proportion to what they gave."""
        own = self.shares[self.pictures.index(self.reference)]
        return self.align_u_px * (1 - own)


@dataclass(frozen=True, slots=True)
class Layout:
    """The solved layout: mosaic size, tiles, pairs, and what was left out. `lens` is None or k1, k2, ...

    `notes` say how the lens was decided; `camera_to_stage_deg` is the turn of the stage's axes against the camera's,
    x towards y, or None where the tiles do not tell.
    """

    width_px: int
    height_px: int
    tile_width_px: int
    tile_height_px: int
    tiles: tuple[PlacedTile, ...]
    pairs: tuple[PairLink, ...]
    skipped: tuple[Skipped, ...]
    rms_residual_px: float
    lens: dict[str, float] | None = None
    notes: tuple[str, ...] = ()
    fused: tuple[FusedTile, ...] = ()
    camera_to_stage_deg: float | None = None
    camera_to_stage_deg_u: float | None = None

    def to_dict(self) -> dict[str, Any]:
        """Plain values, keyed as layout.json has them."""
        return asdict(self)
