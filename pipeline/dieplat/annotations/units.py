"""A document of annotations in other units, with all that the file held."""

from __future__ import annotations

import operator
from collections.abc import Mapping
from typing import Any

MOSAIC_PX, MICROMETRES = "mosaic_px", "um"


def in_units(document: Mapping[str, Any], units: str, um_per_px: tuple[float, float]) -> dict[str, Any]:
    """A FeatureCollection with its coordinates in `units`, `MOSAIC_PX` or `MICROMETRES`.

    Unknown members and features are kept. One that is in these units already keeps its coordinates to the last digit.
    """
    plain = {**document, "coordinates_in": units}
    if document.get("coordinates_in", MOSAIC_PX) == units:
        return plain
    # Divided, not times the reciprocal: the same digits as when the file is measured.
    scaled = operator.mul if units == MICROMETRES else operator.truediv

    def changed(value: Any) -> Any:
        if value and isinstance(value[0], (list, tuple)):
            return [changed(item) for item in value]
        return [scaled(value[0], um_per_px[0]), scaled(value[1], um_per_px[1]), *value[2:]]

    def moved(feature: Mapping[str, Any]) -> dict[str, Any]:
        geometry = feature["geometry"]
        return {**feature, "geometry": {**geometry, "coordinates": changed(geometry["coordinates"])}}

    plain["features"] = [moved(feature) for feature in document.get("features", [])]
    return plain
