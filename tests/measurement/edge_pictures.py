"""Pictures of sharp shapes through a blur, exact to the pixel's covered area, with noise."""

import numpy as np
from scipy.ndimage import gaussian_filter
from shapely.affinity import rotate
from shapely.geometry import Polygon, box

from dieplat.phantom.coverage import polygon_coverage


class Memory:
    """A mosaic in memory that remembers its largest read."""

    def __init__(self, picture):
        self.picture = picture
        self.height_px, self.width_px = picture.shape[:2]
        self.largest = 0

    def read(self, x0, y0, x1, y1, level=0):
        crop = self.picture[max(y0, 0) : y1, max(x0, 0) : x1]
        self.largest = max(self.largest, crop.shape[0] * crop.shape[1])
        return crop.copy()


def picture_of(shapes, size, *, ground=60.0, blur=0.8, noise=2.0, seed=1):
    """Shapes (polygon, shade) on a ground, drawn over one another, as an 8-bit RGB mosaic (height, width)."""
    height, width = size
    shade = np.full((height, width), ground)
    for polygon, value in shapes:
        covered = polygon_coverage(polygon, height, width)
        shade = shade * (1 - covered) + value * covered
    shade = gaussian_filter(shade, blur)
    colours = shade[..., None] * np.array([1.0, 0.9, 0.8])
    noisy = colours + np.random.default_rng(seed).normal(0, noise, colours.shape)
    return Memory(np.clip(np.round(noisy), 0, 255).astype(np.uint8))


def turned_box(x0, y0, x1, y1, degrees):
    return rotate(box(x0, y0, x1, y1), degrees, origin="center")


def points_of(polygon: Polygon):
    return np.asarray(polygon.exterior.coords)[:-1]
