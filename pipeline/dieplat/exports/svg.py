"""The drawing as SVG (W3C, SVG 2): a group a kind, a unit a micrometre, to lay over the picture at its true size."""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Sequence
from xml.etree import ElementTree

from shapely.affinity import scale as stretched
from shapely.geometry import LineString, Point, Polygon
from shapely.geometry.base import BaseGeometry

from dieplat.report.palette import STYLES, style_of
from dieplat.values import Regions, Scale

_DIGITS = 4
"""Of coordinates in micrometres: a tenth of a nanometre."""


def overlay_svg(regions: Regions, scale: Scale, *, size_px: tuple[int, int]) -> str:
    """The text of an SVG file with every region.

    Parameters
    ----------
    regions : Regions
        In mosaic pixels.
    scale : Scale
    size_px : tuple of int
        Width and height of the mosaic; the drawing covers it, with its size in millimetres.

    Returns
    -------
    str
        Groups carry a kind as their `id`, shapes their name as a title, areas holes by the even-odd rule.
    """
    wide, high = size_px[0] * scale.um_per_px_x, size_px[1] * scale.um_per_px_y
    root = ElementTree.Element(
        "svg",
        {
            "xmlns": "http://www.w3.org/2000/svg",
            "width": f"{wide / 1e3:.6g}mm",
            "height": f"{high / 1e3:.6g}mm",
            "viewBox": f"0 0 {_number(wide)} {_number(high)}",
        },
    )
    ElementTree.SubElement(
        root, "desc"
    ).text = "Blocks in micrometres from the top-left corner of the mosaic, by dieplat."
    stroke = max(wide, high) / 1000
    for kind in STYLES:
        members = regions.of_kind(kind)
        if not members:
            continue
        style = style_of(kind)
        group = ElementTree.SubElement(
            root,
            "g",
            {
                "id": kind,
                "stroke": style.colour,
                "stroke-width": _number(stroke),
                "fill": style.colour if style.hatch else "none",
                "fill-opacity": "0.25",
                "fill-rule": "evenodd",
            },
        )
        if style.dash:
            group.set("stroke-dasharray", " ".join(_number(part * stroke) for part in style.dash))
        ElementTree.SubElement(group, "title").text = style.label
        for region in members:
            shape = stretched(region.geometry, scale.um_per_px_x, scale.um_per_px_y, origin=(0, 0))
            _add(group, shape, region.name, stroke)
    ElementTree.indent(root)
    return '<?xml version="1.0" encoding="UTF-8"?>\n' + ElementTree.tostring(root, encoding="unicode") + "\n"


def _add(group: ElementTree.Element, shape: BaseGeometry, name: str, stroke: float) -> None:
    if isinstance(shape, Point):
        place = {"cx": _number(shape.x), "cy": _number(shape.y), "r": _number(3 * stroke)}
        element = ElementTree.SubElement(group, "circle", place)
    else:
        element = ElementTree.SubElement(group, "path", {"d": " ".join(_drawn(shape))})
        if isinstance(shape, LineString):
            element.set("fill", "none")
    ElementTree.SubElement(element, "title").text = name


def _drawn(shape: BaseGeometry) -> Iterable[str]:
    for part in getattr(shape, "geoms", [shape]):
        if isinstance(part, Polygon):
            for ring in itertools.chain([part.exterior], part.interiors):
                yield _steps(list(ring.coords)[:-1]) + " Z"
        else:
            yield _steps(list(part.coords))


def _steps(points: Sequence[Sequence[float]]) -> str:
    return "M " + " L ".join(f"{_number(x)} {_number(y)}" for x, y, *_ in points)


def _number(value: float) -> str:
    return f"{round(value, _DIGITS):g}" if abs(value) < 1e-3 else f"{value:.{_DIGITS}f}".rstrip("0").rstrip(".")
