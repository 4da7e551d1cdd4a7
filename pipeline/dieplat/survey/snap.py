"""Refine the outlines of an annotation file on the mosaic, keeping what was drawn."""

from __future__ import annotations

import copy
from collections.abc import Collection
from dataclasses import asdict, dataclass
from typing import Any

from shapely.geometry import mapping

from dieplat.annotations import check_inside, parse_regions
from dieplat.annotations.store import to_document
from dieplat.errors import AnnotationError
from dieplat.measurement.areas import measure_area
from dieplat.measurement.placement import Inputs, Placement
from dieplat.measurement.snapping import FOUND_EDGE_U_PX, MOST_PX, Snapped, snap_outline
from dieplat.survey.blocks import has_area
from dieplat.survey.details import Picture
from dieplat.values import Region, Regions, Scale
from dieplat.values.stated import VERTEX_U_PX
from dieplat.work import Progress

PIXELS = Scale(1.0, 0.0, 1.0, 0.0, 1.0, 0.0, 0, 0.0, "pixels")

TEXTURED = ("memory_array",)
"""Kinds whose cells end in edges of their own: on an invented die such an edge was 1.3 px inside an exact outline."""


@dataclass(frozen=True, slots=True, eq=False)
class SnappedRegion:
    """What became of one outline. Areas and their uncertainties without the scale, in square pixels."""

    name: str
    kind: str
    result: Snapped
    area_px2_before: float
    area_px2_before_u: float
    area_px2: float
    area_px2_u: float

    def to_dict(self) -> dict[str, Any]:
        """Plain values, as the annotation's property `snapped` and `dieplat snap --json` have them."""
        moves = [asdict(move) for move in self.result.moves]
        return {
            "found": self.result.found,
            "vertices": moves,
            "area_px2_before": self.area_px2_before,
            "area_px2_before_u": self.area_px2_before_u,
            "area_px2": self.area_px2,
            "area_px2_u": self.area_px2_u,
        }


def snap_regions(
    mosaic: Picture,
    regions: Regions,
    *,
    only: Collection[str] = (),
    most_px: float = MOST_PX,
    vertex_u_px: float = VERTEX_U_PX,
    progress: Progress | None = None,
) -> tuple[Regions, tuple[SnappedRegion, ...]]:
    """Refine outlines on the picture.

    Parameters
    ----------
    mosaic : Mosaic
        Read in crops along the sides.
    regions : Regions
        Not changed.
    only : collection of str, optional
        Names of the outlines to refine; all outlines unless given. Paths and marks always stay as they are.
    most_px, vertex_u_px : float
        See `snap_outline`.
    progress : callable, optional
        Called with (outlines done, outlines in all).

    Returns
    -------
    (Regions, tuple of SnappedRegion)
        The new regions, in mosaic pixels. A refined one has the property `snapped`, with every vertex as drawn and as
        found, which `measure_survey` reads, and the property `drawn`, its geometry as it was.

    Raises
    ------
    AnnotationError
        If a region reaches outside the mosaic, or a name is not there.
    """
    check_inside(regions, mosaic.width_px, mosaic.height_px)
    names = {region.name for region in regions.regions if has_area(region)}
    for name in only:
        if name not in names:
            raise AnnotationError(f"{regions.source}: there is no outline named '{name}'; check the name")
    document = copy.deepcopy(to_document(regions))
    chosen = [
        (number, region)
        for number, region in enumerate(regions.regions)
        if has_area(region) and (not only or region.name in only)
    ]
    told = []
    for done, (number, region) in enumerate(chosen, 1):
        result = snap_outline(
            mosaic,
            region.geometry,
            most_px=most_px,
            vertex_u_px=vertex_u_px,
            textured=region.kind in TEXTURED,
        )
        snapped = _with_areas(region, result)
        told.append(snapped)
        if snapped.result.found:
            feature = document["features"][number]
            properties = {**feature["properties"], "snapped": snapped.to_dict()}
            properties.setdefault("drawn", feature["geometry"])
            feature |= {"properties": properties, "geometry": mapping(snapped.result.geometry)}
        if progress is not None:
            progress(done, len(chosen))
    return parse_regions(_plain(document), source=regions.source), tuple(told)


def _plain(value: Any) -> Any:
    """Tuples as lists, as a file read back has them."""
    if isinstance(value, dict):
        return {key: _plain(item) for key, item in value.items()}
    return [_plain(item) for item in value] if isinstance(value, (list, tuple)) else value


def _with_areas(region: Region, result: Snapped) -> SnappedRegion:
    before = measure_area([region.geometry], Inputs(PIXELS))
    found = {move.at_px: move.u_px for move in result.moves if move.u_px is not None}
    placement = Placement(found=found, found_edge_u_px=FOUND_EDGE_U_PX if found else 0.0)
    after = measure_area([result.geometry], Inputs(PIXELS, placement))
    return SnappedRegion(region.name, region.kind, result, before.value, before.u, after.value, after.u)
