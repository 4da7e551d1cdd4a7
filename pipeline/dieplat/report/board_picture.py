"""A photographed board as seen straight from above, with its traces and a scale bar that holds everywhere."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

import cv2
import numpy as np
import numpy.typing as npt
from shapely.geometry import LineString, Point, Polygon

from dieplat.board.camera import frame_of, to_board, to_picture, unknowns_of
from dieplat.board.references import is_known
from dieplat.report import drawing
from dieplat.report.drawing import Canvas
from dieplat.report.numbers import with_u
from dieplat.report.palette import style_of
from dieplat.report.picture import as_rgb8
from dieplat.values import Region
from dieplat.values.board import BoardMeasurements

WIDTH_PX = 1800
_STRIP = 1024
"""Rows worked out at once, so that a large picture needs no large maps."""


def draw_board(
    photo: npt.NDArray[np.generic], regions: Sequence[Region], found: BoardMeasurements, *, width_px: int = WIDTH_PX
) -> npt.NDArray[np.uint8]:
    """The board without tilt and distortion, its traces named and measured.

    Parameters
    ----------
    photo : ndarray of shape (H, W) or (H, W, 3), uint8 or uint16
    regions : sequence of Region
        The drawing, in the photograph's pixels.
    found : BoardMeasurements
        What was measured of it.
    width_px : int
        Of the result.

    Returns
    -------
    ndarray of shape (h, width_px, 3), uint8
    """
    frame, unknowns = frame_of((photo.shape[1], photo.shape[0])), unknowns_of(found.camera)
    corners = np.array([[0, 0], [photo.shape[1], 0], [photo.shape[1], photo.shape[0]], [0, photo.shape[0]]], float)
    low, high = (pick(to_board(unknowns, corners, frame), axis=0) for pick in (np.min, np.max))
    um_per_px = float(high[0] - low[0]) / width_px
    height_px = round(float(high[1] - low[1]) / um_per_px)
    flat = np.zeros((height_px, width_px, 3), np.uint8)
    rgb = as_rgb8(photo)
    for top in range(0, height_px, _STRIP):
        y, x = np.mgrid[top : min(top + _STRIP, height_px), 0:width_px] + 0.5
        board = np.column_stack([x.ravel(), y.ravel()]) * um_per_px + low
        places = (to_picture(unknowns, board, frame) - 0.5).astype(np.float32).reshape(*x.shape, 2)
        flat[top : top + len(x)] = cv2.remap(rgb, places[..., 0], places[..., 1], cv2.INTER_LINEAR)
    text_px = width_px / 62
    lines = [
        line for trace in found.traces for line in _said(trace.name, trace.length_um, trace.length_um_u, trace.verdict)
    ]
    strip_px = round((len(lines) + 1) * 1.5 * text_px + 3.4 * text_px)
    canvas = Canvas(width_px, height_px + strip_px)
    canvas.picture(flat, 0, 0)
    known = [(_points_of(region), "other") for region in regions if is_known(region)]
    for points, kind in [*known, *((trace.points_px, "trace") for trace in found.traces)]:
        places = (to_board(unknowns, points, frame) - low) / um_per_px
        shape = LineString(places) if len(places) > 1 else Point(places[0]).buffer(text_px / 2).exterior
        canvas.outline(LineString(shape.coords), style_of(kind), width_px=text_px / 8)
    box, bar_um = drawing.scale_bar_box(um_per_px, width_px, height_px + strip_px, text_px=text_px)
    for number, line in enumerate(lines):
        canvas.text(line, text_px, height_px + (number + 1) * 1.5 * text_px, text_px)
    canvas.scale_bar(um_per_px, box, bar_um)
    return canvas.pixels()


def _points_of(region: Region) -> npt.NDArray[np.float64]:
    """The points of a known thing, those of an outline closed, shape (N, 2)."""
    shape = region.geometry
    return np.asarray((shape.exterior if isinstance(shape, Polygon) else shape).coords, float)[:, :2]


def _said(name: str, length_um: float, u: float, verdict: str) -> list[str]:
    text = f"{name}: {with_u(length_um / 1e3, u / 1e3)} mm (k = 2). {verdict[:1].upper()}{verdict[1:]}"
    return textwrap.wrap(text, 108)
