"""What the search for blocks hands from step to step: the flattened picture, boxes on it, proposals."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from shapely.geometry import Polygon

Floats = npt.NDArray[np.float64]
Image = npt.NDArray[np.float32]
Mask = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class Proposal:
    """An outline (mosaic px) that may be a block of a kind. `confidence` is the share of such proposals that are right
    (see `proposals.confidence`), `reason` says in words what was seen; it counts nowhere until a person accepts it."""

    kind: str
    polygon: Polygon
    confidence: float
    reason: str


@dataclass(frozen=True, slots=True)
class Box:
    """A rectangle along the sheet's axes, in sheet pixels: x0 and y0 are its least edges, x1 and y1 its greatest."""

    x0: float
    y0: float
    x1: float
    y1: float

    @property
    def width(self) -> float:
        """Along x."""
        return self.x1 - self.x0

    @property
    def height(self) -> float:
        """Along y."""
        return self.y1 - self.y0

    @property
    def area(self) -> float:
        """Square pixels of the sheet."""
        return max(self.width, 0.0) * max(self.height, 0.0)

    @property
    def short(self) -> float:
        """The shorter side."""
        return min(self.width, self.height)

    def grown(self, margin: float, width: int, height: int) -> Box:
        """Larger by a margin on all sides, within a sheet of `width` by `height`."""
        x0, y0 = max(self.x0 - margin, 0.0), max(self.y0 - margin, 0.0)
        return Box(x0, y0, min(self.x1 + margin, width), min(self.y1 + margin, height))

    def shared(self, other: Box) -> float:
        """Area in common with another box."""
        across = min(self.x1, other.x1) - max(self.x0, other.x0)
        down = min(self.y1, other.y1) - max(self.y0, other.y0)
        return max(across, 0.0) * max(down, 0.0)

    def corners(self) -> Floats:
        """(4, 2), clockwise on the screen from the top left."""
        return np.array([[self.x0, self.y0], [self.x1, self.y0], [self.x1, self.y1], [self.x0, self.y1]])

    def cut(self, step: int = 1) -> tuple[slice, slice]:
        """Rows and columns of an array with one entry for every `step` sheet pixels."""
        return (
            slice(max(round(self.y0 / step), 0), max(round(self.y1 / step), 0)),
            slice(max(round(self.x0 / step), 0), max(round(self.x1 / step), 0)),
        )


@dataclass(frozen=True, slots=True, eq=False)
class Sheet:
    """The die (or the whole picture) with its sides along the axes, reduced to a bounded size.

    `pixels` (h, w, channels) float32, every channel in units of its own spread, so that neither polarity nor colour
    nor depth matter; `place` (2, 3) takes sheet coordinates to mosaic pixels; `step` is how many mosaic pixels one
    sheet pixel is wide; `framed` says whether the sheet's edges are a die's.
    """

    pixels: Image
    place: Floats
    step: float
    framed: bool

    @property
    def width(self) -> int:
        """Columns."""
        return int(self.pixels.shape[1])

    @property
    def height(self) -> int:
        """Rows."""
        return int(self.pixels.shape[0])

    @property
    def short(self) -> int:
        """The shorter side."""
        return min(self.width, self.height)

    def to_mosaic(self, points: npt.ArrayLike) -> Floats:
        """Sheet coordinates (N, 2) as mosaic pixels."""
        return np.asarray(np.asarray(points, dtype=np.float64) @ self.place[:, :2].T + self.place[:, 2])
