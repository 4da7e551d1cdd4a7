"""Surveys of phantoms from their pictures: tiles written, stitched, calibrated and measured, as an evening does it."""

from __future__ import annotations

import shutil
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from dieplat.calibration import measure_scale
from dieplat.calibration.scale import SQUARE_U_REL
from dieplat.errors import DieplatError, UndecidedError
from dieplat.mosaicfile.read import Mosaic, open_mosaic
from dieplat.phantom import make_phantom
from dieplat.phantom.layers import Block
from dieplat.phantom.render import FINE
from dieplat.phantom.scenario import scenario_for
from dieplat.phantom.truth import Truth
from dieplat.registration.bundle import LEAST_SHIFT_PX
from dieplat.survey import measure_survey
from dieplat.tiles.read import read_picture
from dieplat.values import Layout, Regions, Scale
from dieplat.values.measurements import BlockResult
from dieplat.workflow import build_mosaic
from survey_truth import Array, Figure, compare, drawn_regions

PRESETS_IN_TURN = (
    "ordinary", "sharp", "lens", "shaded", "order", "shuffled", "memory", "hand", "positions", "stretched", "radio",
    "missing", "blank",
)  # fmt: skip
TILES = {"rows": 3, "columns": 3, "tile_width_px": 480, "tile_height_px": 360, "fine": FINE}
TONE = {"tone_power": (1.0 / 2.4, 1.0)}
"""From a camera that writes light as it falls to one with nearly the curve of sRGB (IEC 61966-2-1: power 1/2.4)."""
NORM_PX = 300.0
"""Half a tile's diagonal."""


def survey_photographed(seed: int, preset: str, pictures: bool) -> list[Figure]:
    """One phantom: its blocks drawn by hand, and again exactly with the die left to be found; none if refused.

    Presets without a lens get one that registration leaves alone: up to `LEAST_SHIFT_PX` at a tile's corner. Every
    camera has a tone curve.
    What lies within blocks is measured from pixels, with the first of the two drawings only. Drawings move with their
    tiles and with the k1 that is left in them, but not with what two terms together leave (some 1e-3 px here).
    """
    preset = PRESETS_IN_TURN[seed % len(PRESETS_IN_TURN)] if preset == "all" else preset
    rng = np.random.default_rng([seed, 81])
    ratio = scenario_for(preset).um_per_px_ratio_y * (1 + rng.normal(0, SQUARE_U_REL))
    folder = Path(tempfile.mkdtemp(prefix="survey_"))
    try:
        changes: dict[str, Any] = {"um_per_px_ratio_y": ratio, **TILES, **TONE, **_lens(preset)}
        truth = make_phantom(folder / "die", seed=seed, preset=preset, **changes)
        layout = build_mosaic(folder / "die/tiles", folder / "mosaic.ome.tif")
        scale = _scale(folder / "die", truth)
        with open_mosaic(folder / "mosaic.ome.tif") as mosaic:
            return _measured(truth, mosaic, layout, scale, rng)
    except DieplatError as error:
        print(f"seed {seed}, {preset}: {error}", file=sys.stderr, flush=True)
        return []
    finally:
        shutil.rmtree(folder)


def _lens(preset: str) -> dict[str, tuple[float, float]]:
    if scenario_for(preset).k1_size is not None:
        return {}
    return {"k1_size": (0.0, LEAST_SHIFT_PX / NORM_PX)}


def _k1_left(truth: Truth, layout: Layout) -> float:
    """k1 of the camera that the mosaic has still; none where k2 is solved as well."""
    lens = layout.lens or {"k1": 0.0, "k2": 0.0}
    return 0.0 if lens["k2"] else truth.camera.k1 - float(lens["k1"])


def _scale(folder: Path, truth: Truth) -> Scale:
    turned = folder / "micrometer_turned.png"
    return measure_scale(
        read_picture(folder / "micrometer.png"),
        turned=read_picture(turned) if turned.exists() else None,
        pitch_um=truth.pitch_um,
        pitch_um_u=truth.pitch_u_um,
    )


def _measured(truth: Truth, mosaic: Mosaic, layout: Layout, scale: Scale, rng: np.random.Generator) -> list[Figure]:
    true = {tile.name: (tile.x_px, tile.y_px) for tile in truth.tiles}
    moves: Array = np.array([np.subtract((tile.x_px, tile.y_px), true[tile.name]) for tile in layout.tiles])
    taken = replace(layout, tiles=tuple(replace(t, x_px=true[t.name][0], y_px=true[t.name][1]) for t in layout.tiles))
    bend = NORM_PX * _k1_left(truth, layout)
    by_hand, exact = (drawn_regions(truth, taken, moves, bend, 0.0, drawing, rng) for drawing in ("drawn", "exact"))
    if not all(region.geometry.is_valid for region in (*by_hand.regions, *exact.regions)):
        raise UndecidedError("outlines cross themselves on what was put together")
    figures = compare(truth, by_hand, scale, layout, "drawn", mosaic)
    figures += compare(truth, exact, scale, layout, "exact", mosaic)
    undrawn = Regions(tuple(region for region in exact.regions if region.kind != "die"), "phantom")
    try:
        figures += compare(truth, undrawn, scale, layout, "found", mosaic)
    except UndecidedError as error:
        print(f"seed {truth.seed}, {truth.preset}: {error}", file=sys.stderr, flush=True)
    kinds = {block.name: block.kind for block in truth.die.blocks}
    inside = tuple(
        replace(region, kind=kinds[region.name])
        for region in by_hand.regions
        if kinds[region.name] in ("memory_array", "rf_inductor", "conductor")
    )
    if inside:
        found = measure_survey(mosaic, Regions(inside, "phantom"), scale, layout=layout)
        blocks = {block.name: block for block in truth.die.blocks}
        for warning in found.warnings:
            if warning.startswith("memory array") and "not measured" in warning:
                print(f"seed {truth.seed}: {warning}", file=sys.stderr)
        for row in found.blocks:
            figures += _within(truth, blocks[row.name], row)
    return figures


def _within(truth: Truth, block: Block, row: BlockResult) -> Iterator[Figure]:
    pitch = truth.pitch_um / truth.pitch_true_um - 1.0

    def figure(quantity: str, true: object, value: float | None, u: float | None) -> Iterator[Figure]:
        if value is not None and u and isinstance(true, (int, float)):
            yield Figure(truth.seed, "read from pixels", quantity, row.name, float(true), value, u, pitch, 0.0)

    if row.array is not None and block.array is not None:
        yield from figure("cell pitch across", block.array["pitch_x_um"], row.array.pitch_x_um, row.array.pitch_x_um_u)
        yield from figure("cell pitch down", block.array["pitch_y_um"], row.array.pitch_y_um, row.array.pitch_y_um_u)
        told = (row.array.columns, row.array.rows, row.array.banks)
        true = (block.array["columns"], block.array["rows"], block.array["banks"])
        if told != true:
            print(f"seed {truth.seed}, {row.name}: {told}, true {true}; {row.array.remarks}", file=sys.stderr)
    if row.inductor is not None and block.inductor is not None:
        geometry, u = row.inductor.geometry, row.inductor.geometry_u_um
        for name in ("outer_um", "inner_um", "width_um"):
            yield from figure(f"coil {name[:-3]}", block.inductor[name], getattr(geometry, name), u.get(name))
