"""The page that shows several dies beside one another: one table, outlines and bars on common scales."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from markupsafe import Markup, escape
from shapely.geometry import MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry

from dieplat.compare import UNASSIGNED, ComparedDie, Comparison, Value, ratio
from dieplat.files import write_bytes
from dieplat.report.numbers import COVERAGE, DASH, bar_label, percent, plain, round_step, rounded, with_u
from dieplat.report.page import rendered
from dieplat.report.palette import AREA_KINDS, style_of

WIDE = 480.0
"""Units of the drawing that the widest die takes; hatches and lines are drawn in the same units."""
BAR = 100.0


@dataclass(frozen=True, slots=True)
class Bar:
    """One die's bar in a chart: its length and whisker as parts of the chart's width, and the value in words."""

    die: str
    words: str
    drawing: Markup


@dataclass(frozen=True, slots=True)
class Group:
    """The bars of one kind."""

    kind: str
    label: str
    bars: tuple[Bar, ...]


@dataclass(frozen=True, slots=True)
class Picture:
    """A die's outline; `share` is its drawing's width against the widest."""

    name: str
    facts: tuple[str, ...]
    drawing: Markup | None
    share: float


def write_comparison(comparison: Comparison, path: Path) -> None:
    """Write the page, whole or not at all."""
    write_bytes(path, render_comparison(comparison).encode("utf-8"))


def render_comparison(comparison: Comparison) -> str:
    """The page as text: one file without scripts, which asks nothing of any network."""
    pictures, bar_um = outlines(comparison)
    shares = bar_groups(comparison, of_shares=True)
    return rendered(
        "compare.html.j2",
        names=[die.name for die in comparison.dies],
        rows=table_rows(comparison),
        pictures=pictures,
        bar=bar_label(bar_um) if bar_um else "",
        legend=[(kind, label_of(kind)) for kind in comparison.kinds],
        areas=bar_groups(comparison, of_shares=False),
        shares=shares,
        details=[(die.name, detail_rows(die)) for die in comparison.dies if die.details],
        notes=[(die.name, die.notes) for die in comparison.dies if die.notes],
        sources=[(die.name, str(die.source)) for die in comparison.dies],
        coverage=f"{COVERAGE:g}",
    )


def label_of(kind: str) -> str:
    """A kind in words."""
    return "Not assigned" if kind == UNASSIGNED else style_of(kind).label


def area_unit(comparison: Comparison) -> tuple[float, str]:
    """One factor and unit for all areas of a comparison: mm² where the largest reaches 0.1 mm²."""
    values = [line.area_um2.value for die in comparison.dies for line in die.lines]
    values += [die.area_um2.value for die in comparison.dies if die.area_um2 is not None]
    return (1e-6, "mm²") if max(values, default=0.0) >= 1e5 else (1.0, "µm²")


def table_rows(comparison: Comparison) -> list[tuple[str, str, tuple[str, ...]]]:
    """(what, kind or "", a text of one or more lines for each die) for every line of the one table."""
    factor, unit = area_unit(comparison)
    dies = comparison.dies
    rows = [
        ("Die width, µm", "", tuple(_text(die.width_um) for die in dies)),
        ("Die height, µm", "", tuple(_text(die.height_um) for die in dies)),
        (f"Die area, {unit}", "", tuple(_text(die.area_um2, factor) for die in dies)),
    ]
    first = dies[0]
    if first.area_um2 is not None:
        against = [None if die.area_um2 is None else ratio(die.area_um2, first.area_um2) for die in dies[1:]]
        rows.append((f"Die area / {first.name}", "", ("1", *map(_text, against))))
    for kind in comparison.kinds:
        cells = []
        for die in dies:
            line = die.line(kind)
            if line is None:
                cells.append(_absent(die, kind))
                continue
            said = [f"{_text(line.area_um2, factor)} {unit}"]
            if line.share is not None:
                said.append(share_text(line.share))
            if line.count is not None:
                said.append(f"{line.count} {'block' if line.count == 1 else 'blocks'}")
            cells.append("\n".join(said))
        rows.append((label_of(kind), kind, tuple(cells)))
    rows.append(("Scale, µm per pixel", "", tuple(_text(die.um_per_px) for die in dies)))
    return rows


def share_text(share: Value) -> str:
    """A share in percent with its expanded uncertainty."""
    if not share.u:
        return percent(share.value, decimals=2)
    return f"{with_u(100 * share.value, 100 * share.u)} %"


def detail_rows(die: ComparedDie) -> list[tuple[str, str, str]]:
    """(name, what, value in words) of a die's arrays and inductors."""
    units = {"1": "", "um2": " µm²", "bit": " bit", "nH": " nH"}
    rows = []
    for item in die.details:
        if item.quantity == "cells' share of the array":
            text = share_text(item.value)
        elif item.quantity in ("memory cells", "capacity"):
            text = rounded(item.value.value, 0) + units[item.unit]
        else:
            text = _text(item.value) + units[item.unit]
        rows.append((item.name, item.quantity, text))
    return rows


def bar_groups(comparison: Comparison, *, of_shares: bool) -> tuple[Group, ...]:
    """Bars by kind, all to one scale, with whiskers of the expanded uncertainty; empty where nobody has a value."""
    factor, unit = area_unit(comparison)
    found: dict[str, list[tuple[ComparedDie, Value | None]]] = {}
    for kind in comparison.kinds:
        lines = [(die, die.line(kind)) for die in comparison.dies]
        found[kind] = [
            (die, None if line is None else line.share if of_shares else line.area_um2) for die, line in lines
        ]
    reach = max((_high(value) for pairs in found.values() for _, value in pairs if value is not None), default=0.0)
    if reach <= 0:
        return ()
    groups = []
    for kind, pairs in found.items():
        bars = []
        for die, value in pairs:
            if value is None:
                words = _absent(die, kind)
            else:
                words = share_text(value) if of_shares else f"{_text(value, factor)} {unit}"
            bars.append(Bar(die.name, words, _bar(kind, value, reach)))
        groups.append(Group(kind, label_of(kind), tuple(bars)))
    return tuple(groups)


