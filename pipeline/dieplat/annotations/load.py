"""Read annotations: a GeoJSON FeatureCollection becomes `Regions` in mosaic pixels.

The geometry syntax is RFC 7946; the coordinates are not longitudes and latitudes but mosaic pixels or
micrometres, which the collection's foreign member `coordinates_in` declares (RFC 7946 section 6.1).
"""

from __future__ import annotations

import json
import math
import unicodedata
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from dieplat.annotations.validate import build_geometry, check_geometry
from dieplat.errors import AnnotationError
from dieplat.files import check_plain
from dieplat.values import KINDS, Region, Regions

MAX_BYTES = 64 * 1024 * 1024
"""A file larger than this is refused unread: about a million vertices, far beyond what is drawn by hand."""

PROPOSED = "proposed"
"""A feature whose property of this name is true was proposed by the tool: it counts once that is taken away."""

MAX_DEPTH = 64
"""Brackets within brackets; a MultiPolygon of the collection needs eight."""


def load_regions(path: Path, *, um_per_px: float | tuple[float, float] | None = None) -> Regions:
    """Read a GeoJSON file of annotations.

    Parameters
    ----------
    path : Path
        A FeatureCollection (RFC 7946) with Polygon, MultiPolygon, LineString and Point features.
    um_per_px : float or (float, float), optional
        Micrometres a pixel (along x and y); needed only when the file declares `"coordinates_in": "um"`.

    Returns
    -------
    Regions
        Geometries in mosaic pixels. `document` is the file as read, so that `save_regions` loses nothing.

    Raises
    ------
    AnnotationError
        One line that names the file, the feature and the remedy.
    """
    try:
        check_plain(path)
        size = path.stat().st_size
        data = path.read_bytes() if size <= MAX_BYTES else b""
    except OSError as error:
        raise AnnotationError(f"{path}: cannot be read ({error.strerror or error}); check the name") from None
    if size > MAX_BYTES:
        raise AnnotationError(
            f"{path}: {size / 2**20:.0f} MiB is more than annotations can be ({MAX_BYTES // 2**20} MiB); "
            "give the GeoJSON file of the drawn blocks"
        )
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise AnnotationError(
            f"{path}: not UTF-8 text (byte {error.start}); save the annotations as UTF-8 GeoJSON"
        ) from None
    try:
        document = json.loads(text)
    except json.JSONDecodeError as error:
        found = f"line {error.lineno}, column {error.colno}: {error.msg}"
        raise AnnotationError(f"{path}: not JSON ({found}); export it again as GeoJSON") from None
    except RecursionError:
        raise AnnotationError(f"{path}: nested too deeply; export it again as GeoJSON") from None
    except ValueError:
        raise AnnotationError(f"{path}: holds a number too long to read; export it again") from None
    _check_writable(document, text, path)
    return parse_regions(document, source=str(path), um_per_px=um_per_px)


def parse_regions(
    document: Any, *, source: str = "annotations", um_per_px: float | tuple[float, float] | None = None
) -> Regions:
    """Turn a decoded GeoJSON document into `Regions`; see `load_regions`. `source` begins every message."""
    if not isinstance(document, dict) or document.get("type") != "FeatureCollection":
        raise AnnotationError(
            f'{source}: not a GeoJSON FeatureCollection; its top level must say "type": "FeatureCollection"'
        )
    features = document.get("features")
    if not isinstance(features, list):
        raise AnnotationError(f'{source}: the FeatureCollection has no list of "features"; export it again')
    divisors = _divisors(document.get("coordinates_in", "mosaic_px"), um_per_px, source)
    read = [_read_feature(item, number, divisors, source) for number, item in enumerate(features, 1)]
    regions = tuple(region for region in read if region.properties.get(PROPOSED) is not True)
    proposed = tuple(region for region in read if region.properties.get(PROPOSED) is True)
    dies = [region.name for region in regions if region.kind == "die"]
    if len(dies) > 1:
        named = ", ".join(f"'{printable(name)}'" for name in dies[:4])
        raise AnnotationError(f"{source}: {len(dies)} features have the kind 'die' ({named}); keep one")
    return Regions(regions=regions, source=source, document=document, proposed=proposed)


