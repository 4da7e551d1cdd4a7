"""Every compiled loop of the blending against plain array operations, or against another library's."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.ndimage import correlate1d, distance_transform_edt

from dieplat.blending import mix
from dieplat.blending.mix import mix_over, tile_weights
from dieplat.blending.place import Box
from dieplat.blending.resample import filter_bank, shift_filter
from dieplat.blending.seam import Seam
from dieplat.blending.seam_loops import View, differences, sharpness, view_of
from dieplat.blending.shift_loop import move_rows
from dieplat.blending.unbend_loop import unbend_rows


def noise(seed: int, shape: tuple[int, ...], dtype: str = "uint8") -> np.ndarray:
    return np.random.default_rng(seed).integers(0, np.iinfo(dtype).max + 1, shape).astype(dtype)


@pytest.mark.parametrize(("fx", "fy"), [(0.0, 0.0), (0.3, -0.2), (-0.5, 0.5)])
@pytest.mark.parametrize(("dtype", "channels"), [("uint8", 3), ("uint16", 1)])
@pytest.mark.parametrize(
    ("size", "part"), [((37, 50), (0, 0, 50, 37)), ((37, 50), (9, 2, 33, 36)), ((3, 2), (0, 0, 2, 3))]
)
def test_moving_rows(
    fx: float, fy: float, dtype: str, channels: int, size: tuple[int, int], part: tuple[int, int, int, int]
) -> None:
    """SciPy's `correlate1d` in 64 bits, mirrored the same way; a tile smaller than the filter too; or a part only."""
    height, width = size
    left, upper, right, lower = part
    source = noise(1, (height, width, channels), dtype)
    inverse = (
        np.random.default_rng(2).uniform(0.9, 1.1, (-(-(height - 1) // 8) + 1, width, channels)).astype(np.float32)
    )
    gains = np.linspace(0.8, 1.1, channels).astype(np.float32)
    (across, anchor_x), (down, anchor_y) = shift_filter(fx), shift_filter(fy)
    out = np.empty((lower - upper, right - left, channels), dtype)
    move_rows(
        source.reshape(height, -1),
        inverse.reshape(len(inverse), -1),
        8,
        across.astype(np.float32),
        anchor_x,
        down.astype(np.float32),
        anchor_y,
        np.tile(gains, right - left),
        channels,
        left,
        upper,
        out.reshape(len(out), -1),
    )
    share = (np.arange(height) / 8 % 1)[:, None, None]
    knot = np.arange(height) // 8
    even = source * (inverse[knot] * (1 - share) + inverse[np.minimum(knot + 1, len(inverse) - 1)] * share)
    moved = correlate1d(even, down, axis=0, mode="reflect", origin=anchor_y - 4)
    moved = correlate1d(moved, across, axis=1, mode="reflect", origin=anchor_x - 4)
    top = np.iinfo(dtype).max
    # Half a level of rounding, and 32 bits.
    moved = moved[upper:lower, left:right]
    assert np.abs(out - np.clip(moved * gains, 0, top)).max() <= 0.5 + 2e-6 * top


def test_the_bank_is_the_filter() -> None:
    """Every entry keeps an even picture and a ramp; and none differs from the next by more than a step's worth."""
    bank = filter_bank().astype(np.float64)
    shares = np.linspace(0, 1, len(bank))
    np.testing.assert_allclose(bank.sum(axis=1), 1, atol=1e-6)
    np.testing.assert_allclose(bank @ np.arange(-3, 5), shares, atol=2e-6)
    np.testing.assert_allclose(bank[[0, -1]], np.eye(8)[[3, 4]], atol=1e-12)
    np.testing.assert_allclose(bank[::-1, ::-1], bank, atol=1e-6)
    assert np.abs(np.diff(bank, axis=0)).max() < 2.0 / (len(bank) - 1)


@pytest.mark.parametrize(("k1", "k2"), [(-0.03, 0.004), (0.02, 0.0), (0.0, 0.0)])
@pytest.mark.parametrize(("dtype", "channels"), [("uint8", 3), ("uint16", 1)])
def test_unbending_rows(k1: float, k2: float, dtype: str, channels: int) -> None:
    """The same two passes in 64 bits, the crossing found by bisection, every weight worked out for its own place."""
    height, width, left, top, shift = 40, 56, 3, 2, (0.3, -0.2)
    source = noise(3, (height, width, channels), dtype)
    inverse = np.random.default_rng(2).uniform(0.9, 1.1, (6, width, channels)).astype(np.float32)
    gains = np.linspace(0.8, 1.1, channels).astype(np.float32)
    norm2 = (height**2 + width**2) / 4
    out = np.empty((height - 2 * top, width - 2 * left, channels), dtype)
    unbend_rows(source, inverse, 8, filter_bank(), left, top, shift, (k1, k2, 1 / norm2), gains, out)

    def stretch(x: np.ndarray, y: float) -> np.ndarray:
        r2 = (x * x + y * y) / norm2
        return 1 + k1 * r2 + k2 * r2**2

    def weights(place: float) -> tuple[int, np.ndarray]:
        base = int(np.floor(place))
        share = place - base
        if share == 0:
            return base, np.eye(8)[3]
        return base, shift_filter(-share)[0] if share <= 0.5 else shift_filter(1 - share)[0]

    def index(base: int, size: int) -> np.ndarray:
        return np.pad(np.arange(size), 12, mode="symmetric")[base - 3 + 12 : base + 5 + 12]

    wanted = np.empty(out.shape)
    for row in range(len(out)):
        y = row + top + 0.5 - shift[1] - height / 2
        low, high = np.full(width, -2.0 * width), np.full(width, 2.0 * width)
        columns = np.arange(width) + 0.5 - width / 2
        for _ in range(60):
            x = (low + high) / 2
            less = x * stretch(x, y) < columns
            low, high = np.where(less, x, low), np.where(less, high, x)
        line = np.empty((width, channels))
        for j, place in enumerate(y * stretch(x, y) + height / 2 - 0.5):
            base, eight = weights(place)
            knot = min(max(place / 8, 0), 5)
            even = [np.interp(knot, np.arange(6), inverse[:, j, c]) for c in range(channels)]
            line[j] = eight @ source[index(base, height), j] * even
        for j in range(out.shape[1]):
            x_out = j + left + 0.5 - shift[0] - width / 2
            base, eight = weights(x_out * stretch(np.array(x_out), y) + width / 2 - 0.5)
            wanted[row, j] = eight @ line[index(base, width)]
    limit = np.iinfo(dtype).max
    # White noise is worst: a place is rounded to 1/4096 px in either pass, and the picture changes by up to its full
    # height times pi a pixel.
    assert np.abs(out - np.clip(wanted * gains, 0, limit)).max() <= 0.5 + 2 * np.pi / 4096 * limit


def around(picture: np.ndarray, turn: int) -> View:
    """A view of the picture on rows that go round: its first row lies at `turn`."""
    view = view_of(picture)
    return View(np.roll(view.rows, turn, axis=0), turn, *view[2:])


@pytest.mark.parametrize("size", [(48, 40), (41, 23), (9, 50)])
@pytest.mark.parametrize("channels", [1, 3])
def test_differences_in_cells(size: tuple[int, int], channels: int) -> None:
    one, two = (noise(seed, (*size, channels)) for seed in (1, 2))
    found = differences(*around(one, 7)[:3], *around(two, 3)[:3], *size, channels, 4)
    wanted = np.empty((-(-size[0] // 4), -(-size[1] // 4)))
    for i, j in np.ndindex(wanted.shape):
        cut = np.s_[4 * i : 4 * i + 4 : 2, 4 * j : 4 * j + 4]
        wanted[i, j] = np.abs(one[cut].astype(float) - two[cut]).mean(axis=(0, 1)).max()
    np.testing.assert_allclose(found, wanted, rtol=1e-6)


@pytest.mark.parametrize("channels", [1, 3])
@pytest.mark.parametrize("dtype", ["uint8", "uint16"])
def test_sharpness_in_windows(channels: int, dtype: str) -> None:
    picture = noise(5, (70, 100, channels), dtype)
    found = sharpness(*around(picture, 30), 3, 2, 2)
    plane = picture[..., channels // 2].astype(float)
    for i, j in np.ndindex(2, 3):
        y = np.arange(max(i * 35, 2), min(i * 35 + 35, 68))
        y, x = y[y % 4 == 0][:, None], np.arange(j * 100 // 3, (j + 1) * 100 // 3)
        upright = ((2 * plane[y, x] - plane[y - 2, x] - plane[y + 2, x]) ** 2).mean()
        x = x[(x >= 2) & (x < 98)]
        beside = ((2 * plane[y, x] - plane[y, x - 2] - plane[y, x + 2]) ** 2).mean()
        assert found[i, j] == pytest.approx(upright + beside, rel=1e-5)


def weights_by_arrays(
    block: Box, whole: Box, seams: Sequence[Seam], covered: Sequence[Box], open_sides: Sequence[bool]
) -> np.ndarray:
    """Minimum over the seams' ramps; less towards open sides; more towards what is not painted (SciPy's distances)."""
    y, x = np.mgrid[block.y0 : block.y1, block.x0 : block.x1] + 0.5
    weights = np.ones(y.shape)
    for seam in seams:
        inside = (x > seam.box.x0) & (x < seam.box.x1) & (y > seam.box.y0) & (y < seam.box.y1)
        along, across = (y - seam.box.y0, x) if seam.runs_down else (x - seam.box.x0, y)
        off = across - seam.at_px[np.clip(along.astype(int), 0, len(seam.at_px) - 1)]
        ramp = np.clip(0.5 + (0.5 if seam.after else -0.5) * off / seam.feather_px, 0, 1)
        weights = np.where(inside, np.minimum(weights, ramp), weights)
    sides = [d for is_open, d in zip(open_sides, (x, y, whole.x1 - x, whole.y1 - y), strict=True) if is_open]
    weights = weights - np.clip((20 - np.min([np.full(x.shape, 20.0), *sides], axis=0)) / 16, 0, 1)
    # Beyond the tile nothing counts as unpainted.
    painted = np.ones((whole.y1 + 60, whole.x1 + 60), bool)
    painted[30:-30, 30:-30] = False
    for box in covered:
        painted[30 + box.y0 : 30 + box.y1, 30 + box.x0 : 30 + box.x1] = True
    if not painted.all():
        distance = distance_transform_edt(painted)[30:-30, 30:-30][block.cut_out]
        weights = np.where(distance == 0, 1, weights + np.clip((20 - distance) / 16, 0, 1))
    return np.clip(weights, 0, 1)


WHOLE = Box(0, 0, 200, 150)


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_weights_of_blocks(seed: int) -> None:
    """Seams that wander, rectangles anywhere, any sides open, any block."""
    rng = np.random.default_rng(seed)
    seams = []
    for runs_down in rng.integers(0, 2, rng.integers(0, 3)):
        box = WHOLE if rng.integers(2) else Box(0, 0, *(int(v) for v in rng.integers(40, 150, 2)))
        length, width = (box.y1, box.x1) if runs_down else (box.x1, box.y1)
        path = np.cumsum(rng.uniform(-1, 1, length)) + rng.uniform(0, width)
        seams.append(Seam(box, path, bool(runs_down), bool(rng.integers(2))))
    covered = []
    for _ in range(rng.integers(1, 4)):
        x0, y0 = (int(v) for v in rng.integers(0, 100, 2))
        covered.append(Box(x0, y0, x0 + int(rng.integers(1, 150)), y0 + int(rng.integers(1, 150))).cut(WHOLE))
    open_sides = tuple(bool(side) for side in rng.integers(0, 2, 4))
    x0, y0 = 10 * int(rng.integers(0, 14)), 10 * int(rng.integers(0, 9))
    block = Box(x0, y0, x0 + 60, y0 + 60).cut(WHOLE)
    found = tile_weights(block, WHOLE, seams=seams, covered=covered, open_sides=open_sides)
    wanted = weights_by_arrays(block, WHOLE, seams, covered, open_sides)
    np.testing.assert_allclose(np.broadcast_to(found, wanted.shape), wanted, atol=2e-6)


@pytest.mark.parametrize(("dtype", "channels"), [("uint8", 3), ("uint16", 1), ("uint16", 3)])
@pytest.mark.parametrize("size", [(150, 200), (70, 12), (5, 90)])
def test_painting_is_mixing_band_by_band(dtype: str, channels: int, size: tuple[int, int]) -> None:
    """OpenCV's Gaussian blurs over the whole pictures, on rows that go round; also where the overlap is a sliver."""
    height, width = size
    under, over = (noise(seed, (height, width, channels), dtype) for seed in (8, 9))
    whole = Box(0, 0, width, height)
    path = width / 2 + width / 4 * np.sin(np.arange(height) / 30)
    seams = (Seam(whole, path, True, True),)
    closed = (False,) * 4
    target = around(under, 17)
    mix_over(target, around(over, 40), seams=seams, covered=(whole,), open_sides=closed)
    found = np.roll(target.rows, -17, axis=0).reshape(under.shape)
    weights = weights_by_arrays(whole, whole, seams, (whole,), closed)[..., None]
    rest = over.astype(np.float64) - under
    wanted = under.astype(np.float64)
    for taps, sigma, times in mix._BANDS:
        broad = cv2.GaussianBlur(rest, (taps, taps), sigma).reshape(rest.shape)
        wanted += np.clip(0.5 + times * (weights - 0.5), 0, 1) * (rest - broad)
        rest = broad
    wanted = np.clip(wanted + weights * rest, 0, np.iinfo(dtype).max)
    assert np.abs(found - wanted).max() <= 0.5 + 2e-6 * np.iinfo(dtype).max
    for weight, own in ((0, under), (1, over)):
        np.testing.assert_array_equal(found[weights[..., 0] == weight], own[weights[..., 0] == weight])