def _absent(die: ComparedDie, kind: str) -> str:
    """Why a die has no value of a kind."""
    return "no die outline" if kind == UNASSIGNED or die.line(kind) is not None else "none drawn"


def _high(value: Value) -> float:
    return value.value + COVERAGE * (value.u or 0.0)


def _bar(kind: str, value: Value | None, reach: float) -> Markup:
    """A bar of 0 to 100 units; the words beside it say the value, so it is hidden from readers of text."""
    inside = ""
    if value is not None:
        long = max(value.value / reach * BAR, 0.15)
        name = kind if kind in AREA_KINDS or kind == UNASSIGNED else "other"
        inside = f'<rect x="0" y="2" width="{long:.3f}%" height="14" fill="url(#hatch-{name})" class="edge"/>'
        if value.u:
            low = max(value.value - COVERAGE * value.u, 0.0) / reach * BAR
            high = _high(value) / reach * BAR
            inside += (
                f'<line class="whisker" x1="{low:.3f}%" x2="{high:.3f}%" y1="9" y2="9"/>'
                f'<line class="whisker" x1="{low:.3f}%" x2="{low:.3f}%" y1="4" y2="14"/>'
                f'<line class="whisker" x1="{high:.3f}%" x2="{high:.3f}%" y1="4" y2="14"/>'
            )
    return Markup(f'<svg class="bar" width="100%" height="18" aria-hidden="true">{inside}</svg>')


def outlines(comparison: Comparison) -> tuple[tuple[Picture, ...], float]:
    """Every die's outlines to one scale, and the length in µm of the bar that each drawing carries."""
    extents = [die.extent_um for die in comparison.dies]
    widest = max((x1 - x0 for x0, _, x1, _ in (e for e in extents if e)), default=0.0)
    if widest <= 0:
        return tuple(Picture(die.name, _facts(die), None, 1.0) for die in comparison.dies), 0.0
    narrowest = min(x1 - x0 for x0, _, x1, _ in (e for e in extents if e))
    bar_um = round_step(max(0.25 * widest, min(narrowest, 0.4 * widest)))
    factor = WIDE / widest
    pictures = []
    for die, extent in zip(comparison.dies, extents, strict=True):
        drawing = None if extent is None else _drawing(die, extent, factor, bar_um)
        share = 1.0 if extent is None else _wide(extent, factor, bar_um) / _wide((0, 0, widest, 0), factor, bar_um)
        pictures.append(Picture(die.name, _facts(die), drawing, share))
    return tuple(pictures), bar_um


def _wide(extent: tuple[float, float, float, float], factor: float, bar_um: float) -> float:
    return max((extent[2] - extent[0]) * factor, bar_um * factor) + 12.0


def _drawing(die: ComparedDie, extent: tuple[float, float, float, float], factor: float, bar_um: float) -> Markup:
    x0, y0, _, y1 = extent
    wide, high = _wide(extent, factor, bar_um), (y1 - y0) * factor + 12.0
    parts = []
    for shape in sorted(die.shapes, key=lambda shape: (shape.kind != "die", -shape.outline_um.area)):
        path = _path(shape.outline_um, (x0, y0), factor)
        title = f"<title>{escape(shape.name)} ({escape(style_of(shape.kind).label)})</title>"
        if shape.kind == "die":
            parts.append(f'<path class="die" d="{path}">{title}</path>')
        else:
            name = shape.kind if shape.kind in AREA_KINDS else "other"
            colour = style_of(shape.kind).colour
            parts.append(f'<path d="{path}" fill="url(#hatch-{name})" stroke="{colour}">{title}</path>')
    if not die.shapes and die.width_um is not None:
        parts.append(f'<rect class="die" x="6" y="6" width="{wide - 12:.1f}" height="{high - 12:.1f}"/>')
    length = bar_um * factor
    ruler = f'<path class="ruler" d="M6 {high + 8:.1f}v8M6 {high + 12:.1f}h{length:.1f}m0 -4v8"/>'
    words = escape(f"Outline of {die.name} with {sum(shape.kind != 'die' for shape in die.shapes)} blocks")
    return Markup(
        f'<svg class="outline" viewBox="0 0 {wide:.1f} {high + 22:.1f}" role="img" aria-label="{words}">'
        f"{''.join(parts)}{ruler}</svg>"
    )


def _path(geometry: BaseGeometry, corner: tuple[float, float], factor: float) -> str:
    polygons = list(geometry.geoms) if isinstance(geometry, MultiPolygon) else [geometry]
    rings = []
    for polygon in polygons:
        if isinstance(polygon, Polygon):
            for ring in (polygon.exterior, *polygon.interiors):
                points = [
                    f"{(x - corner[0]) * factor + 6:.1f} {(y - corner[1]) * factor + 6:.1f}"
                    for x, y in list(ring.coords)[:-1]
                ]
                rings.append(f"M{'L'.join(points)}Z")
    return "".join(rings)


def _facts(die: ComparedDie) -> tuple[str, ...]:
    if die.width_um is None or die.height_um is None:
        return ("no die outline",)
    return (f"{plain(die.width_um.value)} × {plain(die.height_um.value)} µm",)


def _text(value: Value | None, factor: float = 1.0) -> str:
    return DASH if value is None else with_u(value.value * factor, None if value.u is None else value.u * factor)
