"""How each kind of block is drawn: a colour, a hatch, and a name in words.

Colours come from the Okabe-Ito set (M. Okabe, K. Ito, Color Universal Design, 2002/2008), which people with
the common colour-vision deficiencies can tell apart. The assignment to kinds is ours. Colour never carries a
meaning alone: every kind has its own hatch or dash too.
"""

from __future__ import annotations

from dataclasses import dataclass

BLACK = "#000000"
ORANGE = "#E69F00"
SKY_BLUE = "#56B4E9"
BLUISH_GREEN = "#009E73"
YELLOW = "#F0E442"
BLUE = "#0072B2"
VERMILION = "#D55E00"
REDDISH_PURPLE = "#CC79A7"
GREY = "#999999"


@dataclass(frozen=True, slots=True)
class Style:
    """`hatch` in Matplotlib's notation, "" for none; `dash`: (on, off, ...) in line widths, () for solid."""

    label: str
    colour: str
    hatch: str = ""
    dash: tuple[float, ...] = ()


STYLES: dict[str, Style] = {
    "logic": Style("Logic", SKY_BLUE, "//"),
    "memory_array": Style("Memory array", BLUISH_GREEN, "++"),
    "rf_inductor": Style("RF inductor", VERMILION, "o"),
    "analog": Style("Analogue", REDDISH_PURPLE, "\\\\"),
    "io_pad": Style("I/O pad", YELLOW, "xx"),
    "power": Style("Power", ORANGE, "--"),
    "other": Style("Other", GREY, "||"),
    "trace": Style("Trace", BLUE, dash=(6.0, 1.5)),
    "conductor": Style("Inductor centre line", VERMILION, dash=(3.0, 1.2, 1.0, 1.2)),
    "die": Style("Die outline", "#FFFFFF", dash=(5.0, 3.0)),
}
AREA_KINDS = ("logic", "memory_array", "rf_inductor", "analog", "io_pad", "power", "other")
UNASSIGNED = Style("Not assigned", "#6B7280", ".")


def style_of(kind: str) -> Style:
    """The style of a kind; kinds that are not known are drawn as "other"."""
    return STYLES.get(kind, STYLES["other"])


def luminance(colour: str) -> float:
    """Relative luminance of "#RRGGBB" (WCAG 2.2, definition of relative luminance), 0 black to 1 white."""
    channels = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(first: str, second: str) -> float:
    """Contrast ratio of two colours (WCAG 2.2, definition of contrast ratio), 1 to 21."""
    high, low = sorted((luminance(first), luminance(second)), reverse=True)
    return (high + 0.05) / (low + 0.05)
