"""One picture of an invented die laid over another that is turned, shifted, larger, of other colours."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from dieplat.alignment import align_pictures, write_aligned
from dieplat.errors import RegistrationError
from dieplat.mosaicfile.read import open_mosaic
from dieplat.mosaicfile.write import write_mosaic

Picture = NDArray[np.uint8]
WIDTH, HEIGHT = 1500, 1100


def drawn_die(seed: int) -> Picture:
    """Blocks of several sizes and shades, a lattice, and wires."""
    rng = np.random.default_rng(seed)
    die = np.full((HEIGHT, WIDTH), 90, np.uint8)
    for _ in range(160):
        x, y = rng.integers(0, [WIDTH - 60, HEIGHT - 60])
        w, h = rng.integers(12, 130, 2)
        cv2.rectangle(die, (int(x), int(y)), (int(x + w), int(y + h)), int(rng.integers(40, 220)), -1)
    for _ in range(60):
        a, b = rng.integers(0, [WIDTH, HEIGHT], (2, 2))
        cv2.line(die, (int(a[0]), int(a[1])), (int(b[0]), int(a[1])), int(rng.integers(40, 220)), 4)
    die[700:1000:10, 100:600] = 200
    return cv2.GaussianBlur(die, (0, 0), 1.0)


def written(path: Path, picture: Picture) -> Path:
    """As a mosaic on disk."""
    height, width = picture.shape[:2]
    channels = 1 if picture.ndim == 2 else 3
    write_mosaic(path, [picture], width_px=width, height_px=height, channels=channels, dtype="uint8")
    return path


def moved(picture: Picture, turn_deg: float, size: float, shift: tuple[float, float]) -> tuple[Picture, NDArray]:
    """The picture turned about its middle, and the map in coordinates of pixel edges."""
    around = cv2.getRotationMatrix2D((WIDTH / 2 - 0.5, HEIGHT / 2 - 0.5), turn_deg, size)
    around[:, 2] += shift
    out = cv2.warpAffine(picture, around, (WIDTH, HEIGHT), flags=cv2.INTER_CUBIC, borderValue=60)
    edges = around.copy()
    edges[:, 2] += 0.5 - around[:, :2] @ [0.5, 0.5]
    return np.asarray(out), edges


@pytest.mark.parametrize(
    ("turn_deg", "size", "shift", "inverted"),
    [(0.0, 1.0, (12.3, -20.7), False), (2.3, 0.97, (30.0, 14.5), False), (181.0, 1.03, (-25.0, 8.0), True)],
)
def test_the_map_is_found_to_a_part_of_a_pixel(
    tmp_path: Path, turn_deg: float, size: float, shift: tuple[float, float], inverted: bool
) -> None:
    die = drawn_die(5)
    other, truth = moved(die, turn_deg, size, shift)
    rng = np.random.default_rng(1)
    other = np.clip((255 - other if inverted else other) + rng.normal(0, 3, other.shape), 0, 255).astype(np.uint8)
    with (
        open_mosaic(written(tmp_path / "a.ome.tif", die)) as a,
        open_mosaic(written(tmp_path / "b.ome.tif", other)) as b,
    ):
        found = align_pictures(a, b)
    for x, y in ((200, 200), (1300, 200), (1300, 900), (200, 900)):
        assert np.hypot(*((found.matrix - truth) @ [x, y, 1.0])) < 0.25
    assert found.magnification == pytest.approx(size, rel=3e-4)


def test_a_corner_of_the_die_in_finer_pixels_and_a_quarter_turned_is_found(tmp_path: Path) -> None:
    """The transforms are only as large as both pictures together need; the farthest shift must find room in them."""
    die = drawn_die(9)
    corner = cv2.resize(np.rot90(die[400:, 600:]), None, fx=2, fy=2, interpolation=cv2.INTER_CUBIC)
    # A quarter turn against the clock takes (x, y) to (y, width - x).
    truth = np.array([[0.0, 2.0, -2 * 400.0], [-2.0, 0.0, 2.0 * WIDTH]])
    with (
        open_mosaic(written(tmp_path / "a.ome.tif", die)) as a,
        open_mosaic(written(tmp_path / "b.ome.tif", corner)) as b,
    ):
        found = align_pictures(a, b, magnification=2.0)
    for x, y in ((700, 500), (1400, 500), (1400, 1000), (700, 1000)):
        assert np.hypot(*((found.matrix - truth) @ [x, y, 1.0])) < 0.5


def test_written_anew_it_covers_the_reference(tmp_path: Path) -> None:
    die = drawn_die(6)
    other, _ = moved(die, -1.7, 1.02, (9.0, -4.0))
    with (
        open_mosaic(written(tmp_path / "a.ome.tif", die)) as a,
        open_mosaic(written(tmp_path / "b.ome.tif", other)) as b,
    ):
        found = align_pictures(a, b)
        write_aligned(tmp_path / "c.ome.tif", a, b, found)
    with open_mosaic(tmp_path / "c.ome.tif") as c:
        drawn = c.read(0, 0, WIDTH, HEIGHT)
    inner = np.s_[120:-120, 120:-120]
    assert np.abs(drawn[inner].astype(float) - die[inner]).mean() < 2.5


def test_strangers_are_refused(tmp_path: Path) -> None:
    paths = [written(tmp_path / f"{seed}.ome.tif", drawn_die(seed)) for seed in (7, 8)]
    with open_mosaic(paths[0]) as a, open_mosaic(paths[1]) as b, pytest.raises(RegistrationError, match="--marks"):
        align_pictures(a, b)
