"""Charts of one inductor as SVG text: inductance and quality factor over frequency, with their ranges."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from markupsafe import Markup, escape

from dieplat.report.numbers import plain, round_step

WIDE, HIGH = 440, 290
_LEFT, _RIGHT, _TOP, _BOTTOM = 58, 14, 30, 48
"""Room around the plot for numbers and names, in the chart's own units; text is 15 units high."""


@dataclass(frozen=True, slots=True)
class Chart:
    """One chart and the words that stand below it."""

    svg: Markup
    caption: str


@dataclass(frozen=True, slots=True)
class _Plot:
    """From a frequency and a value to a place."""

    low_hz: float
    high_hz: float
    bottom: float
    top: float

    def x(self, hertz: float) -> float:
        part = math.log(hertz / self.low_hz) / math.log(self.high_hz / self.low_hz)
        return _LEFT + min(max(part, 0.0), 1.0) * (WIDE - _LEFT - _RIGHT)

    def y(self, value: float) -> float:
        part = (value - self.bottom) / (self.top - self.bottom)
        return HIGH - _BOTTOM - min(max(part, 0.0), 1.0) * (HIGH - _TOP - _BOTTOM)


def coil_charts(name: str, coil: Mapping[str, Any]) -> tuple[Chart, ...]:
    """Inductance, and the quality factor where a metal was assumed; nothing where there is no curve."""
    electrical = coil.get("electrical") or {}
    curve = electrical.get("curve") or {}
    if not curve.get("frequency_hz"):
        return ()
    resonance = electrical["self_resonance_hz"]
    marks = (resonance, coil.get("frequency_hz"))
    charts = [
        Chart(
            _draw(name, curve, "inductance_nh", "Inductance", "nH", marks, from_zero=False),
            "Inductance of the conductor. The band is its uncertainty (k = 2) and what eddy currents below may take; "
            "capacitance is not in it: a meter reads more, the nearer to self-resonance.",
        )
    ]
    if curve.get("quality") is not None:
        charts.append(
            Chart(
                _draw(name, curve, "quality", "Quality factor", "", marks, from_zero=True),
                "Quality factor, one end grounded. The band covers every combination of the assumptions below; "
                "within the dotted part the coil may already be past its own resonance.",
            )
        )
    return tuple(charts)


def _draw(
    name: str,
    curve: Mapping[str, Sequence[float]],
    key: str,
    title: str,
    unit: str,
    marks: tuple[Mapping[str, float], float | None],
    *,
    from_zero: bool,
) -> Markup:
    frequency, value = curve["frequency_hz"], curve[key]
    low, high = curve[f"{key}_low"], curve[f"{key}_high"]
    floor = 0.0 if from_zero else min(low)
    room = 0.08 * (max(high) - floor) or 1.0
    plot = _Plot(frequency[0], frequency[-1], floor if from_zero else floor - room, max(high) + room)
    resonance, asked_hz = marks
    parts = [_grid(plot), _resonance(plot, resonance)]
    there = [(plot.x(f), plot.y(v)) for f, v in zip(frequency, high, strict=True)]
    back = [(plot.x(f), plot.y(v)) for f, v in zip(frequency, low, strict=True)]
    parts.append(f'<path class="band" d="{_path([*there, *reversed(back)])}Z"/>')
    middle = [(plot.x(f), plot.y(v)) for f, v in zip(frequency, value, strict=True)]
    parts.append(f'<path class="curve" d="{_path(middle)}"/>')
    if asked_hz is not None and frequency[0] <= asked_hz <= frequency[-1]:
        x = plot.x(asked_hz)
        parts.append(f'<path class="asked" d="M{x:.1f} {_TOP}V{HIGH - _BOTTOM}"/>')
        anchor, shift = ("end", -5) if x > WIDE / 2 else ("start", 5)
        parts.append(f'<text x="{x + shift:.1f}" y="{_TOP + 16}" text-anchor="{anchor}">{_hertz(asked_hz)}</text>')
    heading = f"{title}, {unit}" if unit else title
    parts.append(f'<text class="title" x="{_LEFT}" y="18">{heading}</text>')
    words = escape(
        f"{title} of {name} from {_hertz(frequency[0])} to {_hertz(frequency[-1])}: "
        f"{_amount(value[0], unit)} at the lowest frequency, {_amount(max(value), unit)} at most; the range spans "
        f"{_amount(min(low), unit)} to {_amount(max(high), unit)}. Self-resonance lies between "
        f"{_hertz(resonance['low'])} and {_hertz(resonance['high'])}."
    )
    head = f'<svg class="chart" viewBox="0 0 {WIDE} {HIGH}" role="img" aria-label="{words}">'
    return Markup(f"{head}{''.join(parts)}</svg>")


