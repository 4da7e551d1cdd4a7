"""What is true of a phantom, as values and as truth.json and blocks.geojson."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from shapely.geometry import Polygon

from dieplat.phantom.camera import CameraPlan, Frame, StagePlan
from dieplat.phantom.focus import FocusPlan
from dieplat.phantom.layers import Block, Die
from dieplat.phantom.render import DieRaster, look

Float = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class TrueTile:
    """A written tile: the mosaic position of its top-left corner, its place and order, gain and blur."""

    name: str
    x_px: float
    y_px: float
    row: int
    column: int
    order: int
    gain: tuple[float, float, float]
    defocus_px: float
    recorded_um: tuple[float, float] | None = None
    """The stage's position as the file's metadata state it."""


@dataclass(frozen=True, slots=True, eq=False)
class Truth:
    """Everything that was put into a phantom."""

    seed: int
    preset: str
    title: str
    width_px: int
    height_px: int
    tile_width_px: int
    tile_height_px: int
    rows: int
    columns: int
    overlap: float
    frame: Frame
    die: Die
    raster: DieRaster
    tiles: tuple[TrueTile, ...]
    missing: tuple[str, ...]
    camera: CameraPlan
    stage: StagePlan
    pitch_um: float
    pitch_true_um: float
    pitch_u_um: float
    focus: FocusPlan | None = None

    @property
    def um_per_px(self) -> float:
        """Micrometres a mosaic pixel, the geometric mean of both axes."""
        return math.sqrt(self.frame.um_per_px_x * self.frame.um_per_px_y)

    def outline_px(self, block: Block) -> Float:
        """A block's outline or path in mosaic pixels."""
        outline = block.outline_um
        points = np.asarray(outline.exterior.coords) if isinstance(outline, Polygon) else outline
        return self.frame.to_mosaic(points)

    def to_dict(self) -> dict[str, Any]:
        """Plain values, keyed as truth.json has them."""
        frame, lens = self.frame, None
        if self.camera.k1 or self.camera.k2:
            lens = {
                "k1": self.camera.k1,
                "k2": self.camera.k2,
                "norm_px": 0.5 * float(np.hypot(self.tile_width_px, self.tile_height_px)),
            }
        return {
            "seed": self.seed,
            "preset": self.preset,
            "title": self.title,
            "um_per_px": self.um_per_px,
            "um_per_px_x": frame.um_per_px_x,
            "um_per_px_y": frame.um_per_px_y,
            "width_px": self.width_px,
            "height_px": self.height_px,
            "grid": {
                "rows": self.rows,
                "columns": self.columns,
                "overlap": self.overlap,
                "tile_width_px": self.tile_width_px,
                "tile_height_px": self.tile_height_px,
            },
            "tiles": [
                {
                    "name": t.name,
                    "x_px": t.x_px,
                    "y_px": t.y_px,
                    "row": t.row,
                    "column": t.column,
                    "order": t.order,
                    "gain": list(t.gain),
                    "defocus_px": t.defocus_px,
                }
                | ({} if t.recorded_um is None else {"recorded_um": list(t.recorded_um)})
                for t in self.tiles
            ],
            "missing": list(self.missing),
            "lens": lens,
            "focus": asdict(self.focus) if self.focus is not None else None,
            "shading": {"vignetting": self.camera.vignetting, "noise": self.camera.noise}
            | ({} if self.camera.tone_power == 1.0 else {"tone_power": self.camera.tone_power}),
            "stage": {
                "error_px": self.stage.error_px,
                "backlash_px": self.stage.backlash_px,
                "rotation_deg": self.stage.rotation_deg,
            },
            "micrometer": {
                "pitch_um": self.pitch_um,
                "pitch_true_um": self.pitch_true_um,
                "pitch_u_um": self.pitch_u_um,
            },
            "die": {
                "width_um": self.die.width_um,
                "height_um": self.die.height_um,
                "area_um2": self.die.width_um * self.die.height_um,
                "rotation_deg": frame.rotation_deg,
                "centre_px": list(frame.centre_px),
            },
            "turns_convention": "conductor turns; inner = outer - 2 n w - 2 (n - 1) s; for a fraction of a "
            "turn this is the mean flat-to-flat diameter over the side directions",
            "blocks": [self._block(block) for block in self.die.blocks],
        }

    def _block(self, block: Block) -> dict[str, Any]:
        outline = block.outline_um
        entry: dict[str, Any] = {
            "name": block.name,
            "kind": block.kind,
            "area_um2": None,
            "perimeter_um": None,
        }
        if isinstance(outline, Polygon):
            entry |= {"area_um2": outline.area, "perimeter_um": outline.length}
        for key in ("array", "inductor", "trace"):
            value = getattr(block, key)
            if value is not None:
                entry[key] = dict(value)
        inductor = entry.get("inductor")
        if inductor is not None:
            x, y = self.frame.to_mosaic([inductor["centre_um"]])[0]
            inductor |= {"centre_px": [x, y], "rotation_in_mosaic_deg": self.frame.rotation_deg}
        return entry

    def blocks_document(self) -> dict[str, Any]:
        """The annotations as a GeoJSON FeatureCollection in mosaic pixels."""
        features = []
        for block in self.die.blocks:
            points = [[round(float(x), 4), round(float(y), 4)] for x, y in self.outline_px(block)]
            path = not isinstance(block.outline_um, Polygon)
            properties: dict[str, Any] = {"name": block.name, "kind": block.kind}
            if block.width_um is not None:
                properties["width_um"] = block.width_um
            if block.notes:
                properties["notes"] = block.notes
            features.append(
                {
                    "type": "Feature",
                    "properties": properties,
                    "geometry": {
                        "type": "LineString" if path else "Polygon",
                        "coordinates": points if path else [points],
                    },
                }
            )
        return {"type": "FeatureCollection", "coordinates_in": "mosaic_px", "features": features}


def render_truth_window(truth: Truth, x0: int, y0: int, x1: int, y1: int) -> npt.NDArray[np.float32]:
    """The mosaic as it ought to be in pixels x0..x1, y0..y1: (y1 - y0, x1 - x0, 3), 1 is full scale.

    No shading, gain, noise or defocus; only the drawing's own point spread.
    """
    x, y = np.meshgrid(np.arange(x0, x1) + 0.5, np.arange(y0, y1) + 0.5)
    return look(truth.raster, *truth.frame.to_die(x, y))
