"""The picture of an array: grey levels, the polygon's pixels, and the picture resampled along its lattice."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt
import shapely
from shapely.geometry.base import BaseGeometry

from dieplat.errors import UndecidedError

FloatArray = npt.NDArray[np.float32]
BoolArray = npt.NDArray[np.bool_]
Matrix = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Frame:
    """The picture in lattice coordinates: `samples` = (n_x, n_y) a period, `origin` the place of sample (0,
    0).

    A point (i, j) of the frame, in samples from the frame's corner, lies at origin + i step_x + j step_y.
    """

    picture: FloatArray
    mask: FloatArray
    samples: tuple[int, int]
    origin: Matrix
    step_x: Matrix
    step_y: Matrix

    def to_image(self, i: float, j: float) -> Matrix:
        return np.asarray(self.origin + i * self.step_x + j * self.step_y)

    def mean_period(self, i0: int, j0: int, i1: int, j1: int) -> Matrix:
        """Mean (n_y, n_x) of a rectangle's samples by their place in the frame's periods; zero where there is none."""
        n_x, n_y = self.samples
        i0, j0 = max(i0, 0), max(j0, 0)
        part = self.picture[j0 : max(j1, 0), i0 : max(i1, 0)]
        mean = np.zeros((n_y, n_x))
        for row in range(min(n_y, part.shape[0])):
            profile = part[row::n_y].mean(axis=0, dtype=np.float64)
            for column in range(min(n_x, part.shape[1])):
                mean[(j0 + row) % n_y, (i0 + column) % n_x] = profile[column::n_x].mean()
        return mean


def grey_of(image: npt.NDArray[np.generic]) -> FloatArray:
    """Grey by the direction in which neighbouring pixels' colours differ most."""
    values = np.asarray(image, dtype=np.float32)
    return values if values.ndim == 2 else _projected(values)[-1]


def colours_of(image: npt.NDArray[np.generic]) -> tuple[FloatArray, ...]:
    """What colours say beside the grey: projections on the directions across it, the one that differs more first."""
    values = np.asarray(image, dtype=np.float32)
    return () if values.ndim == 2 else tuple(reversed(_projected(values)[:-1]))


def _projected(values: FloatArray) -> list[FloatArray]:
    change = values[:, 2:] - values[:, :-2]
    change = change.reshape(-1, values.shape[2])
    _, vectors = np.linalg.eigh((change.T @ change).astype(np.float64))
    signs = np.where(vectors.sum(axis=0) >= 0, 1.0, -1.0)
    return [np.asarray(values @ vector.astype(np.float32), dtype=np.float32) for vector in (vectors * signs).T]


def raster(polygon: BaseGeometry, shape: tuple[int, ...]) -> BoolArray:
    """Pixels whose centre lies in the polygon, holes left out."""
    mask = np.zeros(shape, dtype=np.uint8)
    for part in shapely.get_parts(polygon):
        if part.geom_type != "Polygon":
            continue
        for ring, value in [(part.exterior, 1), *((hole, 0) for hole in part.interiors)]:
            points = np.round((np.asarray(ring.coords)[:, :2] - 0.5) * 256).astype(np.int32)
            cv2.fillPoly(mask, [points], value, shift=8)
    return mask.astype(bool)


def resample(grey: FloatArray, mask: BoolArray, polygon: BaseGeometry, reciprocal: Matrix) -> Frame:
    period = np.linalg.inv(reciprocal)
    samples = tuple(max(8, 2 * math.ceil(float(np.hypot(*period[:, k])) / 2)) for k in (0, 1))
    x0, y0, x1, y1 = polygon.bounds
    corners = np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]])
    corners = np.clip(corners, 0, np.array(grey.shape[::-1]))
    lattice = corners @ reciprocal.T
    # One period more, to see whether the cells go on beyond the polygon.
    low, high = np.floor(lattice.min(axis=0)) - 1, np.ceil(lattice.max(axis=0)) + 1
    size = [int((high[k] - low[k]) * samples[k]) for k in (0, 1)]
    if max(size) > 32000:
        raise UndecidedError("memory array: more than 32000 samples along one side; measure it in parts")
    step_x, step_y = period[:, 0] / samples[0], period[:, 1] / samples[1]
    origin = period @ low
    corner = origin + 0.5 * (step_x + step_y) - 0.5
    matrix = np.column_stack([step_x, step_y, corner])
    flags = cv2.WARP_INVERSE_MAP
    picture = cv2.warpAffine(
        grey, matrix, (size[0], size[1]), flags=cv2.INTER_CUBIC | flags, borderMode=cv2.BORDER_REPLICATE
    )
    inside = cv2.warpAffine(mask.astype(np.float32), matrix, (size[0], size[1]), flags=cv2.INTER_NEAREST | flags)
    return Frame(picture, inside, (samples[0], samples[1]), origin, step_x, step_y)