def _grid(plot: _Plot) -> str:
    parts = []
    for value in _round_values(plot.bottom, plot.top):
        y = plot.y(value)
        parts.append(f'<path class="grid" d="M{_LEFT} {y:.1f}H{WIDE - _RIGHT}"/>')
        parts.append(f'<text x="{_LEFT - 7}" y="{y + 5:.1f}" text-anchor="end">{_tick(value, plot)}</text>')
    last = -math.inf
    for hertz, named in _round_frequencies(plot.low_hz, plot.high_hz):
        x = plot.x(hertz)
        parts.append(f'<path class="grid" d="M{x:.1f} {_TOP}V{HIGH - _BOTTOM}"/>')
        if named and x - last > 62 and _LEFT + 12 < x < WIDE - _RIGHT - 22:
            parts.append(f'<text x="{x:.1f}" y="{HIGH - _BOTTOM + 19}" text-anchor="middle">{_named(hertz)}</text>')
            last = x
    parts.append(f'<text x="{(_LEFT + WIDE - _RIGHT) / 2}" y="{HIGH - 7}" text-anchor="middle">Frequency</text>')
    return "".join(parts)


def _resonance(plot: _Plot, resonance: Mapping[str, float]) -> str:
    """The part of the plot in which the coil may already be past its self-resonance."""
    if resonance["low"] >= plot.high_hz:
        return ""
    x = plot.x(max(resonance["low"], plot.low_hz))
    wide = WIDE - _RIGHT - x
    return f'<rect class="past" x="{x:.1f}" y="{_TOP}" width="{wide:.1f}" height="{HIGH - _TOP - _BOTTOM}"/>'


def _path(points: Sequence[tuple[float, float]]) -> str:
    return "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in points)


def _round_values(bottom: float, top: float) -> list[float]:
    step = round_step((top - bottom) / 3)
    first = math.ceil(bottom / step - 1e-9)
    return [step * k for k in range(first, math.floor(top / step + 1e-9) + 1)]


def _round_frequencies(low_hz: float, high_hz: float) -> list[tuple[float, bool]]:
    """1, 2 and 5 in every decade, and whether it may be named."""
    found = []
    for exponent in range(math.floor(math.log10(low_hz)), math.ceil(math.log10(high_hz)) + 1):
        found += [(digit * 10.0**exponent, digit != 5) for digit in (1, 2, 5)]
    return [(hertz, named) for hertz, named in found if low_hz <= hertz <= high_hz]


def _tick(value: float, plot: _Plot) -> str:
    step = round_step((plot.top - plot.bottom) / 3)
    return f"{value:.{max(0, -math.floor(math.log10(step) + 1e-9))}f}"


def _amount(value: float, unit: str) -> str:
    return f"{plain(value, figures=3)} {unit}".strip()


def _named(hertz: float) -> str:
    return f"{hertz / 1e9:g} GHz" if hertz >= 1e9 else f"{hertz / 1e6:g} MHz"


def _hertz(hertz: float) -> str:
    return f"{plain(hertz / 1e9, figures=3)} GHz" if hertz >= 1e9 else f"{plain(hertz / 1e6, figures=3)} MHz"