def _check_writable(document: Any, text: str, path: Path) -> None:
    """Refuse what could be read but never be written back: deep nesting and halves of surrogate pairs."""
    level, depth = [document], 0
    while level:
        level = [
            child
            for node in level
            if isinstance(node, (dict, list))
            for child in (node.values() if isinstance(node, dict) else node)
        ]
        depth += 1
        if depth > MAX_DEPTH:
            raise AnnotationError(f"{path}: nested too deeply; export it again as GeoJSON")
    if "\\ud" in text.lower():
        try:
            json.dumps(document, ensure_ascii=False).encode("utf-8")
        except UnicodeEncodeError:
            raise AnnotationError(f"{path}: holds half a character (\\ud...); export it again as GeoJSON") from None


def printable(text: str, limit: int = 60) -> str:
    """`text` on one line without control characters, cut to `limit` characters."""
    clean = "".join(character if character.isprintable() else "?" for character in text)
    return clean if len(clean) <= limit else clean[: limit - 1] + "…"


def _divisors(unit: Any, um_per_px: float | tuple[float, float] | None, source: str) -> tuple[float, float]:
    if unit == "mosaic_px":
        return 1.0, 1.0
    if unit != "um":
        found = printable(str(unit))
        raise AnnotationError(f'{source}: "coordinates_in" is \'{found}\'; it must be "mosaic_px" or "um"')
    if um_per_px is None:
        raise AnnotationError(f"{source}: coordinates are in um but no scale is known; give one with --scale")
    across, down = um_per_px if isinstance(um_per_px, tuple) else (um_per_px, um_per_px)
    if not all(math.isfinite(value) and value > 0 for value in (across, down)):
        raise AnnotationError(
            f"{source}: coordinates are in um but the scale is ({across}, {down}) um/px; give another"
        )
    return across, down


def _read_feature(feature: Any, index: int, divisors: tuple[float, float], source: str) -> Region:
    where = f"{source}: feature {index}"
    if not isinstance(feature, dict) or feature.get("type") != "Feature":
        raise AnnotationError(f'{where} is not a GeoJSON Feature; it must say "type": "Feature"')
    properties = feature.get("properties")
    if not isinstance(properties, dict):
        raise AnnotationError(f'{where} has no properties; give it a "name" and a "kind"')
    name = properties.get("name")
    if not isinstance(name, str) or not name.strip():
        raise AnnotationError(f'{where} has no name; give it a text property "name"')
    where = f"{where} '{printable(name)}'"
    if any(unicodedata.category(character) == "Cc" for character in name.strip()):
        raise AnnotationError(f"{where}: its name holds control characters; keep it to one line of text")
    kind = _read_kind(properties, where)
    geometry = build_geometry(feature.get("geometry"), divisors, where)
    check_geometry(geometry, kind, where)
    notes = properties.get("notes")
    return Region(
        name=name.strip(),
        kind=kind,
        geometry=geometry,
        width_um=_read_width(properties, where),
        notes=notes if isinstance(notes, str) else "",
        properties=properties,
    )


def _read_kind(properties: Mapping[str, Any], where: str) -> str:
    kind = properties.get("kind")
    if kind is None:
        raise AnnotationError(f'{where} has no kind; give it a property "kind", one of {", ".join(KINDS)}')
    if not isinstance(kind, str) or kind not in KINDS:
        found = printable(str(kind))
        raise AnnotationError(f"{where}: unknown kind '{found}'; use one of {', '.join(KINDS)}")
    return kind


def _read_width(properties: Mapping[str, Any], where: str) -> float | None:
    width = properties.get("width_um")
    if width is None:
        return None
    if isinstance(width, bool) or not isinstance(width, (int, float)):
        raise AnnotationError(f"{where}: width_um must be a number of micrometres")
    try:
        value = float(width)
    except OverflowError:
        value = math.inf
    if not (math.isfinite(value) and value > 0):
        raise AnnotationError(f"{where}: width_um is {value:g}; it must be positive and finite")
    return value
