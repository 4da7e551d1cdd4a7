"""A small die, drawn with plain rectangles: a coil, a memory, logic, pads, all of known place."""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

Picture = npt.NDArray[np.uint8]
WIDTH, HEIGHT = 720, 520
DIE = (20, 20, 700, 500)
MEMORY = (120, 110, 330, 290)
LOGIC = (370, 110, 600, 250)
COIL_CENTRE, COIL_OUTER = (480, 340), 110
PADS = [
    *((x, y, x + 30, y + 30) for y in (34, 456) for x in range(110, 600, 60)),
    *((x, y, x + 30, y + 30) for x in (34, 656) for y in range(130, 380, 60)),
]


def small_die() -> Picture:
    """The die in grey levels, with noise."""
    rng = np.random.default_rng(5)
    picture = np.full((HEIGHT, WIDTH), 20.0, np.float32)
    _fill(picture, DIE, 80)
    for pad in PADS:
        _fill(picture, pad, 210)
    _fill(picture, MEMORY, 100)
    for y in range(MEMORY[1], MEMORY[3], 7):
        for x in range(MEMORY[0], MEMORY[2], 6):
            _fill(picture, (x, y + 1, x + 3, y + 5), 190)
            _fill(picture, (x + 3, y + 4, x + 5, y + 6), 40)
    _fill(picture, LOGIC, 90)
    for _ in range(2600):
        x, y = rng.integers(LOGIC[0], LOGIC[2] - 2), rng.integers(LOGIC[1], LOGIC[3] - 2)
        long, across = int(rng.integers(4, 20)), rng.random() < 0.5
        wide, high = (long, 2) if across else (2, long)
        _fill(picture, (x, y, min(x + wide, LOGIC[2]), min(y + high, LOGIC[3])), float(rng.choice([50, 150, 200])))
    for turn in range(3):  # three square turns that step inwards
        half = COIL_OUTER / 2 - 11 * turn
        x, y = COIL_CENTRE
        points = [
            (x - half, y + half),
            (x - half, y - half),
            (x + half, y - half),
            (x + half, y + half),
            (x - half + 11, y + half),
        ]
        cv2.polylines(picture, [np.int32(np.round(points))], False, 200.0, 6)
    picture = cv2.GaussianBlur(picture, (0, 0), 0.7) + rng.normal(0.0, 2.0, picture.shape)
    return np.clip(picture, 0, 255).astype(np.uint8)


def _fill(picture: npt.NDArray[np.float32], box: tuple[int, int, int, int], level: float) -> None:
    x0, y0, x1, y1 = box
    picture[y0:y1, x0:x1] = level
