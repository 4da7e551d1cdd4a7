"""A die seen through the point spread of the phantom's `look`, drawn on a raster finer than the picture's pixels."""

from __future__ import annotations

import cv2
import numpy as np
from scipy.ndimage import map_coordinates

from dieplat.phantom.layers import Die
from dieplat.phantom.render import DieRaster

FINE = 3
"""Raster points a unit of the die, which is a pixel of the picture."""


def seen(die: Die, x_um: np.ndarray, y_um: np.ndarray) -> np.ndarray:
    """The picture (H, W, 3) at die positions (H, W), each a pixel's centre; a unit of the die is a pixel.

    A raster of one point a pixel folds what is finer than it back on its own axes, and the camera's pixels, turned
    against it, fold it once more: beats that no lens makes, which moved pitches of arrays by up to 8e-4 and edges
    along the raster by up to 0.02 px. The cubic B-spline is four boxes of a pixel one after the other.
    """
    raster = DieRaster(die, 1.0 / FINE)
    rim = 4 * FINE
    top, left = (int(np.floor(at.min() * FINE)) - rim for at in (y_um, x_um))
    high, wide = (int(np.ceil(at.max() * FINE)) + rim - low for at, low in ((y_um, top), (x_um, left)))
    box = np.ones(FINE) / FINE
    spread = np.convolve(np.convolve(box, box), np.convolve(box, box))[:, None]
    flat = np.moveaxis(raster.window(top, left, high, wide), 0, -1)
    flat = cv2.sepFilter2D(flat, cv2.CV_32F, spread, spread)
    where = np.stack([y_um * FINE - top - 0.5, x_um * FINE - left - 0.5])
    return np.stack([map_coordinates(flat[..., k], where, order=3) for k in range(3)], axis=-1)
