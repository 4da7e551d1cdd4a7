"""Capacitances of parallel strips over a conducting plane, by boundary elements: plates and fringes in one.

Charge lies on the strips' surfaces, even on each of many short panels, narrower towards the edges; the plane is
replaced by image charges (J. C. Maxwell, Treatise (1873), ch. 11; R. F. Harrington, Field Computation by Moment
Methods (1968), ch. 2; both from memory). One even dielectric. Checked against an exact case and published fits in
tests/inductance/test_capacitance.py.
"""

from __future__ import annotations

import numpy as np

from dieplat.inductance.partial import Array

EPSILON0_FF_PER_UM = 8.8541878128e-3
"""Electric constant (CODATA 2018) in fF/um."""

_PANELS = 12
"""Panels a side of a strip; with cosine spacing the charge's pole at an edge is found to some 1e-3."""


def strip_capacitance(centre_um: Array, width_um: float, thickness_um: float, height_um: float) -> Array:
    """Capacitance matrix of parallel strips, (N, N), over the permittivity: numbers without unit, a unit length.

    Parameters
    ----------
    centre_um : ndarray (N,)
        Middles of the strips across; they may not touch.
    width_um, thickness_um : float
        Section of each.
    height_um : float
        From the plane to the strips' undersides.

    Returns
    -------
    ndarray (N, N)
        Charge on i when j is at unit potential and all others, and the plane, at zero.
    """
    a, b = _panels(np.asarray(centre_um, dtype=np.float64), width_um, thickness_um, height_um)
    middle, length = (a + b) / 2, np.linalg.norm(b - a, axis=1)
    flip = np.array([1.0, -1.0])
    potential = (_log_integral(middle, a * flip, b * flip) - _log_integral(middle, a, b)) / (2 * np.pi)
    owner = np.repeat(np.arange(len(centre_um)), len(a) // len(centre_um))
    each = (owner[:, None] == np.arange(len(centre_um))).astype(np.float64)
    charge = each.T @ (length[:, None] * np.linalg.solve(potential, each))
    return np.asarray((charge + charge.T) / 2)


def _panels(centre: Array, width: float, thickness: float, height: float) -> tuple[Array, Array]:
    """Both ends of every panel, (P, 2) each; strip after strip."""
    spread = -0.5 * np.cos(np.pi * np.arange(_PANELS + 1) / _PANELS)
    across, up = width * spread, height + thickness * (spread + 0.5)
    bottom = np.column_stack([across, np.full(_PANELS + 1, height)])
    top = np.column_stack([across, np.full(_PANELS + 1, height + thickness)])
    left = np.column_stack([np.full(_PANELS + 1, -width / 2), up])
    right = np.column_stack([np.full(_PANELS + 1, width / 2), up])
    sides = np.stack([bottom, top, left, right])
    shift = np.zeros((len(centre), 1, 1, 2))
    shift[:, 0, 0, 0] = centre
    moved = sides[None] + shift
    return moved[:, :, :-1].reshape(-1, 2), moved[:, :, 1:].reshape(-1, 2)


def _log_integral(points: Array, a: Array, b: Array) -> Array:
    """Integral of ln(distance) from every point over every panel, (N, P); closed form."""
    length = np.linalg.norm(b - a, axis=1)
    along = (b - a) / length[:, None]
    gap = points[:, None, :] - a
    u = np.einsum("npk,pk->np", gap, along)
    v = np.abs(gap[..., 0] * along[:, 1] - gap[..., 1] * along[:, 0])

    def primitive(s: Array) -> Array:
        r2 = s * s + v * v
        return np.asarray(0.5 * s * np.log(np.where(r2 > 0, r2, 1.0)) - s + v * np.arctan2(s, v))

    return primitive(length - u) - primitive(-u)
