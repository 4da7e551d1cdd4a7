"""What was found, laid over what was seen: plain geometry in mosaic pixels, and a picture of it."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt
import shapely

from dieplat.measurement.inductor.unwrap import Floats
from dieplat.values import InductorGeometry

Picture = npt.NDArray[np.uint8]
Colour = tuple[int, int, int]
SIDES = {"square": 4, "hexagon": 6, "octagon": 8, "circle": 0}
CIRCLE_POINTS = 144
# Told apart in all common kinds of colour blindness, and in grey by their brightness; what matters has a dark rim.
LINE_COLOUR: Colour = (255, 255, 255)
EDGE_COLOUR: Colour = (86, 190, 255)
FLATS_COLOUR: Colour = (255, 176, 0)
PORT_COLOURS: tuple[Colour, Colour] = ((255, 96, 0), (120, 94, 240))
REFUSED_COLOUR: Colour = (220, 38, 127)
RIM_COLOUR: Colour = (10, 10, 30)
SHIFT = 4
"""Binary places of the fractional coordinates that OpenCV draws with."""


@dataclass(frozen=True, slots=True, eq=False)
class Overlay:
    """Lines and points in mosaic pixels, each line (N, 2) with x, y.

    `centre_line` runs from the outer end to the inner one (or from port to port), `edges` are the conductor's two
    edges as the centre line and the mean width give them, `outer` and `inner` the closed flat-to-flat outlines,
    `ports` the two ends of the centre line.
    """

    centre_line: Floats
    edges: tuple[Floats, ...]
    outer: Floats
    inner: Floats
    ports: tuple[tuple[float, float], ...]


def overlay(geometry: InductorGeometry, *, um_per_px_x: float, um_per_px_y: float) -> Overlay:
    """The geometry of an inductor found in a picture, for drawing over it.

    Parameters
    ----------
    geometry : InductorGeometry
        With a centre line and, for the outlines, a centre; what it lacks is empty.
    um_per_px_x, um_per_px_y : float
        The scale that it was measured with.
    """
    scale = np.array([um_per_px_x, um_per_px_y])
    line = np.asarray(geometry.path_um, dtype=np.float64).reshape(-1, 2)
    edges: list[Floats] = []
    if len(line) > 1:
        for side in (0.5, -0.5):
            edge = shapely.LineString(line).offset_curve(side * geometry.width_um, join_style="mitre", mitre_limit=3.0)
            edges += [np.asarray(part.coords) / scale for part in getattr(edge, "geoms", [edge]) if len(part.coords)]
    ports = tuple((float(x), float(y)) for x, y in (line[[0, -1]] / scale if len(line) else ()))
    outer, inner = (_flats(geometry, d, scale) for d in (geometry.outer_um, geometry.inner_um))
    return Overlay(line / scale, tuple(edges), outer, inner, ports)


def _flats(geometry: InductorGeometry, diameter_um: float, scale: Floats) -> Floats:
    """The closed polygon or circle with this distance between its flats, in mosaic pixels."""
    if geometry.centre_px is None:
        return np.empty((0, 2))
    sides = SIDES[geometry.shape] or CIRCLE_POINTS
    angle = np.radians(geometry.rotation_deg) + (np.arange(sides + 1) + 0.5) * 2 * np.pi / sides
    radius = 0.5 * diameter_um / np.cos(np.pi / sides)
    return np.asarray(geometry.centre_px + radius * np.stack([np.cos(angle), np.sin(angle)], axis=1) / scale)


def draw_overlay(
    crop: npt.NDArray[np.generic],
    found: Overlay,
    *,
    origin_px: tuple[float, float] = (0.0, 0.0),
    enlarge: float = 1.0,
) -> Picture:
    """Draw what was found over a crop of the mosaic.

    Parameters
    ----------
    crop : ndarray of shape (H, W) or (H, W, 3), uint8 or uint16
        The pixels that were measured.
    found : Overlay
        From `overlay`.
    origin_px : tuple of float
        Mosaic coordinates (x, y) of the crop's top-left corner.
    enlarge : float
        The picture is this many times as large as the crop, so that thin lines do not hide narrow metal.

    Returns
    -------
    ndarray of shape (round(H enlarge), round(W enlarge), 3), uint8, RGB
    """
    canvas = _canvas(crop, enlarge)
    for closed in (found.outer, found.inner):
        _line(canvas, closed, FLATS_COLOUR, 1, origin_px, enlarge)
    for edge in found.edges:
        _line(canvas, edge, EDGE_COLOUR, 1, origin_px, enlarge)
    _line(canvas, found.centre_line, RIM_COLOUR, 3, origin_px, enlarge)
    _line(canvas, found.centre_line, LINE_COLOUR, 1, origin_px, enlarge)
    for port, colour in zip(found.ports, PORT_COLOURS, strict=False):
        x, y = ((np.asarray(port) - origin_px) * enlarge - 0.5) * 2**SHIFT
        for radius, shade in ((3.4, RIM_COLOUR), (2.4, colour)):
            at = (round(x), round(y))
            cv2.circle(canvas, at, round(radius * max(enlarge, 1.0) * 2**SHIFT), shade, -1, cv2.LINE_AA, SHIFT)
    return canvas


def draw_refused(
    crop: npt.NDArray[np.generic],
    outline: shapely.Polygon,
    *,
    origin_px: tuple[float, float] = (0.0, 0.0),
    enlarge: float = 1.0,
) -> Picture:
    """The crop with the outline in which nothing was measured, struck through; parameters as `draw_overlay`."""
    canvas = _canvas(crop, enlarge)
    x0, y0, x1, y1 = outline.bounds
    wide = max(1, round(enlarge))
    for line in (np.asarray(outline.exterior.coords), np.array([[x0, y1], [x1, y0]])):
        _line(canvas, line, REFUSED_COLOUR, wide, origin_px, enlarge)
    return canvas


def _canvas(crop: npt.NDArray[np.generic], enlarge: float) -> Picture:
    pixels = np.asarray(crop)
    if pixels.dtype == np.uint16:
        pixels = (pixels >> 8).astype(np.uint8)
    pixels = np.ascontiguousarray(pixels, dtype=np.uint8)
    if pixels.ndim == 2:
        pixels = np.repeat(pixels[..., None], 3, axis=2)
    size = (max(1, round(pixels.shape[1] * enlarge)), max(1, round(pixels.shape[0] * enlarge)))
    return np.array(cv2.resize(pixels, size, interpolation=cv2.INTER_CUBIC if enlarge > 1 else cv2.INTER_AREA))


def _line(
    canvas: Picture, line: Floats, colour: Colour, thick: int, origin_px: tuple[float, float], enlarge: float
) -> None:
    if len(line) < 2:
        return
    # OpenCV counts from the middle of the first pixel.
    at = ((line - np.asarray(origin_px)) * enlarge - 0.5) * 2**SHIFT
    points = [np.round(at).astype(np.int32).reshape(-1, 1, 2)]
    cv2.polylines(canvas, points, False, colour, thick, cv2.LINE_AA, SHIFT)
