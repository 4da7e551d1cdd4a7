"""A die whose rim looks nearly like the ground: its edge is looked for outwards, not at the ring within."""

import cv2
import numpy as np
import pytest

from dieplat.measurement.outline import find_outline

DIE = (50, 40, 750, 560)


class Drawn:
    """A picture in memory, read like a mosaic."""

    def __init__(self, picture):
        self.picture = picture
        self.height_px, self.width_px = picture.shape[:2]

    def read(self, x0, y0, x1, y1, level=0):
        return self.picture[max(y0, 0) : y1, max(x0, 0) : x1].copy()


def faint_die(seed):
    """A grainy ground; a die 4 levels brighter at its edge and 9 at a bright ring, which lies 16 px within."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[:600, :800]
    depth = np.minimum(np.minimum(x - DIE[0], DIE[2] - 1 - x), np.minimum(y - DIE[1], DIE[3] - 1 - y))
    ground = rng.normal(100.0, 8.0, depth.shape)
    picture = np.where(depth >= 0, 104.0 + 0.3 * np.clip(depth, 0, 16), ground).astype(np.float32)
    for inset in (16, 20):
        cv2.rectangle(picture, (DIE[0] + inset, DIE[1] + inset), (DIE[2] - 1 - inset, DIE[3] - 1 - inset), 160.0, 2)
    picture[DIE[1] + 30 : DIE[3] - 30, DIE[0] + 30 : DIE[2] - 30] = 136.0
    picture = cv2.GaussianBlur(picture, (0, 0), 0.8) + rng.normal(0.0, 2.0, picture.shape)
    return np.clip(picture, 0, 255).astype(np.uint8)


@pytest.mark.parametrize("seed", [3, 4, 5])
def test_a_faint_edge_is_found_before_a_clear_ring_within(seed):
    outline = find_outline(Drawn(faint_die(seed)), far=True)
    assert outline.polygon.bounds == pytest.approx(DIE, abs=1.0)
