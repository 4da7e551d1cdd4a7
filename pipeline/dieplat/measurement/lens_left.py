"""Radial distortion that is left in the tiles: how large it may be, and what its two terms share."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from dieplat.measurement.tile_network import radial_pull
from dieplat.values import Layout

Array = npt.NDArray[np.float64]

UNSEEN_BEND_PX = 0.05
"""Distortion at a tile's corner that registration leaves alone (`registration.optics.LEAST_SHIFT_PX`)."""


def lens_was_fitted(layout: Layout) -> bool:
    """Whether the layout states a lens with its uncertainty."""
    return bool((layout.lens or {}).get("k1_u"))


def bend_factor(layout: Layout) -> Array:
    """A factor F (2, m) with F F^T the covariance, in px^2 at a tile's corner, of the terms in r^3 and in r^5.

    Where a lens was found and taken out, the covariance of k1 and k2 (`k1_u`, `k2_u`, `k1_k2_cov`) times the half
    diagonal squared: the two are fitted to the same overlaps and nearly cancel, so that neither may stand for itself.
    Else a term in r^3 alone, uniform within what registration would leave alone (JCGM 100, 4.3.7).
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


def bend_pulls(points_px: Array, nearest: npt.NDArray[np.intp], layout: Layout) -> Array:
    """Displacement (m, N, 2) of points for each of the m independent causes behind `bend_factor`, one unit of it."""
    terms = np.stack([radial_pull(points_px, nearest, layout, power=power) for power in (3, 5)])
    return np.asarray(np.einsum("tm,tnk->mnk", bend_factor(layout), terms), dtype=np.float64)
