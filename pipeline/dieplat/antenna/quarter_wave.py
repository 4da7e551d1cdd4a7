"""How a length compares with a quarter wave, and what may be said of it."""

from __future__ import annotations

import math
from dataclasses import replace

from dieplat.antenna.bands import ISM_2G4
from dieplat.errors import SettingsError
from dieplat.values.bounds import FACTOR, FREQUENCY_HZ, is_within
from dieplat.values.measurements import QuarterWave

SPEED_OF_LIGHT_M_S = 299_792_458.0
"""Exact by the definition of the metre (SI)."""
HINT = (
    "common practice, no source: a trace printed on a board slows the wave to about 0.8 of the speed of light, and a "
    "meander counts for about 0.6 of its drawn length"
)
COVERAGE = 2.0
"""Of the intervals in words (k = 2, about 95 %; JCGM 100, 6.3)."""

Factor = float | tuple[float, float]
"""A number, taken as exact, or the least and largest that it may be."""


def compare_with_quarter_wave(
    length_um: float,
    frequency_hz: float,
    *,
    length_um_u: float = 0.0,
    velocity_factor: Factor | None = None,
    shortening_factor: Factor | None = None,
) -> QuarterWave:
    """Compare a length with a quarter wave.

    A trace counts for its length times the shortening factor; a quarter wave on it is the one in free space, c0/(4 f),
    times the velocity factor. `ratio_to_quarter_wave` is the first over the second. A factor that was not given is not
    assumed, and the result says so in words.

    Parameters
    ----------
    length_um, length_um_u : float
        Drawn length and its standard uncertainty.
    frequency_hz : float
    velocity_factor : float or pair of float, optional
        Speed along the conductor in units of c0, in (0, 1]; 1/sqrt(effective permittivity). A pair is a range, every
        value in it as likely (JCGM 100, 4.3.7).
    shortening_factor : float or pair of float, optional
        What a drawn length counts for, because of its shape; 1 for a straight conductor. No published value is known
        for meanders, so none is assumed.

    Raises
    ------
    SettingsError
        A frequency or factor outside its range.
    """
    check_frequency(frequency_hz)
    velocity, velocity_u = _factor(velocity_factor, "velocity_factor", largest=1.0)
    shortening, shortening_u = _factor(shortening_factor, "shortening_factor", largest=FACTOR[1])
    quarter_um = SPEED_OF_LIGHT_M_S / (4.0 * frequency_hz) * 1e6
    ratio = length_um * shortening / (quarter_um * velocity)
    relative = math.hypot(length_um_u / length_um, velocity_u / velocity, shortening_u / shortening)
    wave = QuarterWave(
        frequency_hz=frequency_hz,
        quarter_wave_um=quarter_um,
        velocity_factor=None if velocity_factor is None else velocity,
        velocity_factor_u=velocity_u,
        shortening_factor=None if shortening_factor is None else shortening,
        shortening_factor_u=shortening_u,
        ratio_to_quarter_wave=ratio,
        ratio_to_quarter_wave_u=ratio * relative,
        quarter_wave_at_hz=frequency_hz / ratio,
        quarter_wave_at_hz_u=frequency_hz / ratio * relative,
        assumption=_assumption(velocity_factor, shortening_factor),
    )
    return replace(wave, verdict=_verdict(wave))


def _verdict(wave: QuarterWave) -> str:
    """What the comparison says, in words, with what it rests on."""
    ratio, wide = wave.ratio_to_quarter_wave, COVERAGE * wave.ratio_to_quarter_wave_u
    if abs(ratio - 1.0) <= wide:
        finding = "is a quarter wave within its uncertainty"
    elif abs(ratio - 1.0) <= 0.05:
        finding = f"is within {100 * abs(ratio - 1):.2g} % of a quarter wave, {'longer' if ratio > 1 else 'shorter'}"
    else:
        finding = f"is {ratio:.2f} times a quarter wave"
    at = _with_wide(wave.quarter_wave_at_hz / 1e9, COVERAGE * wave.quarter_wave_at_hz_u / 1e9)
    where = f"it would be one at {at} GHz"
    if ISM_2G4.low_hz <= wave.quarter_wave_at_hz <= ISM_2G4.high_hz:
        where += f", inside {ISM_2G4.name} (2.400 to 2.4835 GHz)"
    lacking = [
        name
        for name, value in (("velocity factor", wave.velocity_factor), ("shortening factor", wave.shortening_factor))
        if value is None
    ]
    open_ = f". No {' or '.join(lacking)} was given; {HINT}" if lacking else ""
    return f"at {wave.frequency_hz / 1e9:.4g} GHz the trace {finding} ({_with_wide(ratio, wide)}); {where}{open_}"


def _with_wide(value: float, wide: float) -> str:
    """A value and its interval, which keeps two figures however narrow it is (JCGM 100, 7.2.6)."""
    if wide == 0:
        return f"{value:.4g}"
    decimals = max(0, 1 - math.floor(math.log10(float(f"{wide:.1e}"))))
    return f"{value:.{decimals}f} ± {wide:.{decimals}f}"


def _factor(value: Factor | None, name: str, *, largest: float) -> tuple[float, float]:
    """The factor and its standard uncertainty; 1 and none where nothing was given."""
    if value is None:
        return 1.0, 0.0
    low, high = (value, value) if isinstance(value, (int, float)) else value
    if not FACTOR[0] <= low <= high <= largest:
        between = f"between {FACTOR[0]:g} and {largest:g}"
        raise SettingsError(f"{name} {value!r}: must be a number {between}, or a range of such, least first")
    return 0.5 * (low + high), (high - low) / math.sqrt(12.0)


def _assumption(velocity_factor: Factor | None, shortening_factor: Factor | None) -> str:
    named = (("velocity factor", velocity_factor), ("shortening factor", shortening_factor))
    given = [
        f"{name} {value:g}" if isinstance(value, (int, float)) else f"{name} {value[0]:g} to {value[1]:g}"
        for name, value in named
        if value is not None
    ]
    return f"with {' and '.join(given)} as given" if given else "in free space; no factor was given"


def check_frequency(frequency_hz: float) -> None:
    """Raise SettingsError unless the frequency can be one."""
    if not is_within(frequency_hz, FREQUENCY_HZ):
        low, high = FREQUENCY_HZ
        raise SettingsError(f"frequency {frequency_hz:g} Hz must lie between {low:g} and {high:g}, such as 2.44e9")
