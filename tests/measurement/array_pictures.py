"""Pictures of invented memory arrays with known lattices, for the tests of arrays only."""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np
import shapely

from dieplat.measurement.arrays_frame import Frame


@dataclass(frozen=True)
class Recipe:
    """An array: pitches in px, rotation, cells per bank along each axis, straps in px between banks."""

    pitch_x: float = 11.37
    pitch_y: float = 8.83
    rotation_deg: float = 0.0
    columns: tuple[int, ...] = (40,)
    rows: tuple[int, ...] = (36,)
    straps_x: tuple[float, ...] = ()
    straps_y: tuple[float, ...] = ()
    mirrored_x: bool = False
    mirrored_y: bool = False
    blur_px: float = 0.7
    noise: float = 3.0
    shade: float = 0.1
    colour: bool = False
    jpeg: int | None = None
    margin_px: float = 6.0
    outside: str = "plain"
    seed: int = 0
    offset: tuple[float, float] = field(default=(30.3, 24.7))

    @property
    def size(self) -> tuple[float, float]:
        return (
            sum(self.columns) * self.pitch_x + sum(self.straps_x),
            sum(self.rows) * self.pitch_y + sum(self.straps_y),
        )


def cell_pattern(rng: np.random.Generator) -> list[tuple[float, float, float, float, float]]:
    """Rectangles (x0, y0, x1, y1, level) of a lopsided cell in unit coordinates, kept off the cell's
    border."""
    boxes = [(0.1, 0.15, 0.45, 0.35, 90.0), (0.1, 0.35, 0.28, 0.85, 60.0), (0.55, 0.6, 0.9, 0.8, -50.0)]
    for _ in range(3):
        x, y = rng.uniform(0.08, 0.6, 2)
        w, h = rng.uniform(0.12, 0.3, 2)
        boxes.append((x, y, min(x + w, 0.95), min(y + h, 0.95), float(rng.uniform(-60, 80))))
    return boxes


def _axis(place, counts, straps, pitch, mirrored):
    """Unit coordinate in the cell at each place along an axis; NaN outside the banks."""
    unit = np.full(place.shape, np.nan)
    start = 0.0
    for index, count in enumerate(counts):
        inside = (place >= start) & (place < start + count * pitch)
        cells = (place[inside] - start) / pitch
        fraction = cells - np.floor(cells)
        if mirrored:
            fraction = np.where(np.floor(cells).astype(int) % 2 == 1, 1 - fraction, fraction)
        unit[inside] = fraction
        start += count * pitch + (straps[index] if index < len(straps) else 0.0)
    return unit


def _metal(place, counts, straps, pitch):
    """Where the middle 56 % of the straps lie along an axis."""
    inside = np.zeros(place.shape, bool)
    start = 0.0
    for count, strap in zip(counts, straps, strict=False):
        start += count * pitch
        inside |= np.abs(place - start - strap / 2) < 0.28 * strap
        start += strap
    return inside


def draw(recipe: Recipe, boxes=None, factor: int = 3):
    """Return the picture (uint8) and the polygon around the array with the recipe's margin."""
    rng = np.random.default_rng(recipe.seed)
    boxes = cell_pattern(rng) if boxes is None else boxes
    turn = np.deg2rad(recipe.rotation_deg)
    along, down = np.array([np.cos(turn), np.sin(turn)]), np.array([-np.sin(turn), np.cos(turn)])
    size = np.array(recipe.size)
    m = recipe.margin_px
    corners = np.array([[-m, -m], [size[0] + m, -m], [size[0] + m, size[1] + m], [-m, size[1] + m]])
    shift = np.array(recipe.offset) - np.minimum((corners @ np.stack([along, down])).min(axis=0), 0.0)
    outline = corners @ np.stack([along, down]) + shift
    width, height = (int(v) + 25 for v in outline.max(axis=0))
    levels = np.zeros((height, width), np.float32)
    for band in range(0, height, 100):
        levels[band : band + 100] = _band(
            recipe, boxes, band, min(band + 100, height), width, factor, along, down, shift
        )
    if recipe.blur_px:
        levels = cv2.GaussianBlur(levels, (0, 0), recipe.blur_px)
    y, x = np.mgrid[:height, :width] / max(height, width)
    levels *= 1 + recipe.shade * ((x - 0.3) ** 2 + 0.6 * y - 0.3)
    if recipe.colour:
        levels = levels[..., None] * np.array([1.0, 0.8, 0.55]) + np.array([0, 20, 35])
    levels = levels + rng.normal(0, recipe.noise, levels.shape)
    picture = np.clip(np.round(levels), 0, 255).astype(np.uint8)
    if recipe.jpeg is not None:
        _, coded = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, recipe.jpeg])
        picture = cv2.imdecode(coded, cv2.IMREAD_UNCHANGED)
    return picture, shapely.Polygon(outline)


def _band(recipe, boxes, low, high, width, factor, along, down, shift):
    """Levels of the rows low..high, averaged over factor x factor points a pixel."""
    ys = low + (np.arange((high - low) * factor) + 0.5) / factor - shift[1]
    xs = (np.arange(width * factor) + 0.5) / factor - shift[0]
    u = xs[None, :] * along[0] + ys[:, None] * along[1]
    v = xs[None, :] * down[0] + ys[:, None] * down[1]
    cell_u = _axis(u, recipe.columns, recipe.straps_x, recipe.pitch_x, recipe.mirrored_x)
    cell_v = _axis(v, recipe.rows, recipe.straps_y, recipe.pitch_y, recipe.mirrored_y)
    inside = ~(np.isnan(cell_u) | np.isnan(cell_v))
    if recipe.outside == "plain":
        fine = np.full(u.shape, 100.0, np.float32)
    elif recipe.outside == "metal":
        lines = _metal(u, recipe.columns, recipe.straps_x, recipe.pitch_x)
        lines |= _metal(v, recipe.rows, recipe.straps_y, recipe.pitch_y)
        fine = np.where(lines, 235.0, 85.0).astype(np.float32)
    elif recipe.outside == "bright":
        fine = np.full(u.shape, 170.0, np.float32)
    else:
        fine = (110 + 45 * (np.floor(u / 5.3) % 2) * (np.floor((v + 0.3 * u) / 7.9) % 2)).astype(np.float32)
    level = np.full(u.shape, 100.0, np.float32)
    for x0, y0, x1, y1, add in boxes:
        level += add * ((cell_u >= x0) & (cell_u < x1) & (cell_v >= y0) & (cell_v < y1))
    fine[inside] = level[inside]
    return fine.reshape(high - low, factor, width, factor).mean(axis=(1, 3))


def framed(rng, contrast: np.ndarray, *, noise: float) -> Frame:
    """A frame of places, a pixel a sample, with a cell (8, 8) of some contrast (rows, columns) at each."""
    cell = rng.normal(0.0, 1.0, (8, 8))
    picture = np.kron(contrast, cell) + rng.normal(0.0, noise, (8 * contrast.shape[0], 8 * contrast.shape[1]))
    ones = np.ones(picture.shape, np.float32)
    return Frame(picture.astype(np.float32), ones, (8, 8), np.zeros(2), np.array([1.0, 0.0]), np.array([0.0, 1.0]))
