"""Figures of the report as SVG text: the bar of shares and the map of tiles."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from markupsafe import Markup, escape

from dieplat.report.numbers import percent, plain
from dieplat.report.palette import AREA_KINDS, STYLES, UNASSIGNED, Style, contrast

_STROKES = {
    "//": '<path d="M-2 10 10-2M-2 2 2-2M6 10l4-4"/>',
    "\\\\": '<path d="M-2-2l12 12M6-2l4 4M-2 6l4 4"/>',
    "++": '<path d="M0 4h8M4 0v8"/>',
    "xx": '<path d="M-1-1l10 10M9-1-1 9"/>',
    "--": '<path d="M0 2h8M0 6h8"/>',
    "||": '<path d="M2 0v8M6 0v8"/>',
    "o": '<circle cx="4" cy="4" r="2.4"/>',
    ".": '<circle cx="4" cy="4" r=".7"/>',
}
# From pale to deep; lightness falls steadily, so the order survives a grey print.
_RAMP = ("#DCEBF7", "#A6CFEC", "#63A8D8", "#0072B2", "#023E63")


FAIR_PX = 0.1
POOR_PX = 0.5
"""Misfits of an overlap above which a seam may show, and above which it should be looked at."""
DENSE = 2000
"""With more tiles the map leaves out numbers, names and links that hold; 10 000 tiles then take 1.3 MB."""


def hatch_definitions() -> Markup:
    """One invisible SVG with a pattern a kind, for the whole page to use as url(#hatch-KIND)."""
    styles = {kind: STYLES[kind] for kind in AREA_KINDS} | {"unassigned": UNASSIGNED}
    patterns = "".join(
        f'<pattern id="hatch-{kind}" width="8" height="8" patternUnits="userSpaceOnUse">'
        f'<rect width="8" height="8" fill="{style.colour}"/>'
        f'<g fill="none" stroke="#0B0E13" stroke-opacity=".62" stroke-width="1.1">{_STROKES[style.hatch]}</g>'
        "</pattern>"
        for kind, style in styles.items()
    )
    return Markup(f'<svg class="defs" width="0" height="0" aria-hidden="true"><defs>{patterns}</defs></svg>')


def swatch(kind: str) -> Markup:
    """A small sample of a kind for tables and legends; its name stands beside it in words."""
    style = UNASSIGNED if kind == "unassigned" else STYLES.get(kind, STYLES["other"])
    if style.dash:
        dash = " ".join(f"{2 * part:g}" for part in style.dash)
        inner = f'<path d="M1 7h26" stroke="{_on_page(style)}" stroke-width="3" stroke-dasharray="{dash}"/>'
    else:
        name = kind if kind in AREA_KINDS or kind == "unassigned" else "other"
        fill = f'fill="url(#hatch-{name})" stroke="{style.colour}"'
        inner = f'<rect x=".5" y=".5" width="27" height="13" rx="2" {fill}/>'
    return Markup(f'<svg class="swatch" width="28" height="14" viewBox="0 0 28 14" aria-hidden="true">{inner}</svg>')


def share_bar(shares: Sequence[tuple[str, str, float]], *, width: int = 960, height: int = 64) -> Markup:
    """A stacked bar of (kind, label, share of die); shares that exceed 1 in total are drawn to their sum."""
    total = max(1.0, sum(share for _, _, share in shares))
    parts, x = [], 0.0
    for kind, label, share in shares:
        wide = share / total * width
        style = UNASSIGNED if kind == "unassigned" else STYLES.get(kind, STYLES["other"])
        name = escape(f"{label}: {percent(share)} of the die")
        text = ""
        if wide > 64:
            text = (
                f'<rect x="{x + wide / 2 - 28:.1f}" y="{height / 2 - 12:.1f}" width="56" height="24" rx="5" '
                f'fill="#0B0E13" fill-opacity=".8"/><text x="{x + wide / 2:.1f}" y="{height / 2 + 5:.1f}" '
                f'text-anchor="middle" fill="#fff" font-size="15" font-weight="600">{percent(share)}</text>'
            )
        parts.append(
            f'<g><title>{name}</title><rect x="{x:.2f}" y="1" width="{max(wide, 0.6):.2f}" '
            f'height="{height - 2}" fill="url(#hatch-{kind})" stroke="{style.colour}"/>{text}</g>'
        )
        x += wide
    words = escape("Shares of the die: " + ", ".join(f"{label} {percent(share)}" for _, label, share in shares))
    head = f'<svg class="wide" viewBox="0 0 {width} {height}" role="img" aria-label="{words}">'
    return Markup(f"{head}{''.join(parts)}</svg>")


def tile_map(layout: Mapping[str, Any], *, width: int = 960) -> Markup:
    """Every tile at its place, shaded by its position's uncertainty; marks tell how it was placed.

    A letter stands where more must be known: "?" more than one place fits, "S" placed by the stage
    alone, "T" by tie points. Lines join measured pairs, the thicker the worse they fit (`FAIR_PX`, `POOR_PX`); dashed
    lines are pairs that were not used.
    """
    tiles = layout["tiles"]
    span_x, span_y = float(layout["width_px"]), float(layout["height_px"])
    tile_w, tile_h = tile_size(layout)
    factor = width / span_x
    height = span_y * factor
    worst = [max(tile["x_px_u"] or 0.0, tile["y_px_u"] or 0.0) for tile in tiles]
    limits = shade_limits(worst)
    centres, parts = {}, []
    dense = len(tiles) > DENSE
    for tile, u_px in zip(tiles, worst, strict=True):
        x, y = tile["x_px"] * factor, tile["y_px"] * factor
        centres[tile["name"]] = (x + tile_w * factor / 2, y + tile_h * factor / 2)
        size = (tile_w * factor, tile_h * factor)
        parts.append(_tile(tile, u_px, (x, y), size, limits, crowded=len(tiles) > 120, dense=dense))
    lines = []
    for pair in layout.get("pairs") or ():
        kind = seam_grade(pair)
        if pair["a"] in centres and pair["b"] in centres and not (dense and kind == "good"):
            (ax, ay), (bx, by) = centres[pair["a"]], centres[pair["b"]]
            said = escape(f"{pair['a']} and {pair['b']}: misfit {plain(pair['residual_px'], figures=2)} px")
            lines.append(f'<path class="{kind}" d="M{ax:.1f} {ay:.1f}L{bx:.1f} {by:.1f}"><title>{said}</title></path>')
    words = escape(
        f"Map of {len(tiles)} tiles; position uncertainty from {plain(min(worst, default=0.0), figures=2)} "
        f"to {plain(max(worst, default=0.0), figures=2)} pixels"
    )
    box = f"-4 -4 {width + 8} {height + 8:.1f}"
    return Markup(
        f'<svg class="wide tiles" viewBox="{box}" role="img" aria-label="{words}">'
        f'<g class="links">{"".join(lines)}</g>{"".join(parts)}</svg>'
    )


def _tile(
    tile: Mapping[str, Any],
    u_px: float,
    corner: tuple[float, float],
    size: tuple[float, float],
    limits: Sequence[float],
    *,
    crowded: bool,
    dense: bool,
) -> str:
    inset = 0.13  # tiles overlap; drawn smaller, each stays whole
    box_x, box_y = (at + inset * side for at, side in zip(corner, size, strict=True))
    box_w, box_h = (side * (1 - 2 * inset) for side in size)
    shade = _RAMP[sum(u_px > limit for limit in limits)]
    klass = "doubt" if tile["ambiguous"] else ("staged" if tile["placed_by"] == "stage" else "sure")
    box = f'x="{box_x:.1f}" y="{box_y:.1f}" width="{box_w:.1f}" height="{box_h:.1f}"'
    if dense:
        return f'<g class="{klass}"><rect {box} fill="{shade}"/></g>'
    mark = mark_of(tile)
    ink = "#000000" if contrast(shade, "#000000") > contrast(shade, "#FFFFFF") else "#FFFFFF"
    said = f"{tile['name']}: placed by {tile['placed_by']}, ± {plain(u_px, figures=2)} px"
    if tile["ambiguous"]:
        said += f"; ambiguous, {len(tile['alternatives'])} other places fit"
    text = f"{mark} " if mark else ""
    text = text.strip() if crowded else f"{text}{plain(u_px, figures=2)}"
    type_px = min(box_h * 0.34, box_w * 0.24, 22)
    middle = f'x="{box_x + box_w / 2:.1f}" y="{box_y + box_h / 2 + type_px * 0.36:.1f}"'
    words = (
        f'<text {middle} font-size="{type_px:.1f}" text-anchor="middle" fill="{ink}">{text}</text>'
        if text and type_px > 3
        else ""
    )
    title = f"<title>{escape(said)}</title>"
    return f'<g class="{klass}">{title}<rect {box} rx="3" fill="{shade}"/>{words}</g>'


def seam_grade(pair: Mapping[str, Any]) -> str:
    """How well an overlap fits: "good", "fair" or "poor" by its misfit, "unused" if it was set aside."""
    if not pair["used"]:
        return "unused"
    misfit_px = pair["residual_px"]
    return "poor" if misfit_px > POOR_PX else "fair" if misfit_px > FAIR_PX else "good"


def mark_of(tile: Mapping[str, Any]) -> str:
    """The letter that a tile carries on the map, "" for one placed by its picture without doubt."""
    if tile["ambiguous"]:
        return "?"
    return {"stage": "S", "tie": "T"}.get(tile["placed_by"], "")


def tile_size(layout: Mapping[str, Any]) -> tuple[float, float]:
    """(width, height) of a tile in pixels: as written, or what is left beyond the last tile's corner."""
    wide, high = layout.get("tile_width_px"), layout.get("tile_height_px")
    if wide and high:
        return float(wide), float(high)
    tiles = layout["tiles"]
    return (
        float(layout["width_px"]) - max(tile["x_px"] for tile in tiles),
        float(layout["height_px"]) - max(tile["y_px"] for tile in tiles),
    )


def shade_limits(values: Sequence[float]) -> tuple[float, ...]:
    """Four limits between five shades, in equal ratios from the smallest to the largest value above 0."""
    positive = [value for value in values if value > 0]
    if not positive or min(positive) == max(positive):
        return (math.inf,) * (len(_RAMP) - 1)
    low, high = math.log(min(positive)), math.log(max(positive))
    return tuple(math.exp(low + (high - low) * step / len(_RAMP)) for step in range(1, len(_RAMP)))


def shade_legend(layout: Mapping[str, Any]) -> list[tuple[str, str]]:
    """(colour, range in words) for every shade that occurs on the map."""
    worst = [max(tile["x_px_u"] or 0.0, tile["y_px_u"] or 0.0) for tile in layout["tiles"]]
    limits = shade_limits(worst)
    legend = []
    for number, colour in enumerate(_RAMP):
        inside = [value for value in worst if sum(value > limit for limit in limits) == number]
        if inside:
            low, high = plain(min(inside), figures=2), plain(max(inside), figures=2)
            legend.append((colour, f"{low} px" if low == high else f"{low} to {high} px"))
    return legend


def _on_page(style: Style) -> str:
    return "currentColor" if style.colour == "#FFFFFF" else style.colour
