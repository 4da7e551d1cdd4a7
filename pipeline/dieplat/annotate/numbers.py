"""What the drawn outlines measure, by the very functions of `dieplat measure`, while they are being drawn."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely
from shapely.geometry import mapping
from shapely.ops import split

from dieplat.annotate.found import lines_found
from dieplat.annotations import parse_regions
from dieplat.annotations.store import to_document
from dieplat.errors import ScaleError, SettingsError, UndecidedError
from dieplat.survey import measure_survey
from dieplat.survey.details import Picture, conductors_inside
from dieplat.survey.snap import snap_regions
from dieplat.values import Layout, Region, Regions, Scale
from dieplat.values.stated import Stated

NOT_LOOKED_AT = "not looked at yet"
THE_DRAWING = "the drawing"
"""What messages call it on the page, where there is one only."""


@dataclass(frozen=True, slots=True, eq=False)
class Conditions:
    """What measuring takes beside the drawing: see `dieplat.survey.measure_survey`."""

    mosaic: Picture
    scale: Scale | None
    layout: Layout | None = None
    stated: Stated = field(default_factory=Stated)


@dataclass(slots=True)
class _Unread:
    """A mosaic of which no pixel is read: what needs pixels is then refused, and all else measured."""

    width_px: int
    height_px: int

    def read(self, x0: int, y0: int, x1: int, y1: int, level: int = 0) -> npt.NDArray[np.generic]:
        raise UndecidedError(NOT_LOOKED_AT)


def outline_numbers(
    conditions: Conditions, document: Mapping[str, Any], *, source: str = THE_DRAWING
) -> dict[str, Any]:
    """Areas, shares, perimeters and lengths of all features; nothing that reads pixels or sums inductances.

    Parameters
    ----------
    source : str
        What messages call the document: a file's name where there may be several.

    Returns
    -------
    dict
        As measurements.json, but `blocks` has one entry a feature of the document, None for the die, marks and
        proposals.

    Raises
    ------
    ScaleError
        If no scale is known.
    AnnotationError
        If the document cannot be annotations.
    """
    regions = parse_regions(document, source=source)
    # A centre line is measured as a length here: its inductance takes longer than a hand waits.
    plain = tuple(replace(r, kind="trace") if r.kind == "conductor" else r for r in regions.regions)
    unread = _Unread(conditions.mosaic.width_px, conditions.mosaic.height_px)
    found = measure_survey(
        unread,
        replace(regions, regions=plain),
        _scale(conditions),
        stated=conditions.stated,
        layout=conditions.layout,
    ).to_dict()
    rows = iter(found["blocks"])
    kept = iter(regions.regions)
    blocks: list[dict[str, Any] | None] = []
    for feature in document["features"]:
        region = None if feature["properties"].get("proposed") is True else next(kept)
        measured = region is not None and region.kind != "die" and region.geometry.geom_type != "Point"
        blocks.append({**next(rows), "kind": region.kind} if measured and region is not None else None)
    warnings = [text for text in found["warnings"] if NOT_LOOKED_AT not in text]
    return {**found, "blocks": blocks, "warnings": warnings}


def block_details(
    conditions: Conditions, document: Mapping[str, Any], index: int, *, source: str = THE_DRAWING
) -> dict[str, Any]:
    """One feature measured in full: an inductor's turns and inductance, an array's lattice.

    Parameters
    ----------
    index : int
        Of the feature in the document.
    source : str
        What messages call the document.

    Returns
    -------
    dict
        "block" as in measurements.json (None for a mark), "lines" as `found.lines_found` gives them, and "warnings".

    Raises
    ------
    SettingsError
        If there is no such feature.
    """
    others = parse_regions(document, source=source)
    features = document["features"]
    if not 0 <= index < len(features):
        raise SettingsError(f"feature {index}: {source} has {len(features)}; load it again")
    chosen = {**features[index], "properties": {**features[index]["properties"], "proposed": False}}
    region = parse_regions({**document, "features": [chosen]}, source=source).regions[0]
    inside = conductors_inside(region, others.of_kind("conductor")) if region.kind == "rf_inductor" else []
    wanted: list[Region] = [region, *inside, *(r for r in others.of_kind("die") if region.kind != "die")]
    scale = _scale(conditions)
    found = measure_survey(
        conditions.mosaic,
        Regions(tuple(wanted), source),
        scale,
        layout=conditions.layout,
        stated=conditions.stated,
    ).to_dict()
    block = found["blocks"][0] if found["blocks"] else None
    lines = lines_found(block, (scale.um_per_px_x, scale.um_per_px_y)) if block is not None else {}
    return {"block": block, "lines": lines, "warnings": found["warnings"]}


def snapped_outline(conditions: Conditions, document: Mapping[str, Any], index: int) -> dict[str, Any]:
    """One outline with its corners found on the picture, as `dieplat snap` does it.

    Returns
    -------
    dict
        "feature": what takes its place, or None where no corner was found; "text": what happened, in words.

    Raises
    ------
    SettingsError
        If there is no such feature, or it is no outline.
    """
    parse_regions(document, source=THE_DRAWING)
    features = document["features"]
    if not 0 <= index < len(features):
        raise SettingsError(f"feature {index}: the drawing has {len(features)}; load it again")
    regions = parse_regions({**document, "features": [features[index]]}, source=THE_DRAWING)
    if not regions.regions or "Polygon" not in regions.regions[0].geometry.geom_type:
        raise SettingsError("only drawn outlines have edges to find; choose one, or accept it first")
    refined, (told,) = snap_regions(conditions.mosaic, regions)
    moves = told.result.moves
    found = [move for move in moves if move.u_px is not None]
    if not found:
        reasons = sorted({move.reason for move in moves if move.reason})
        return {"feature": None, "text": f"no corner was found on the picture: {'; '.join(reasons)}"}
    before, after = told.area_px2_before_u / told.area_px2_before, told.area_px2_u / told.area_px2
    text = (
        f"{len(found)} of {len(moves)} corners found on the picture, moved by at most "
        f"{max(move.moved_px for move in found):.2f} px; the area's uncertainty without the scale fell from "
        f"{before:.2%} to {after:.2%}"
    )
    return {"feature": to_document(refined)["features"][0], "text": text}


def _scale(conditions: Conditions) -> Scale:
    if conditions.scale is None:
        raise ScaleError("no scale is known; give --scale, or draw along a known length")
    return conditions.scale


def combine_outlines(document: Mapping[str, Any], indices: tuple[int, int], how: str) -> dict[str, Any]:
    """Join two outlines into one, or take the second out of the first, or cut the first along the second, a line.

    Returns
    -------
    dict
        "geometries": the GeoJSON geometries that take the first one's place.

    Raises
    ------
    SettingsError
        If there are no such features, or the result is no outline.
    """
    parse_regions(document, source=THE_DRAWING)
    features = document["features"]
    if not all(0 <= index < len(features) for index in indices) or indices[0] == indices[1]:
        raise SettingsError("two different features are needed; load the drawing again")
    chosen = [
        {**features[index], "properties": {**features[index]["properties"], "proposed": False}} for index in indices
    ]
    first, second = parse_regions({**document, "features": chosen}, source=THE_DRAWING).regions
    pieces = _combined(first, second, how)
    kept = [piece for piece in pieces if piece.area > 0.0]
    if not kept:
        raise SettingsError(f"'{first.name}' and '{second.name}': nothing is left; choose others")
    return {"geometries": [mapping(piece) for piece in kept]}


def _combined(first: Region, second: Region, how: str) -> list[Any]:
    if "Polygon" not in first.geometry.geom_type:
        raise SettingsError(f"'{first.name}': is no outline")
    if how == "cut":
        if second.geometry.geom_type != "LineString":
            raise SettingsError(f"'{second.name}': is no line to cut along; draw a path across the outline")
        pieces = list(split(first.geometry, second.geometry).geoms)
        if len(pieces) < 2:
            raise SettingsError(f"'{second.name}': does not cross '{first.name}' from side to side")
        return pieces
    if "Polygon" not in second.geometry.geom_type:
        raise SettingsError(f"'{second.name}': is no outline")
    if how == "join":
        return [shapely.union_all([first.geometry, second.geometry])]
    if how == "take_out":
        return [first.geometry.difference(second.geometry)]
    raise SettingsError(f"{how[:20]!r}: give join, take_out or cut")
