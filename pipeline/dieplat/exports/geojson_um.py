"""The drawing as GeoJSON in micrometres, with all that the file held."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from dieplat.values import Regions, Scale


def document_um(regions: Regions, scale: Scale) -> dict[str, Any]:
    """The annotations' document with coordinates in micrometres, x right and y down as in the picture.

    Unknown members and features are kept. A document that is in micrometres already is given back as it is.

    Parameters
    ----------
    regions : Regions
        As loaded; `regions.document` holds the file.
    scale : Scale
    """
    document = dict(regions.document)
    if document.get("coordinates_in", "mosaic_px") == "um":
        return document
    per_px = scale.um_per_px_x, scale.um_per_px_y
    features = [_in_um(feature, per_px) for feature in document.get("features", [])]
    return {**document, "coordinates_in": "um", "features": features}


def _in_um(feature: Mapping[str, Any], per_px: tuple[float, float]) -> dict[str, Any]:
    geometry = dict(feature["geometry"])
    geometry["coordinates"] = _times(geometry["coordinates"], per_px)
    return {**feature, "geometry": geometry}


def _times(value: Any, per_px: tuple[float, float]) -> Any:
    if value and isinstance(value[0], (list, tuple)):
        return [_times(item, per_px) for item in value]
    return [value[0] * per_px[0], value[1] * per_px[1], *value[2:]]
