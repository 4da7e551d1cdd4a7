"""How a board slows the wave along a conductor on it."""

from __future__ import annotations

import math

from dieplat.errors import SettingsError

ACCURACY_REL = 0.002
"""Of the effective permittivity within the formula's range, as its authors state it."""


def effective_permittivity(permittivity: float, *, width_over_height: float) -> float:
    """Effective permittivity of a microstrip line: a flat conductor on a board over a ground plane.

    Parameters
    ----------
    permittivity : float
        Relative permittivity of the board, 1 to 128.
    width_over_height : float
        Width of the conductor over its height above the ground plane, 0.01 to 100.

    Raises
    ------
    SettingsError
        Outside these ranges, within which it is right to 0.2 %.

    References
    ----------
    E. O. Hammerstad and O. Jensen, Accurate models for microstrip computer-aided design, IEEE MTT-S International
    Microwave Symposium Digest, 1980, 407-409.
    """
    if not 1 <= permittivity <= 128:
        raise SettingsError(f"permittivity {permittivity:g}: must lie between 1 and 128, such as 4.3")
    if not 0.01 <= width_over_height <= 100:
        raise SettingsError(f"width over height {width_over_height:g}: must lie between 0.01 and 100; check both")
    u = width_over_height
    a = 1.0 + math.log((u**4 + (u / 52.0) ** 2) / (u**4 + 0.432)) / 49.0 + math.log(1.0 + (u / 18.1) ** 3) / 18.7
    b = 0.564 * ((permittivity - 0.9) / (permittivity + 3.0)) ** 0.053
    return (permittivity + 1.0) / 2.0 + (permittivity - 1.0) / 2.0 * math.exp(-a * b * math.log(1.0 + 10.0 / u))


def impedance_ohm(effective: float, *, width_over_height: float) -> float:
    """Characteristic impedance of a microstrip line of that effective permittivity.

    References
    ----------
    As `effective_permittivity`; the constants from memory.
    """
    u = width_over_height
    f = 6.0 + (2.0 * math.pi - 6.0) * math.exp(-((30.666 / u) ** 0.7528))
    plain = math.log(f / u + math.sqrt(1.0 + 4.0 / u**2))
    return 376.730 / (2.0 * math.pi * math.sqrt(effective)) * plain
