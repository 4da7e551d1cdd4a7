"""The blended pixels against the die that was drawn, which is known at every place.

Places, shading and exposures are the true ones, so that what is seen is the work of resampling and blending
alone. The camera's blur is put on the truth as well; its noise stays, and sets the tolerances.
"""

from __future__ import annotations

from pathlib import Path
from typing import NamedTuple

import cv2
import numpy as np
import pytest

from dieplat.blending.compose import compose_bands, tile_jobs
from dieplat.blending.resample import render_tile
from dieplat.phantom import make_phantom
from dieplat.phantom.camera import CameraPlan, shading
from dieplat.phantom.render import look
from dieplat.phantom.truth import Truth
from dieplat.tiles.discover import discover_tiles
from dieplat.values import Correction, Layout, Lens, PlacedTile, TileSet

BLUR_PX = 0.5
NOISE = 1.5
RIM_PX = 24


class Blended(NamedTuple):
    """A mosaic, the die that it shows, which tile each pixel is (-1: mixed), and where the tiles lie."""

    mosaic: np.ndarray
    truth: np.ndarray
    owner: np.ndarray
    layout: Layout


def true_correction(truth: Truth, tile_set: TileSet) -> Correction:
    """The camera's own shading and exposures, and its lens."""
    flat = np.repeat(shading(truth.tile_width_px, truth.tile_height_px, truth.camera.vignetting)[..., None], 3, axis=2)
    by_name = {tile.name: tile for tile in truth.tiles}
    gains = np.array([[1 / gain for gain in by_name[tile.name].gain] for tile in tile_set.tiles], np.float32)
    half = 0.5 * float(np.hypot(truth.tile_width_px, truth.tile_height_px))
    lens = Lens(truth.camera.k1, 0.0, half) if truth.camera.k1 else None
    return Correction(flat, gains, lens)


def blend(folder: Path, *, k1: float) -> Blended:
    camera = CameraPlan(noise=NOISE / 255.0, defocus_px=(BLUR_PX, BLUR_PX), k1=k1)
    truth = make_phantom(
        folder, seed=4, rows=2, columns=3, tile_width_px=360, tile_height_px=300, camera=camera, picture_format="png"
    )
    tile_set = discover_tiles(folder / "tiles")
    placed = tuple(PlacedTile(tile.name, tile.x_px, tile.y_px, 0.0, 0.0, "overlap") for tile in truth.tiles)
    layout = Layout(truth.width_px, truth.height_px, 360, 300, placed, (), (), 0.0)
    correction = true_correction(truth, tile_set)
    mosaic = np.concatenate([band.copy() for band in compose_bands(tile_set, layout, correction)])
    owner = np.full(mosaic.shape[:2], -1)
    for number, job in enumerate(tile_jobs(tile_set, layout, correction)):
        patch = render_tile(job)
        high, wide = patch.pixels.shape[:2]
        view = np.s_[patch.y0 : patch.y0 + high, patch.x0 : patch.x0 + wide]
        own = (mosaic[view] == patch.pixels[: mosaic[view].shape[0], : mosaic[view].shape[1]]).all(axis=2)
        owner[view][own] = number
    x, y = np.meshgrid(np.arange(layout.width_px) + 0.5, np.arange(layout.height_px) + 0.5)
    light = cv2.GaussianBlur(255.0 * look(truth.raster, *truth.frame.to_die(x, y)), (0, 0), BLUR_PX)
    return Blended(mosaic.astype(np.float64), light.astype(np.float64), owner, layout)


