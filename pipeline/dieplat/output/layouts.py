"""Read layout.json back into a `Layout`."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

from dieplat.errors import MosaicError
from dieplat.files import check_plain
from dieplat.values import Layout, PairLink, PlacedTile
from dieplat.values.bounds import PICTURE_PX, is_within


def load_layout(path: Path) -> Layout:
    """Read a layout.json: the tiles with their uncertainties, the overlaps and the lens; skipped files are left out.

    Where the file does not state the tiles' size, it follows from the mosaic's size: the outermost tiles end
    at its edges.

    Raises
    ------
    MosaicError
        If the file is not a layout.
    """
    try:
        check_plain(path)
        document = json.loads(path.read_bytes().decode("utf-8"))
        tiles = tuple(_tile(entry) for entry in document["tiles"])
        width, height = int(document["width_px"]), int(document["height_px"])
        pairs = tuple(_pair(entry) for entry in document.get("pairs") or ())
        lens = {str(key): float(value) for key, value in (document.get("lens") or {}).items()} or None
        rms = float(document.get("rms_residual_px") or 0.0)
        tile_width = document.get("tile_width_px") or width - max((tile.x_px for tile in tiles), default=0.0)
        tile_height = document.get("tile_height_px") or height - max((tile.y_px for tile in tiles), default=0.0)
        size = int(tile_width), int(tile_height)
        if not all(is_within(side, PICTURE_PX) for side in (width, height, *size)):
            raise ValueError(f"a size of {width} x {height} px of {size[0]:.4g} x {size[1]:.4g} px")
    except (ValueError, TypeError, KeyError, AttributeError, OverflowError, RecursionError) as error:
        what = " ".join(f"{type(error).__name__}: {error}".split())[:80]
        raise MosaicError(f"{path}: not a layout ({what}); stitch the tiles again or move the file away") from None
    return Layout(
        width_px=width,
        height_px=height,
        tile_width_px=size[0],
        tile_height_px=size[1],
        tiles=tiles,
        pairs=pairs,
        skipped=(),
        rms_residual_px=rms,
        lens=lens,
    )


def _tile(entry: dict[str, Any]) -> PlacedTile:
    x, y, x_u, y_u = (float(entry[key]) for key in ("x_px", "y_px", "x_px_u", "y_px_u"))
    if not all(abs(at) <= PICTURE_PX[1] and 0 <= u < math.inf for at, u in ((x, x_u), (y, y_u))):
        raise ValueError(f"tile {entry['name']} has a position that is none")
    return PlacedTile(
        name=str(entry["name"]),
        x_px=x,
        y_px=y,
        x_px_u=x_u,
        y_px_u=y_u,
        placed_by=entry["placed_by"],
        ambiguous=bool(entry.get("ambiguous", False)),
    )


def _pair(entry: dict[str, Any]) -> PairLink:
    dx, dy, residual = (float(entry[key]) for key in ("dx_px", "dy_px", "residual_px"))
    return PairLink(str(entry["a"]), str(entry["b"]), dx, dy, residual, bool(entry["used"]))
