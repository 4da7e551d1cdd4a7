"""A tile moved by part of a pixel, against the same move made in the Fourier domain."""

from __future__ import annotations

from pathlib import Path

import known_tiles
import numpy as np
import pytest
import tifffile
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.interpolate import CubicSpline
from scipy.ndimage import fourier_shift

from dieplat.blending.resample import TileJob, enlarged_inverse, render_tile
from dieplat.tiles.read import read_picture
from dieplat.values import Lens


def job(path: Path, *, x_px: float, y_px: float, lens: Lens | None = None, gain: float = 1.0) -> TileJob:
    picture = read_picture(path)
    height, width = picture.shape[:2]
    channels = 1 if picture.ndim == 2 else 3
    flat = np.ones((height, width, channels), np.float32)
    return TileJob(
        path,
        (height, width, channels),
        str(picture.dtype),
        x_px,
        y_px,
        flat,
        np.full(channels, gain, np.float32),
        lens,
    )


@pytest.mark.parametrize(("x_px", "y_px"), [(0.25, 0.0), (0.0, 0.5), (7.3, 12.85), (100.999, 3.001)])
def test_moves_as_the_fourier_domain_does(tmp_path: Path, x_px: float, y_px: float) -> None:
    """SciPy's `fourier_shift` is exact for a periodic picture; here random waves of 6 px and longer."""
    size = 96
    rng = np.random.default_rng(4)
    frequency = np.hypot(*np.meshgrid(np.fft.fftfreq(size), np.fft.fftfreq(size)))
    spectrum = np.fft.fft2(rng.standard_normal((size, size))) * (frequency < 1 / 6)
    waves = np.fft.ifft2(spectrum).real
    picture = 32768 + 20000 * waves / np.abs(waves).max()
    tifffile.imwrite(tmp_path / "t.tif", np.rint(picture).astype(np.uint16))
    patch = render_tile(job(tmp_path / "t.tif", x_px=x_px, y_px=y_px))
    assert (patch.x0, patch.y0) == (round(x_px), round(y_px))
    moved = np.fft.ifft2(fourier_shift(np.fft.fft2(picture), (y_px - patch.y0, x_px - patch.x0))).real
    inner = np.s_[8:-8, 8:-8]
    error = np.abs(patch.pixels[:size, :size, 0] - moved)[inner]
    # The filter's ripple of 0.2 % of 20000 on either axis, and the roundings.
    assert error.max() < 2 * 0.002 * 20000 + 3


@settings(deadline=None)  # the first call compiles
@given(st.floats(0, 30), st.floats(0, 30))
def test_an_even_tile_stays_even_and_covers_its_rectangle(x_px: float, y_px: float) -> None:
    tile = Path(__file__).parent / "even.tif"
    with pytest.MonkeyPatch.context() as patching:
        patching.setattr("dieplat.blending.resample.read_picture", lambda path: np.full((20, 30), 200, np.uint8))
        patch = render_tile(
            TileJob(
                tile,
                (20, 30, 1),
                "uint8",
                x_px,
                y_px,
                np.ones((20, 30, 1), np.float32),
                np.ones(1, np.float32),
                None,
            )
        )
    assert (patch.pixels == 200).all()
    # The pixels whose centres lie on the tile; one that lies on its edge to within rounding may be either.
    assert x_px - 1e-9 <= patch.x0 + 0.5 <= x_px + 1 + 1e-9
    assert y_px - 1e-9 <= patch.y0 + 0.5 <= y_px + 1 + 1e-9
    assert patch.pixels.shape == (20, 30, 1)


def test_bright_pixels_are_clipped_not_wrapped(tmp_path: Path) -> None:
    tifffile.imwrite(tmp_path / "t.tif", np.full((20, 30), 60000, np.uint16))
    assert render_tile(job(tmp_path / "t.tif", x_px=0.5, y_px=0.5, gain=1.2)).pixels.max() == 65535


def test_the_lens_leaves_the_centre_and_pulls_the_corner(tmp_path: Path) -> None:
    """At the corner r = 1, so with k1 = -0.02 the corner's point shows at 0.98 of the half diagonal."""

    def ramp(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        return 100 * x + 0 * y

    lens = Lens(-0.02, 0.0, norm_px=float(np.hypot(100, 150)))
    tile_set, _ = known_tiles.cut_tiles(tmp_path, ramp, [(0.0, 0.0)], size=(200, 300), dtype="uint16")
    patch = render_tile(job(tile_set.tiles[0].path, x_px=0.0, y_px=0.0, lens=lens))
    row = patch.pixels[0, :, 0]
    assert patch.pixels[100, 150, 0] == pytest.approx(100 * 150.5, abs=100 / 64 + 1)
    x, y = 0.5 - 150, 0.5 - 100
    shown = 150 + x * (1 - 0.02 * (x * x + y * y) / lens.norm_px**2)
    assert row[0] == pytest.approx(100 * shown, abs=100 / 64 + 1)


@pytest.mark.parametrize("cells", [(1, 1), (2, 3), (9, 12)])
def test_a_plane_of_shading_is_enlarged_exactly(cells: tuple[int, int]) -> None:
    """To the very edge, half a cell beyond the last centre."""

    def shade(height: int, width: int) -> np.ndarray:
        y, x = np.mgrid[:height, :width] + 0.5
        slope = (0.3 if height > 1 else 0.0) * y / height + (0.2 if width > 1 else 0.0) * x / width
        return (0.8 + slope)[..., None].astype(np.float32)

    found = 1 / enlarged_inverse(shade(*cells), (90, 120, 1))
    expected = shade(90, 120) if cells != (1, 1) else np.full((90, 120, 1), 0.8)
    np.testing.assert_allclose(found, expected, rtol=2e-6)  # 32-bit


@pytest.mark.parametrize("cells", [2, 3, 4, 5, 12])
def test_shading_is_enlarged_along_a_cubic_spline(cells: int) -> None:
    """SciPy's `CubicSpline`, which also goes on beyond the outermost centres."""
    flat = np.random.default_rng(cells).uniform(0.7, 1.3, (1, cells, 1)).astype(np.float32)
    centres = (np.arange(cells) + 0.5) * (100 / cells)
    expected = CubicSpline(centres, flat[0, :, 0].astype(np.float64))(np.arange(100) + 0.5)
    found = 1 / enlarged_inverse(flat, (10, 100, 1))[3, :, 0]
    np.testing.assert_allclose(found, expected, rtol=5e-7)  # 32-bit
