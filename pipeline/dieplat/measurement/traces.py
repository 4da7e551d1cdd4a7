"""Lengths of drawn paths and how they compare with a quarter wave."""

from __future__ import annotations

import math

import numpy as np
from shapely.geometry import LineString

from dieplat.errors import SettingsError
from dieplat.measurement.areas import length_gradient, path_length
from dieplat.measurement.placement import Inputs
from dieplat.measurement.propagation import Measured
from dieplat.values.measurements import QuarterWave

SPEED_OF_LIGHT_M_S = 299_792_458.0
"""Exact by the definition of the metre (SI)."""


def measure_length(line: LineString, inputs: Inputs) -> Measured:
    """Length of a path along its drawn points, in micrometres.

    The drawn line is taken as it is: a curve drawn with few points reads short. The edge offset counts once
    at each end, where the conductor stops.
    """
    per_px = np.array([inputs.scale.um_per_px_x, inputs.scale.um_per_px_y])
    points = np.asarray(line.coords, dtype=np.float64)[:, :2]
    length, _, along = length_gradient(points * per_px, closed=False)
    per_px_along = math.hypot(along[0] * per_px[0], along[1] * per_px[1]) / length
    quantity = path_length(points, inputs, closed=False) + 2.0 * per_px_along * inputs.edge
    return inputs.measured(quantity, "um")


def compare_with_quarter_wave(
    length_um: float,
    frequency_hz: float,
    *,
    velocity_factor: float | None = None,
    shortening_factor: float | None = None,
) -> QuarterWave:
    """Compare a length with a quarter wave.

    `quarter_wave_um` is c0/(4 f), in free space. The ratio divides the length by it and by whichever factors
    were given; a factor that was not given is not assumed, and the result says so in words.

    Parameters
    ----------
    length_um : float
    frequency_hz : float
    velocity_factor : float, optional
        Speed along the conductor in units of c0, in (0, 1]; 1/sqrt(effective permittivity).
    shortening_factor : float, optional
        Resonant length of the shape in units of the straight conductor's, positive. No published value is
        assumed for meanders or any other shape.

    Raises
    ------
    SettingsError
        A frequency or factor outside its range.
    """
    check_frequency(frequency_hz)
    if velocity_factor is not None and not 0 < velocity_factor <= 1:
        raise SettingsError(f"velocity_factor {velocity_factor:g} must lie above 0 and not above 1")
    if shortening_factor is not None and not (math.isfinite(shortening_factor) and shortening_factor > 0):
        raise SettingsError(f"shortening_factor {shortening_factor:g} must be positive and finite")
    quarter_um = SPEED_OF_LIGHT_M_S / (4.0 * frequency_hz) * 1e6
    given = [
        f"{name} {value:g}"
        for name, value in (("velocity factor", velocity_factor), ("shortening factor", shortening_factor))
        if value is not None
    ]
    effective_um = quarter_um * (velocity_factor or 1.0) * (shortening_factor or 1.0)
    assumption = f"with {' and '.join(given)} as given" if given else "in free space; no factor was given"
    return QuarterWave(
        frequency_hz=frequency_hz,
        quarter_wave_um=quarter_um,
        velocity_factor=velocity_factor,
        shortening_factor=shortening_factor,
        ratio_to_quarter_wave=length_um / effective_um,
        assumption=assumption,
    )


def check_frequency(frequency_hz: float) -> None:
    """Raise SettingsError unless the frequency is positive and finite."""
    if not (math.isfinite(frequency_hz) and frequency_hz > 0):
        raise SettingsError(f"frequency {frequency_hz:g} Hz must be positive and finite, such as 2.44e9")
