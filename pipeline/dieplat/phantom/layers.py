"""What a die is drawn from: flat layers with exact outlines in micrometres, painted in order."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
from shapely.geometry import Polygon

Float = npt.NDArray[np.float64]
Colour = tuple[float, float, float]
"""Linear sensor response for red, green, blue; 1 is full scale."""

Bounds = tuple[float, float, float, float]

UPRIGHT_UM = 1e-9
"""An edge that strays no further than this is upright: turning by 90 degrees rounds."""


@dataclass(frozen=True, slots=True, eq=False)
class Rectangles:
    """Many rectangles of one colour: (N, 4) as x0, y0, x1, y1 in micrometres."""

    colour: Colour
    rects_um: Float
    alpha: float = 1.0

    def bounds_um(self) -> Bounds:
        r = self.rects_um
        return float(r[:, 0].min()), float(r[:, 1].min()), float(r[:, 2].max()), float(r[:, 3].max())


@dataclass(frozen=True, slots=True, eq=False)
class Lattice:
    """Every crossing of a set of x intervals (N, 2) with a set of y intervals (M, 2), in micrometres."""

    colour: Colour
    x_um: Float
    y_um: Float
    alpha: float = 1.0

    def bounds_um(self) -> Bounds:
        return float(self.x_um.min()), float(self.y_um.min()), float(self.x_um.max()), float(self.y_um.max())


@dataclass(frozen=True, slots=True, eq=False)
class Area:
    """One polygon, holes allowed, in micrometres."""

    colour: Colour
    polygon_um: Polygon
    alpha: float = 1.0

    def bounds_um(self) -> Bounds:
        x0, y0, x1, y1 = self.polygon_um.bounds
        return x0, y0, x1, y1


@dataclass(frozen=True, slots=True)
class Spot:
    """A soft round stain or an out-of-focus grain: alpha falls off as exp(-(r / radius)^power)."""

    colour: Colour
    centre_um: tuple[float, float]
    radius_um: float
    alpha: float
    power: float = 4.0

    def bounds_um(self) -> Bounds:
        reach = self.radius_um * 2.7 ** (4.0 / self.power)
        x, y = self.centre_um
        return x - reach, y - reach, x + reach, y + reach


Layer = Rectangles | Lattice | Area | Spot


def upright_edges(layer: Layer) -> tuple[Float, Float]:
    """Where edges along y lie on the x axis, and edges along x on the y axis, in micrometres.

    Those of `Rectangles` are left out: wires and gates by the thousand, which share no edge with what they lie on.
    """
    if isinstance(layer, Lattice):
        return layer.x_um.ravel(), layer.y_um.ravel()
    if not isinstance(layer, Area):
        return np.empty(0), np.empty(0)
    rings = [np.asarray(r.coords)[:, :2] for r in (layer.polygon_um.exterior, *layer.polygon_um.interiors)]
    start, end = np.concatenate([r[:-1] for r in rings]), np.concatenate([r[1:] for r in rings])
    upright = np.abs(end - start) < UPRIGHT_UM
    return start[upright[:, 0], 0], start[upright[:, 1], 1]


@dataclass(frozen=True, slots=True, eq=False)
class Block:
    """A named region of the die with its exact outline (path: centre line) and what is true of it."""

    name: str
    kind: str
    outline_um: Polygon | Float
    area_um2: float | None = None
    width_um: float | None = None
    array: dict[str, object] | None = None
    inductor: dict[str, object] | None = None
    trace: dict[str, object] | None = None
    notes: str = ""


@dataclass(slots=True)
class Sheet:
    """Layers and blocks as they are added, bottom first."""

    layers: list[Layer] = field(default_factory=list)
    blocks: list[Block] = field(default_factory=list)

    def rectangles(
        self, colour: Colour, rects: list[tuple[float, float, float, float]] | Float, alpha: float = 1.0
    ) -> None:
        """Add rectangles unless there are none."""
        array = np.asarray(rects, dtype=np.float64).reshape(-1, 4)
        if len(array):
            self.layers.append(Rectangles(colour, array, alpha))

    def area(self, colour: Colour, polygon: Polygon, alpha: float = 1.0) -> None:
        """Add a polygon."""
        self.layers.append(Area(colour, polygon, alpha))

    def box(self, colour: Colour, bounds: Bounds, alpha: float = 1.0) -> None:
        """Add one rectangle, given as x0, y0, x1, y1."""
        x0, y0, x1, y1 = bounds
        self.layers.append(Lattice(colour, np.array([[x0, x1]]), np.array([[y0, y1]]), alpha))

    def frame(self, colour: Colour, bounds: Bounds, thickness: float, alpha: float = 1.0) -> None:
        """Add a rectangular ring: outer bounds and its thickness inwards."""
        x0, y0, x1, y1 = bounds
        for side in (
            (x0, y0, x1, y0 + thickness),
            (x0, y1 - thickness, x1, y1),
            (x0, y0 + thickness, x0 + thickness, y1 - thickness),
            (x1 - thickness, y0 + thickness, x1, y1 - thickness),
        ):
            self.box(colour, side, alpha)


@dataclass(frozen=True, slots=True, eq=False)
class Die:
    """A die: width and height in micrometres, its layers (bottom first), and the truth about its blocks."""

    width_um: float
    height_um: float
    layers: tuple[Layer, ...]
    blocks: tuple[Block, ...]
    texture: float = 1.0
    seed: int = 0