@pytest.fixture(scope="module", params=[0.0, 0.012], ids=["plain", "lens"])
def blended(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Blended:
    return blend(tmp_path_factory.mktemp("phantom") / "set", k1=request.param)


def near_seams(blended: Blended) -> np.ndarray:
    """Where a quarter of the pixels are mixed; with a small weight many stay what they were."""
    mixed = (blended.owner < 0).astype(np.float32)
    return cv2.blur(mixed, (7, 7)) > 0.25


def inside(blended: Blended) -> np.ndarray:
    """Well within the ragged outline of the mosaic, where every pixel is covered."""
    covered = (blended.mosaic.max(axis=2) > 0).astype(np.uint8)
    return cv2.erode(covered, np.ones((2 * RIM_PX + 1,) * 2, np.uint8), borderValue=0).astype(bool)


def displacement(blended: Blended, where: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """How far the mosaic's content lies right of and below the truth's, in pixels, with standard uncertainties.

    Least squares over all channels: mosaic = a truth + b - a (dx d/dx + dy d/dy) truth, as for optical flow
    (Lucas and Kanade 1981, Proc. IJCAI, 674-679). A gradient is a difference over two pixels.
    """
    rows = []
    for channel in range(3):
        truth = blended.truth[..., channel]
        down, across = np.gradient(truth)
        design = np.stack([-across[where], -down[where], *(np.zeros((6, where.sum())))], axis=-1)
        design[:, 2 + channel], design[:, 5 + channel] = truth[where], 1.0
        rows.append((design, blended.mosaic[..., channel][where]))
    design, seen = (np.concatenate(parts) for parts in zip(*rows, strict=True))
    found, *_ = np.linalg.lstsq(design, seen, rcond=None)
    scatter = np.sqrt(((seen - design @ found) ** 2).mean() * np.diag(np.linalg.inv(design.T @ design))[:2])
    return found[:2] / found[2:5].mean(), scatter / found[2:5].mean()


def test_the_pixels_are_the_dies_at_seams_as_elsewhere(blended: Blended) -> None:
    """What is left is the camera's own noise, and two roundings of 0.29 levels each; 10 % for the rest.

    Mixing two noises makes less of it, so that seams may not be worse; a seam that were off by 0.1 px would be,
    on edges of 100 levels.
    """
    inner, seam = inside(blended), near_seams(blended)
    error = blended.mosaic - blended.truth
    # Shot noise as `phantom.camera.expose` makes it.
    noise = NOISE * np.sqrt((0.25 + 1.5 * blended.truth[inner] / 255.0).mean())
    own, mixed = (np.sqrt((error[where] ** 2).mean()) for where in (inner & ~seam, inner & seam))
    assert (inner & seam).sum() > 5000
    assert own < 1.1 * np.hypot(noise, 0.41)
    assert mixed < own
    assert abs(error[inner].mean()) < 0.1


def test_content_lies_where_it_should(blended: Blended) -> None:
    """Every tile apart. A wrong sign of the sub-pixel shift would show as twice the fraction of its place."""
    inner = inside(blended)
    for number in range(len(blended.layout.tiles)):
        where = inner & (blended.owner == number)
        assert where.sum() > 5000
        off, u = displacement(blended, where)
        assert np.abs(off).max() < 0.01 + 4 * u.max()
        assert u.max() < 0.005


def test_the_check_sees_a_shift(blended: Blended) -> None:
    """The same measurement on a mosaic that is moved by a tenth of a pixel, to the right."""
    moved = blended.mosaic.copy()
    moved[:, 1:] = 0.9 * blended.mosaic[:, 1:] + 0.1 * blended.mosaic[:, :-1]
    off, _ = displacement(blended._replace(mosaic=moved), inside(blended))
    np.testing.assert_allclose(off, [0.1, 0.0], atol=0.015)


def test_no_edge_of_a_tile_shows_a_step(blended: Blended) -> None:
    """In windows that a seam divides, what lies either side of it is nowhere 0.1 px apart."""
    inner, steps = inside(blended), []
    for top in range(0, inner.shape[0] - 79, 40):
        for left in range(0, inner.shape[1] - 79, 40):
            window = np.zeros_like(inner)
            window[top : top + 80, left : left + 80] = inner[top : top + 80, left : left + 80]
            sides = [window & (blended.owner == n) for n in np.unique(blended.owner[window]) if n >= 0]
            sides = [side for side in sides if side.sum() > 1500]
            if len(sides) != 2:
                continue
            (first, u1), (second, u2) = (displacement(blended, side) for side in sides)
            if np.hypot(u1, u2).max() < 0.025:
                steps.append(np.abs(first - second).max())
    assert len(steps) > 10
    assert max(steps) < 0.1
