"""How far the lines of a stage micrometer lie from an even ruling, as SVG."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from markupsafe import Markup, escape

from dieplat.report.numbers import plain, round_step

WIDE, HIGH = 760, 240
_LEFT, _RIGHT, _TOP, _BOTTOM = 64, 14, 30, 46


def ruling_charts(scale: Mapping[str, Any]) -> tuple[Markup, ...]:
    """One chart a picture of the ruling; nothing where a scale has no lines, such as one given by hand."""
    pictures: Sequence[Mapping[str, Any]] = scale.get("rulings") or ()
    names = ("",) if len(pictures) == 1 else (", first picture", ", turned picture")
    um_per_px = math.sqrt(float(scale["um_per_px_x"]) * float(scale["um_per_px_y"]))
    return tuple(
        _chart(one, name, um_per_px, float(scale["pitch_um"])) for one, name in zip(pictures, names, strict=False)
    )


def _chart(lines: Mapping[str, Any], name: str, um_per_px: float, pitch_um: float) -> Markup:
    places = [float(number) * pitch_um for number in lines["line"]]
    off_um = [float(value) * um_per_px for value in lines["residual_px"]]
    used = [bool(value) for value in lines["used"]]
    among = [value for value, kept in zip(off_um, used, strict=True) if kept] or off_um
    rms = math.sqrt(sum(value * value for value in among) / len(among))
    # A line far off would press all others flat; it is drawn at the edge.
    reach = max(1.15 * max(map(abs, among)), 1e-6)
    low, high = min(places), max(places)

    def x(place: float) -> float:
        return _LEFT + 10 + (place - low) / max(high - low, 1e-9) * (WIDE - _LEFT - _RIGHT - 20)

    def y(value: float) -> float:
        return (_TOP + HIGH - _BOTTOM) / 2 - min(max(value / reach, -1.0), 1.0) * (HIGH - _TOP - _BOTTOM) / 2

    parts = [f'<text class="title" x="{_LEFT}" y="18">Lines off an even ruling{name}, nm</text>']
    band = f'x="{_LEFT}" y="{y(rms):.1f}" width="{WIDE - _LEFT - _RIGHT}" height="{y(-rms) - y(rms):.1f}"'
    parts.append(f'<rect class="band" {band}/>')
    step = round_step(reach * 0.9)
    for value in (-step, 0.0, step):
        parts.append(f'<path class="grid" d="M{_LEFT} {y(value):.1f}H{WIDE - _RIGHT}"/>')
        parts.append(f'<text x="{_LEFT - 7}" y="{y(value) + 5:.1f}" text-anchor="end">{1e3 * value:g}</text>')
    for place, anchor in ((low, "start"), ((low + high) / 2, "middle"), (high, "end")):
        at = f'x="{x(place):.1f}" y="{HIGH - _BOTTOM + 20}" text-anchor="{anchor}"'
        parts.append(f"<text {at}>{place - low:g} µm</text>")
    parts.append(f'<text x="{(_LEFT + WIDE - _RIGHT) / 2}" y="{HIGH - 6}" text-anchor="middle">Along the ruling</text>')
    for place, value, kept in zip(places, off_um, used, strict=True):
        parts.append(
            f'<circle class="{"dot" if kept else "left-out"}" cx="{x(place):.1f}" cy="{y(value):.1f}" r="3.4"/>'
        )
    out = len(used) - sum(used)
    words = escape(
        f"Distance of {sum(used)} lines of the ruling{name} from evenly spaced places: "
        f"{plain(1e3 * rms, figures=2)} nm rms, {plain(1e3 * max(map(abs, among)), figures=2)} nm at most"
        + (f"; {out} left out" if out else "")
    )
    return Markup(
        f'<svg class="chart" viewBox="0 0 {WIDE} {HIGH}" role="img" aria-label="{words}">{"".join(parts)}</svg>'
    )
