"""Put proposals into annotations, apart from what a person drew."""

from __future__ import annotations

import copy
from collections.abc import Iterable, Mapping
from typing import Any

import shapely
from shapely.affinity import scale as stretch
from shapely.geometry import mapping
from shapely.geometry.base import BaseGeometry

from dieplat.annotations.load import PROPOSED, parse_regions
from dieplat.errors import AnnotationError
from dieplat.proposals.values import Proposal

OVER = 0.2
"""A proposal of which more than this part lies on blocks that are there, or that covers as much of one, is left out."""
TITLES = {
    "die": "Die",
    "logic": "Logic",
    "memory_array": "Memory",
    "rf_inductor": "Inductor",
    "analog": "Analog",
    "io_pad": "Pad",
    "power": "Power",
    "other": "Field",
}


def with_proposals(
    document: Mapping[str, Any],
    proposals: Iterable[Proposal],
    *,
    um_per_px: tuple[float, float] | None = None,
    source: str = "annotations",
) -> dict[str, Any]:
    """Add proposals to a GeoJSON document as features with "proposed": true and their "confidence".

    Parameters
    ----------
    document : mapping
        A FeatureCollection as read; it is not changed, and its features come back as they are.
    proposals : iterable of Proposal
    um_per_px : (float, float), optional
        Needed where the document is in micrometres: proposals are then written in micrometres too.
    source : str
        Begins the messages.

    Returns
    -------
    dict
        What overlaps a block that is drawn, or an earlier proposal, is left out, and a die where one is there. Names
        are free ones: "Memory 3 (proposed)".

    Raises
    ------
    AnnotationError
        If the document cannot be used.
    """
    regions = parse_regions(dict(document), source=source, um_per_px=um_per_px)
    there = [*regions.regions, *regions.proposed]
    names = {region.name for region in there}
    blocks = [region.geometry for region in there if region.kind != "die" and region.geometry.area > 0]
    has_die = any(region.kind == "die" for region in there)
    in_um = document.get("coordinates_in", "mosaic_px") == "um"
    if in_um and um_per_px is None:
        raise AnnotationError(f"{source}: coordinates are in um but no scale is known; give one with --scale")
    across, down = um_per_px if in_um and um_per_px is not None else (1.0, 1.0)
    added = []
    for proposal in proposals:
        if has_die if proposal.kind == "die" else _covers(proposal.polygon, blocks):
            continue
        name = _free_name(TITLES[proposal.kind], names)
        names.add(name)
        properties = {
            "name": name,
            "kind": proposal.kind,
            PROPOSED: True,
            "confidence": proposal.confidence,
            "notes": proposal.reason,
        }
        shape = stretch(proposal.polygon, across, down, origin=(0, 0)) if in_um else proposal.polygon
        added.append({"type": "Feature", "properties": properties, "geometry": mapping(shapely.normalize(shape))})
    written = copy.deepcopy(dict(document))
    written["features"] = [*written["features"], *added]
    return written


def empty_document() -> dict[str, Any]:
    """Annotations without a feature, in mosaic pixels."""
    return {"type": "FeatureCollection", "coordinates_in": "mosaic_px", "features": []}


def _covers(shape: BaseGeometry, blocks: Iterable[BaseGeometry]) -> bool:
    shared = [(shape.intersection(block).area, block.area) for block in blocks if shape.intersects(block)]
    on_blocks = sum(area for area, _ in shared)
    return bool(on_blocks > OVER * shape.area or any(area > OVER * own for area, own in shared))


def _free_name(title: str, names: set[str]) -> str:
    number = 1
    while f"{title} {number} (proposed)" in names:
        number += 1
    return f"{title} {number} (proposed)"
