"""Eddy currents that a coil drives in the silicon below it, exact for rings over a conducting half-space."""

from __future__ import annotations

import math
from functools import cache

import numpy as np
import numpy.typing as npt
from scipy.special import j1

from dieplat.inductance.partial import NH_PER_UM, Array
from dieplat.inductance.path import SIDES
from dieplat.values.inductor import InductorGeometry

_NODES = 1200
"""Points of the integral over spatial frequency, dense near zero: 1e-6 against adaptive quadrature."""


def equivalent_rings(geometry: InductorGeometry) -> tuple[Array, Array]:
    """Radii in um of rings of the turns' own areas, outermost first, and how much of a turn each is, (N,) both.

    The area is what acts at a distance (its magnetic moment).
    """
    count = max(1, math.ceil(geometry.turns - 1e-9))
    pitch = geometry.width_um + geometry.spacing_um
    apothem = (geometry.outer_um - geometry.width_um) / 2 - pitch * np.arange(count)
    sides = SIDES.get(geometry.shape)
    rounder = 1.0 if sides is None else math.sqrt(sides * math.tan(math.pi / sides) / math.pi)
    part = np.ones(count)
    part[-1] = geometry.turns - (count - 1)
    kept = apothem > 0
    return np.asarray(apothem[kept] * rounder, dtype=np.float64), part[kept]


def taken_by_substrate_nh(
    radius_um: Array, part: Array, height_um: float, skin_depth_um: Array
) -> npt.NDArray[np.complex128]:
    """What the substrate's eddy currents take from a coil's inductance, (F,), complex, in nH.

    The coil's impedance becomes R + j w (L - M): Re M lowers the inductance, w Im M adds to the resistance.
    M = pi mu0 int (sum_i p_i a_i J1(s a_i))^2 exp(-2 s h) (u - s) / (u + s) ds, u^2 = s^2 + 2 j / depth^2
    (C. V. Dodd, W. E. Deeds, J. Appl. Phys. 39, 2829 (1968), for filaments over a half-space; from memory, checked
    in the tests by the loss of the induced field and by a plane's image).

    Parameters
    ----------
    radius_um, part : ndarray (N,)
        Rings, and the part of the current's turn that each is.
    height_um : float
        From the middle of the metal to the substrate.
    skin_depth_um : ndarray (F,)
        Skin depths in the substrate.
    """
    nodes, weights = _rule()
    v = (nodes + 1) / 2
    last = 15.0 / height_um  # exp(-30) beyond
    s, ds = last * v**2, last * v * weights
    moment = (j1(np.outer(s, radius_um)) * radius_um) @ part
    u = np.sqrt(s**2 + 2j / skin_depth_um[:, None] ** 2)
    kernel = moment**2 * np.exp(-2 * s * height_um) * ds
    return np.asarray(4 * math.pi**2 * NH_PER_UM * np.sum(kernel * (u - s) / (u + s), axis=1))


@cache
def _rule() -> tuple[Array, Array]:
    """Gauss-Legendre nodes and weights: a dense eigenproblem, the dearest part by far if solved for every coil."""
    nodes, weights = np.polynomial.legendre.leggauss(_NODES)
    nodes.flags.writeable = weights.flags.writeable = False
    return nodes, weights


def substrate_skin_depth_um(ohm_cm: float, frequency_hz: Array) -> Array:
    """Skin depth in the substrate, sqrt(rho / (pi f mu0)), (F,)."""
    return np.asarray(1e6 * np.sqrt(ohm_cm * 1e-2 / (math.pi * frequency_hz * 4e-7 * math.pi)))
