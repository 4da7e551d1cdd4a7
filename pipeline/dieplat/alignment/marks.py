"""Pairs of marks: points of one name, drawn in the reference and in the other mosaic."""

from __future__ import annotations

from collections import Counter

from dieplat.alignment.fit import Pair
from dieplat.errors import RegistrationError
from dieplat.values import Regions

MARK_U_PX = 0.5
"""Each coordinate of a mark that is set by hand (common practice, no source)."""


def marks_in_common(reference: Regions, other: Regions) -> list[Pair]:
    """The marks whose names occur once in either drawing, in the reference's order.

    Raises
    ------
    RegistrationError
        If fewer than two names are in both.
    """
    here, there = _marks(reference), _marks(other)
    pairs = [Pair(place, there[name], MARK_U_PX, name) for name, place in here.items() if name in there]
    if len(pairs) < 2:
        raise RegistrationError(
            f"{reference.source} and {other.source} have {len(pairs)} marks of the same name; "
            "mark two or more places in both and give each the same name"
        )
    return pairs


def _marks(regions: Regions) -> dict[str, tuple[float, float]]:
    points = [region for region in regions.regions if region.geometry.geom_type == "Point"]
    count = Counter(region.name for region in points)
    return {
        region.name: (float(region.geometry.centroid.x), float(region.geometry.centroid.y))
        for region in points
        if count[region.name] == 1
    }
