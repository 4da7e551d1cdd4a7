"""Small made-up survey folders for the tests of `dieplat compare`."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from dieplat.files import write_json


def rectangle(name: str, kind: str, box_px: tuple[float, float, float, float]) -> dict[str, Any]:
    """A drawn rectangle."""
    x0, y0, x1, y1 = box_px
    ring = [[x0, y0], [x1, y0], [x1, y1], [x0, y1], [x0, y0]]
    geometry = {"type": "Polygon", "coordinates": [ring]}
    return {"type": "Feature", "properties": {"name": name, "kind": kind}, "geometry": geometry}


def make_survey(
    folder: Path,
    *,
    title: str,
    um_per_px: float = 0.5,
    die_px: tuple[float, float] | None = (1000.0, 800.0),
    blocks: dict[str, tuple[str, tuple[float, float, float, float]]] | None = None,
    outlines: bool = True,
) -> Path:
    """Measurements that follow from rectangles: areas known to 0.4 %, shares to 0.1 % of themselves."""
    folder.mkdir(parents=True)
    blocks = {"Core": ("logic", (100, 100, 600, 500))} if blocks is None else blocks
    features = [rectangle(name, kind, box) for name, (kind, box) in blocks.items()]
    um2 = um_per_px**2
    die = None
    if die_px is not None:
        features.insert(0, rectangle("Die", "die", (0, 0, *die_px)))
        area = die_px[0] * die_px[1] * um2
        die = {"name": "Die", "area_um2": area, "area_um2_u": 0.004 * area}
        die |= {"width_um": die_px[0] * um_per_px, "width_um_u": 1.0}
        die |= {"height_um": die_px[1] * um_per_px, "height_um_u": 1.0}
    sums: dict[str, list[float]] = {}
    for kind, (x0, y0, x1, y1) in blocks.values():
        sums.setdefault(kind, []).append((x1 - x0) * (y1 - y0) * um2)
    summary = []
    for kind, areas in sums.items():
        share = None if die is None else sum(areas) / die["area_um2"]
        share_u = None if share is None else 0.001 * share
        summary.append({"kind": kind, "count": len(areas), "area_um2": sum(areas), "area_um2_u": 0.004 * sum(areas)})
        summary[-1] |= {"share_of_die": share, "share_of_die_u": share_u}
    left = None if die is None else die["area_um2"] - sum(map(sum, sums.values()))
    document = {
        "scale": {"um_per_px_x": um_per_px, "um_per_px_x_u": 0.001 * um_per_px, "um_per_px_y": um_per_px},
        "die": die,
        "blocks": [],
        "summary": summary,
        "unassigned_um2": left,
        "unassigned_um2_u": None if left is None else 0.004 * left,
        "unassigned_share_u": None if left is None else 0.0005,
    }
    write_json(folder / "measurements.json", document)
    write_json(folder / "survey_state.json", {"title": title})
    if outlines:
        collection = {"type": "FeatureCollection", "coordinates_in": "mosaic_px", "features": features}
        (folder / "blocks.geojson").write_text(json.dumps(collection), encoding="utf-8")
    return folder
