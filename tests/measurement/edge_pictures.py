"""Pictures of sharp shapes through a blur, exact to the pixel's covered area, with noise."""

import numpy as np
from scipy.ndimage import gaussian_filter
from shapely.affinity import rotate, scale
from shapely.geometry import Polygon, box

from dieplat.phantom.coverage import polygon_coverage
from memory_mosaic import Memory


def picture_of(shapes, size, *, ground=60.0, blur=0.8, noise=2.0, seed=1, fine=1, power=1.0):
    """Shapes (polygon, shade) on a ground, drawn over one another, as an 8-bit RGB mosaic (height, width).

    Shades are as the camera writes them, which is light to a power: the lens blurs the light.

    With `fine` the blur is that of a lens, before the pixels sum up the light: drawn on a raster so much finer. Else it
    comes after them, and what it is for an edge depends a little on where in a pixel that lies.
    """
    height, width = size
    shade = np.full((height * fine, width * fine), ground)
    for polygon, value in shapes:
        covered = polygon_coverage(scale(polygon, fine, fine, origin=(0, 0)), height * fine, width * fine)
        shade = shade * (1 - covered) + value * covered
    light = gaussian_filter((shade / 255) ** (1 / power), blur * fine)
    shade = 255 * light.reshape(height, fine, width, fine).mean(axis=(1, 3)) ** power
    colours = shade[..., None] * np.array([1.0, 0.9, 0.8])
    noisy = colours + np.random.default_rng(seed).normal(0, noise, colours.shape)
    return Memory(np.clip(np.round(noisy), 0, 255).astype(np.uint8))


def turned_box(x0, y0, x1, y1, degrees):
    return rotate(box(x0, y0, x1, y1), degrees, origin="center")


def points_of(polygon: Polygon):
    return np.asarray(polygon.exterior.coords)[:-1]
