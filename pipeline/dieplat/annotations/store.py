"""Write annotations back without losing what the tool does not know."""

from __future__ import annotations

import contextlib
from pathlib import Path
from typing import Any

from shapely.geometry import mapping

from dieplat.annotations.load import parse_regions
from dieplat.errors import AnnotationError
from dieplat.files import write_json
from dieplat.values import Region, Regions


def save_regions(path: Path, regions: Regions) -> None:
    """Write `regions` as GeoJSON in mosaic pixels, whole or not at all.

    A region that came from `regions.document` keeps its feature's unknown members and properties; where its
    geometry was not changed either, the coordinates stay digit for digit (a file in micrometres is written in
    pixels). A region belongs to the feature whose `properties` object it carries, so use
    `dataclasses.replace` to edit one. Regions that are no longer there are left out, new ones are appended.
    """
    write_json(path, to_document(regions))


def to_document(regions: Regions) -> dict[str, Any]:
    """The GeoJSON document of `regions`; see `save_regions`."""
    unchanged = _as_loaded(regions)
    in_pixels = regions.document.get("coordinates_in", "mosaic_px") == "mosaic_px"
    features = []
    for region in (*regions.regions, *regions.proposed):
        feature, loaded = unchanged.get(id(region.properties), ({"type": "Feature"}, None))
        written = {**feature, "properties": _properties(region)}
        if not (in_pixels and loaded is not None and loaded.geometry.equals_exact(region.geometry, 0.0)):
            written["geometry"] = _geometry(region)
        features.append(written)
    return {
        "type": "FeatureCollection",
        **{key: value for key, value in regions.document.items() if key != "features"},
        "coordinates_in": "mosaic_px",
        "features": features,
    }


def _as_loaded(regions: Regions) -> dict[int, tuple[dict[str, Any], Region | None]]:
    """Every feature of the document by the identity of its properties, with the region it was read as."""
    features = regions.document.get("features", [])
    loaded: dict[int, Region] = {}
    # In micrometres without a scale they cannot be read: the coordinates are written anew anyway.
    with contextlib.suppress(AnnotationError):
        read = parse_regions(dict(regions.document))
        loaded = {id(region.properties): region for region in (*read.regions, *read.proposed)}
    keys = [id(feature["properties"]) for feature in features]
    return {key: (feature, loaded.get(key)) for key, feature in zip(keys, features, strict=True)}


def _properties(region: Region) -> dict[str, Any]:
    written = {**region.properties, "name": region.name, "kind": region.kind}
    if region.width_um is not None or "width_um" in written:
        written["width_um"] = region.width_um
    if region.notes or isinstance(written.get("notes"), str):
        written["notes"] = region.notes
    return written


def _geometry(region: Region) -> dict[str, Any]:
    shape: dict[str, Any] = mapping(region.geometry)
    return shape
