"""Radial distortion that is left in the tiles: how large it may be, and what its two terms share."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from dieplat.measurement.tile_network import radial_pull, stretch_by_lens
from dieplat.values import Layout

Array = npt.NDArray[np.float64]

UNSEEN_BEND_PX = 0.05
"""Distortion at a tile's corner that may be left where a layout states nothing of a lens: overlaps that show too little
to tell it would still contradict one another by this much if there were more (`registration.assemble.UNTOLD_PX`)."""

POWERS = (3, 5)
"""Of the radius, in Brown's two terms."""


def lens_was_fitted(layout: Layout) -> bool:
    """Whether the layout states the uncertainty of its lens, taken out or not."""
    return bool((layout.lens or {}).get("k1_u"))


def bend_factor(layout: Layout) -> Array:
    """A factor F (2, m) with F F^T the covariance, in px^2 at a tile's corner, of the terms in r^3 and in r^5.

    Where overlaps told of the lens, the covariance of k1 and k2 (`k1_u`, `k2_u`, `k1_k2_cov`) times the half diagonal
    squared: the two are fitted to the same overlaps and nearly cancel, so that neither may stand for itself.
    Else a term in r^3 alone, uniform within `UNSEEN_BEND_PX` (JCGM 100, 4.3.7).
    """
    if not lens_was_fitted(layout):
        return np.array([[UNSEEN_BEND_PX / math.sqrt(3.0)], [0.0]])
    lens = layout.lens or {}
    norm = 0.5 * math.hypot(layout.tile_width_px, layout.tile_height_px)
    k1_u, k2_u = (float(lens.get(key) or 0.0) for key in ("k1_u", "k2_u"))
    # No correlation beyond 1, whatever a file says.
    most = k1_u * k2_u
    shared = float(np.clip(float(lens.get("k1_k2_cov") or 0.0), -most, most))
    along = shared / k1_u
    across = math.sqrt(max(k2_u**2 - along**2, 0.0))
    factor = norm * np.array([[k1_u, 0.0], [along, across]])
    return factor if across > 0.0 else factor[:, :1]


def bend_u_px(layout: Layout) -> float:
    """Standard uncertainty of what is left of radial distortion, in pixels at a tile's corner."""
    return float(np.linalg.norm(bend_factor(layout).sum(axis=0)))


@dataclass(frozen=True, slots=True, eq=False)
class LensLeft:
    """What m independent causes behind a lens's uncertainty move.

    factor : ndarray (2, m), of `bend_factor`.
    tiles_px : ndarray (2, T, 2), displacement of the tiles by each of the two terms, a pixel of it at a tile's corner.
    """

    layout: Layout
    factor: Array
    tiles_px: Array

    def pulls(self, points_px: Array, nearest: npt.NDArray[np.intp]) -> Array:
        """Displacement (m, N, 2) of points: within their tile, and with it."""
        terms = np.stack([radial_pull(points_px, nearest, self.layout, power=power) for power in POWERS])
        return np.asarray(np.einsum("tm,tnk->mnk", self.factor, terms + self.tiles_px[:, nearest]), dtype=np.float64)


def lens_left(layout: Layout) -> LensLeft:
    """What a mosaic's lens may still do to points of it."""
    tiles = np.stack([stretch_by_lens(layout, power=power) for power in POWERS])
    return LensLeft(layout, bend_factor(layout), tiles)
