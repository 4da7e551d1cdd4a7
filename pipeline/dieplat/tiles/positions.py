"""Where the stage stood when a picture was taken, as open metadata standards have it.

- OME-XML in the description of a TIFF (schema 2016-06): `Plane` with PositionX, PositionY and PositionZ, or else
  `StageLabel` with X, Y and Z; `Pixels` with PhysicalSizeX.
- TIFF 6.0, tags 286 and 287 (XPosition, YPosition).

Units and directions of stages differ, so positions are only hints: what they claim is for the pictures to confirm.
"""

from __future__ import annotations

import math
from pathlib import Path
from typing import NamedTuple
from xml.etree import ElementTree

import tifffile

TIFF_SUFFIXES = (".tif", ".tiff")
_MICROMETRES = {"nm": 1e-3, "µm": 1.0, "mm": 1e3, "cm": 1e4, "m": 1e6}


class StagePosition(NamedTuple):
    """Position of the stage, in micrometres where the file says its unit, else in the stage's own.

    `z` is None where the file does not say it; `pixel` is the size of a pixel, 0.0 where unknown.
    """

    x: float
    y: float
    z: float | None
    pixel: float


def stage_position(path: Path) -> StagePosition | None:
    """Read the position of the stage from a TIFF; None if the file has none or is no TIFF."""
    if path.suffix.lower() not in TIFF_SUFFIXES:
        return None
    try:
        with tifffile.TiffFile(path) as tiff:
            found = _from_ome(tiff.ome_metadata, path.name) if tiff.is_ome else None
            return found or _from_tags(tiff.pages[0])
    except (OSError, ValueError, KeyError, IndexError, TypeError, ZeroDivisionError, ElementTree.ParseError):
        # A position is a hint; metadata that cannot be read are none.
        return None


def _from_tags(page: tifffile.TiffPage) -> StagePosition | None:
    """Tags 286, 287 and 296; rationals."""
    values = [page.tags.valueof(tag) for tag in (286, 287)]
    if None in values:
        return None
    x, y = (value[0] / value[1] if isinstance(value, tuple) else float(value) for value in values)
    unit = {2: 25_400.0, 3: 10_000.0}.get(int(page.tags.valueof(296, 1)), 1.0)
    return StagePosition(x * unit, y * unit, None, 0.0)


def _from_ome(text: str, name: str) -> StagePosition | None:
    root = ElementTree.fromstring(text)
    images = [element for element in root.iter() if _local(element) == "Image"]
    if len(images) > 1:
        # A set of files may carry the metadata of all: the image whose data lie in this file counts.
        images = [image for image in images if any(e.get("FileName") == name for e in image.iter())]
    if len(images) != 1:
        return None
    pixel = 0.0
    for element in images[0].iter():
        if _local(element) == "Pixels":
            pixel = float(element.get("PhysicalSizeX", "0")) * _unit(element.get("PhysicalSizeXUnit", "µm"))
    for kind, stem in (("Plane", "Position"), ("StageLabel", "")):
        for element in images[0].iter():
            if _local(element) == kind and element.get(f"{stem}X") and element.get(f"{stem}Y"):
                x, y, z = (_number(element, f"{stem}{axis}") for axis in "XYZ")
                if x is not None and y is not None:
                    return StagePosition(x, y, z, pixel)
    return None


def _local(element: ElementTree.Element) -> str:
    """The name of an element without its namespace, which changes from one schema version to the next."""
    return element.tag.rpartition("}")[2]


def _number(element: ElementTree.Element, key: str) -> float | None:
    text = element.get(key)
    if text is None:
        return None
    value = float(text) * _unit(element.get(f"{key}Unit", ""))
    return value if math.isfinite(value) else None


def _unit(name: str) -> float:
    return _MICROMETRES.get(name.replace("μ", "µ"), 1.0)
