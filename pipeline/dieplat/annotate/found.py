"""What was read from the picture, as lines to draw over it so that a person can judge it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import shapely
from shapely.geometry.base import BaseGeometry

from dieplat.report.lattice import drawn_lattice
from dieplat.report.winding import drawn_winding

MOST_CELL_LINES = 2000
"""More lines than that tell a person nothing; the frames of the banks are drawn alone then."""


def lines_found(block: Mapping[str, Any], um_per_px: tuple[float, float]) -> dict[str, list[Any]]:
    """The lines of an array or inductor, the same as the report draws.

    Parameters
    ----------
    block : mapping
        A block of measurements.json.
    um_per_px : tuple of float
        The scale along x and y.

    Returns
    -------
    dict
        Lists of lines, each a list of (x, y) in mosaic pixels: "frames" and "cells" of an array's banks, "centre" and
        "edges" of a conductor. Empty where nothing was found.
    """
    found: dict[str, list[Any]] = {}
    if block.get("array"):
        lattice = drawn_lattice(block["array"], um_per_px)
        frames = lattice.frames()
        found["frames"] = list(_lines(frames))
        if sum(bank.columns + bank.rows for bank in lattice.banks) <= MOST_CELL_LINES and not frames.is_empty:
            found["cells"] = list(_lines(lattice.lines_in(frames.bounds)))
    winding = drawn_winding(block["inductor"], um_per_px) if block.get("inductor") else None
    if winding is not None:
        found["centre"], found["edges"] = list(_lines(winding.centre_line)), list(_lines(winding.edges))
    return found


def _lines(geometry: BaseGeometry) -> Iterator[list[tuple[float, float]]]:
    for part in shapely.get_parts(geometry):
        if part.geom_type == "LineString" and not part.is_empty:
            yield [(float(x), float(y)) for x, y in part.coords]
