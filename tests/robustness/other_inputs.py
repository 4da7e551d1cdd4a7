"""Spoiled inputs of the commands and formats that `bad_inputs` leaves out; the same rules hold for them.

JPEG and TIFF tiles, tie points, boards and their drawings, marks, proposals, and every format of an export.
"""

from __future__ import annotations

import json
import random
import shutil
import time
from pathlib import Path
from typing import Any

import bad_inputs
import cv2
import tifffile
from bad_inputs import Ran

from dieplat.phantom.board import make_board

MOSAIC, DRAWN = "out/mosaic.ome.tif", "die/blocks.geojson"
SCALE = ("--scale", "out/scale.json")
COMMANDS: dict[str, tuple[str, ...]] = {
    "stitch JPEG": ("stitch", "jpeg", "--out", "new/m.ome.tif"),
    "stitch TIFF": ("stitch", "tiff", "--out", "new/m.ome.tif", *SCALE),
    "ties": ("stitch", "die/tiles", "--out", "new/m.ome.tif", "--ties", "die/ties.json"),
    "calibrate": ("calibrate", "micrometer.jpg", "--pitch-um", "10", "--out", "new/s.json"),
    "board": ("board", "board.jpg", "board.geojson", "--out", "new/board.json"),
    "align": ("align", MOSAIC, "lower.tif", "--out", "new/a.ome.tif"),
    "marks": ("align", MOSAIC, "lower.tif", "--out", "new/a.ome.tif", "--marks", "marks.geojson", "marks.geojson"),
    "propose": ("propose", MOSAIC, DRAWN, "--out", "new/p.geojson", *SCALE),
    "publish": ("publish", MOSAIC, DRAWN, "--out", "new/show", *SCALE),
    "export gds": ("export", MOSAIC, DRAWN, "--out", "new/x.gds", *SCALE),
    "export png": ("export", MOSAIC, DRAWN, "--out", "new/x.png", "--width-px", "300", *SCALE),
    "export zarr": ("export", MOSAIC, "--out", "new/x.ome.zarr"),
    "export um": ("export", MOSAIC, DRAWN, "--out", "new/x.geojson", *SCALE),
    "table": ("compare", "out", "out/measurements.json", "--out", "new/c.csv"),
}
SHARES: tuple[tuple[str, str, int], ...] = (
    ("jpeg/r00_c01.jpg", "stitch JPEG", 5),
    ("tiff/r00_c01.tif", "stitch TIFF", 5),
    ("out/scale.json", "stitch TIFF", 1),
    ("die/ties.json", "ties", 5),
    ("micrometer.jpg", "calibrate", 5),
    ("board.jpg", "board", 2),
    ("board.geojson", "board", 4),
    ("lower.tif", "align", 3),
    ("marks.geojson", "marks", 4),
    (MOSAIC, "propose", 1),
    (DRAWN, "propose", 1),
    (DRAWN, "publish", 3),
    (MOSAIC, "publish", 2),
    (DRAWN, "export gds", 5),
    (DRAWN, "export png", 4),
    (MOSAIC, "export zarr", 3),
    (DRAWN, "export um", 4),
    ("out/measurements.json", "table", 4),
)
"""Which file is spoiled, what then reads it, and how often."""


def make_base(folder: Path) -> None:
    """The survey of `bad_inputs`, and beside it what the other commands read."""
    bad_inputs.make_base(folder)
    for name in ("jpeg", "tiff"):
        (folder / name).mkdir()
    for path in sorted((folder / "die/tiles").iterdir()):
        pixels = cv2.imread(str(path), cv2.IMREAD_UNCHANGED)
        cv2.imwrite(str(folder / "jpeg" / f"{path.stem}.jpg"), pixels)
        tifffile.imwrite(folder / "tiff" / f"{path.stem}.tif", pixels[..., ::-1] if pixels.ndim == 3 else pixels)
    ruler = cv2.imread(str(folder / "die/micrometer.png"), cv2.IMREAD_UNCHANGED)
    cv2.imwrite(str(folder / "micrometer.jpg"), ruler)
    layout = json.loads((folder / "out/layout.json").read_text(encoding="utf-8"))
    first, second = (layout["tiles"][index] for index in (0, 1))
    at = [second["x_px"] + 20.0, second["y_px"] + 60.0]
    tie = {"a": first["name"], "b": second["name"]} | {
        name: [at[0] - tile["x_px"], at[1] - tile["y_px"]] for name, tile in (("a_px", first), ("b_px", second))
    }
    _write(folder / "die/ties.json", {"ties": [tie]})
    make_board(folder, seed=12, replace=True)
    picture = tifffile.imread(folder / MOSAIC)
    tifffile.imwrite(folder / "lower.tif", picture)
    _write(folder / "marks.geojson", _marks())


def _marks() -> dict[str, Any]:
    spots = ((60, 60), (500, 80), (480, 400), (90, 420))
    features = [
        {
            "type": "Feature",
            "properties": {"name": f"M{number}", "kind": "other"},
            "geometry": {"type": "Point", "coordinates": list(spot)},
        }
        for number, spot in enumerate(spots)
    ]
    return {"type": "FeatureCollection", "coordinates_in": "mosaic_px", "features": features}


def _write(path: Path, document: dict[str, Any]) -> None:
    path.write_text(json.dumps(document), encoding="utf-8")


def try_case(number: int, base: Path, work: Path, *, apart: bool = False) -> Ran:
    """Spoil a file as `number` says, run the command that reads it, and look at what is left."""
    rng = random.Random(f"other case {number}")
    target, name, _ = rng.choices(SHARES, [share for *_, share in SHARES])[0]
    if work.exists():
        shutil.rmtree(work)
    shutil.copytree(base, work)
    kind, data = bad_inputs.spoil(rng, work / target)
    (work / target).write_bytes(data)
    names = [path.name for path in work.rglob("*")]
    inputs = _given(work)
    begun = time.process_time()
    with bad_inputs._bounded():
        status, told, trace = (bad_inputs.run_apart if apart else bad_inputs.run)(work, COMMANDS[name])
    cpu_s = time.process_time() - begun
    faults = [*bad_inputs._said_wrongly(status, told, trace, names), *bad_inputs._left_wrongly(work, inputs[0], status)]
    if _given(work) != inputs:
        faults.append("an input was changed")
    if status and [path for path in (work / "new").iterdir() if path.name != "stitch_cache.sqlite"]:
        faults.append(f"refused, yet left {sorted(path.name for path in (work / 'new').iterdir())}")
    return Ran(number, target, name, kind, status, told.strip(), tuple(faults), cpu_s)


def _given(work: Path) -> list[dict[str, bytes]]:
    """The contents of all inputs, folder by folder; first the survey's own."""
    single = {path.name: path.read_bytes() for path in work.iterdir() if path.is_file()}
    return [*(bad_inputs._contents(work / name) for name in ("die", "out", "jpeg", "tiff")), single]
