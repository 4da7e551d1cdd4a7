"""Numbers as people read them: rounded by their uncertainty, in a unit that suits their size."""

from __future__ import annotations

import math
import re
from decimal import ROUND_HALF_EVEN, Decimal, InvalidOperation

COVERAGE = 2.0
"""k for a level of confidence of about 95 % (JCGM 100, 6.3.3)."""

DASH = "–"


def round_step(maximum: float) -> float:
    """The largest 1, 2 or 5 times a power of ten that is not above `maximum`."""
    if not (math.isfinite(maximum) and maximum > 0):
        raise ValueError(f"a length above 0 is needed, not {maximum}")
    decade = 10.0 ** math.floor(math.log10(maximum))
    steps = (10.0, 5.0, 2.0, 1.0)
    # The margin keeps 10 ** floor(log10(x)) from falling a step short at exact powers.
    return next(step * decade for step in steps if step * decade <= maximum * (1 + 1e-12))


def digits_for(uncertainty: float, *, figures: int = 2) -> int:
    """Decimals that leave `uncertainty` with `figures` significant figures (may be negative)."""
    exponent = math.floor(math.log10(uncertainty))
    decimals = figures - 1 - exponent
    # 0.0996 rounded to two figures is 0.100: one decimal fewer is then enough.
    if float(f"{uncertainty:.{figures - 1}e}") >= 10.0 ** (exponent + 1):
        decimals -= 1
    return decimals


def rounded(value: float, decimals: int) -> str:
    """`value` to `decimals` places, negative ones too, with thin-space groups and a true minus sign."""
    step = Decimal(1).scaleb(-decimals)
    try:
        number = Decimal(repr(float(value))).quantize(step, rounding=ROUND_HALF_EVEN)
    except InvalidOperation:  # more than 28 digits: no figure of a die, but the page of a damaged file still opens
        return f"{value:.3e}"
    number = number.quantize(Decimal(1)) if decimals < 0 else number
    text = f"{number:,.{max(decimals, 0)}f}".replace(",", "\u202f").replace("-", "−")
    return text.removeprefix("−") if float(number) == 0 else text


def with_u(value: float | None, u: float | None, *, coverage: float = COVERAGE) -> str:
    """Write value ± U: U = coverage u to two figures, the value to the same place (JCGM 100, 7.2.6).

    A missing value is a dash; a value without uncertainty gets four significant figures and no "±".
    """
    if value is None or not math.isfinite(value):
        return DASH
    expanded = None if u is None else abs(u) * coverage
    if expanded is None or not math.isfinite(expanded) or expanded == 0:
        return plain(value)
    decimals = digits_for(expanded)
    return f"{rounded(value, decimals)} ± {rounded(expanded, decimals)}"


def plain(value: float | None, *, figures: int = 4) -> str:
    """`value` with `figures` significant figures, or a dash when it is missing."""
    if value is None or not math.isfinite(value):
        return DASH
    if value == 0:
        return "0"
    return rounded(value, max(figures - 1 - math.floor(math.log10(abs(value))), 0))


def leading(count: float, *, figures: int = 3) -> str:
    """A large estimated count to `figures` significant figures; small ones are whole."""
    return rounded(count, min(0, figures - 1 - math.floor(math.log10(max(count, 1)))))


def percent(fraction: float | None, *, decimals: int = 1) -> str:
    """A share such as 0.123 as "12.3 %"; a share too small for `decimals` is "< 0.1 %"."""
    if fraction is None or not math.isfinite(fraction):
        return DASH
    least = 10.0**-decimals
    if 0 < fraction * 100 < least / 2:
        return f"< {least:.{decimals}f} %"
    return f"{rounded(fraction * 100, decimals)} %"


def area_with_u(area_um2: float | None, u_um2: float | None) -> tuple[str, str]:
    """(text, unit) of an area: mm² from 0.1 mm², µm² below."""
    if area_um2 is not None and abs(area_um2) >= 1e5:
        return with_u(area_um2 * 1e-6, None if u_um2 is None else u_um2 * 1e-6), "mm²"
    return with_u(area_um2, u_um2), "µm²"


def length(length_um: float | None, *, figures: int = 4) -> str:
    """A length with its unit: mm from 1 mm, µm below."""
    if length_um is None or not math.isfinite(length_um):
        return DASH
    if abs(length_um) >= 1000:
        return f"{plain(length_um / 1000, figures=figures)} mm"
    return f"{plain(length_um, figures=figures)} µm"


def turned(degrees: float, u: float | None = None) -> str:
    """An angle from x towards y as a turn that is seen: "0.427 ± 0.026° anticlockwise"."""
    way = "clockwise" if degrees >= 0 else "anticlockwise"
    size = abs(degrees)
    return f"{plain(size, figures=3) if u is None else with_u(size, u)}° {way}"


def with_micro(text: str) -> str:
    """Text of the library, which keeps to ASCII, as people read it: um is µm, um2 is µm², +/- is ±."""
    return re.sub(r"\bum2\b", "µm²", re.sub(r"\bum\b", "µm", text)).replace("+/-", "±")


def bar_label(length_um: float) -> str:
    """The text beside a scale bar, such as "200 µm" or "1 mm"."""
    return f"{length_um / 1000:g} mm" if length_um >= 1000 else f"{length_um:g} µm"
