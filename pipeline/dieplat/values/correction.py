"""What is removed from every tile before blending: shading, exposure, lens distortion."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

USUAL_K1_U = 0.01
"""Radial distortion at the corner that a microscope's picture may have before anything is known of it, as a standard
uncertainty (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Lens:
    """Radial distortion about the tile's centre.

    A point at undistorted radius r (divided by `norm_px`, the half diagonal of a tile) appears at
    r (1 + k1 r^2 + k2 r^4). The mosaic has undistorted coordinates; at the centre both scales agree. `k1_u`, `k2_u` and
    `k1_k2_cov` are standard uncertainties and covariance; where k1 and k2 are 0 nothing was taken out, and `k1_u` is
    what may be left.
    """

    k1: float
    k2: float
    norm_px: float
    k1_u: float = 0.0
    k2_u: float = 0.0
    k1_k2_cov: float = 0.0

    @property
    def bends(self) -> bool:
        """Whether there is anything to take out; a lens that could not be told has only uncertainties."""
        return self.k1 != 0.0 or self.k2 != 0.0


@dataclass(frozen=True, slots=True, eq=False)
class Correction:
    """corrected = pixel * gain[tile, channel] / flat(x, y, channel).

    flat : ndarray (h, w, channels), float32, a coarse grid over the tile, to be enlarged to it (mean 1).
    gains : ndarray (tiles, channels), float32, in the order of the TileSet.
    """

    flat: npt.NDArray[np.float32]
    gains: npt.NDArray[np.float32]
    lens: Lens | None = None
