"""Annotated regions of a mosaic."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from shapely.geometry.base import BaseGeometry

KINDS = (
    "die",
    "logic",
    "memory_array",
    "rf_inductor",
    "analog",
    "io_pad",
    "power",
    "other",
    "trace",
    "conductor",
)


@dataclass(frozen=True, slots=True, eq=False)
class Region:
    """One annotation: a shapely geometry in mosaic pixels, a name and a kind of `KINDS`."""

    name: str
    kind: str
    geometry: BaseGeometry
    width_um: float | None = None
    notes: str = ""
    properties: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, eq=False)
class Regions:
    """All annotations of a file. `document` is the file as read, so that writing loses nothing unknown.

    `proposed` holds those that the tool proposed and nobody has accepted yet: they are shown, never counted.
    """

    regions: tuple[Region, ...]
    source: str
    document: Mapping[str, Any] = field(default_factory=dict)
    proposed: tuple[Region, ...] = ()

    def of_kind(self, *kinds: str) -> tuple[Region, ...]:
        """The regions of the given kinds, in file order."""
        return tuple(region for region in self.regions if region.kind in kinds)
