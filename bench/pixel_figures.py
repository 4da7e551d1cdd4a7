"""How near the pixels of a mosaic come to the die that was drawn: at seams, away from them, and from tile to tile.

    python bench/pixel_figures.py                                    # ordinary, shaded, lens and sharp, seed 1
    python bench/pixel_figures.py --preset ordinary --seeds 1-5

A phantom is made, stitched as by `dieplat stitch` (places, shading, exposures and lens all estimated), and set
against the same die drawn at the mosaic's own pixels, each tile's as blurred as its picture. After a gain
and an offset a channel are fitted, printed are

- rms: mosaic minus truth in 8-bit levels, in the mixed strips along the seams and away from them. It holds the
  camera's noise and the differences of focus from tile to tile;
- off: how far each tile's pixels lie from the truth, median difference taken out (the frame is free). `off` less
  the error of the tile's stated place is what resampling adds;
- step: in windows that one seam divides, how far apart the content on its two sides is shifted: 95 %, the
  largest, and how many are over 0.1 px by their figure / beyond doubt / of how many. Beyond doubt is what a t test
  of "at most 0.1 px" rejects at 1 % for all windows together (Bonferroni), on uncertainties that allow for errors
  that go together over `CELL_PX`;
- light: rms over the mosaic of the smooth error of brightness that the fit leaves, in per cent (over 64 px);
- flat: what is wrong with the estimated shading, in per cent rms; in brackets without its tilt, which overlaps
  cannot tell from exposures that drift;
- CPU: seconds a megapixel of mosaic for resampling and blending, decoding included.

Set OMP_NUM_THREADS=1. The exit status is 1 if a tile's edge shows a step over 0.1 px beyond doubt.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt
from scipy.stats import t as student_t

from dieplat.blending.compose import compose_bands, tile_jobs
from dieplat.blending.resample import render_tile
from dieplat.correction import estimate_correction
from dieplat.phantom import make_phantom
from dieplat.phantom.camera import shading
from dieplat.phantom.render import look
from dieplat.phantom.truth import Truth
from dieplat.registration.overview import survey_tiles
from dieplat.registration.register import place_in_grid, register
from dieplat.tiles.discover import discover_tiles
from dieplat.values import Correction, Layout, Lens, TileSet

Floats = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

RIM_PX = 24
WINDOW_PX = 96
LEAST_PIXELS = 1500
LARGEST_STEP_PX = 0.1
CELL_PX = 12
LUMA = np.array([0.299, 0.587, 0.114])
"""Brightness as JPEG codes it (ITU-R BT.601)."""
LEAST_BLUR_PX = 0.05
"""Less the phantom's camera leaves alone."""
SURE_PX = 0.03
"""A step is only taken where it is known to this (standard uncertainty)."""


@dataclass(frozen=True, slots=True, eq=False)
class Blended:
    """A mosaic and the truth at its pixels, (H, W, 3), which tile each pixel is (-1: mixed), and the errors."""

    mosaic: Floats
    truth: Floats
    owner: npt.NDArray[np.intp]
    inner: Mask
    tile_errors_px: Floats
    cpu_s_per_mp: float


def stitched(folder: Path) -> tuple[TileSet, Layout, Correction]:
    """The stages of `dieplat.workflow.build_mosaic` up to the blending."""
    tile_set = discover_tiles(folder / "tiles")
    kept, views, _ = survey_tiles(tile_set.tiles)
    tile_set = place_in_grid(replace(tile_set, tiles=tuple(kept)), views, columns=None, executor=None)
    by_name = {tile.name: view for tile, view in zip(kept, views, strict=True)}
    layout = register(tile_set, by_name, overlap=None, ties=())
    order = [tile.name for tile in tile_set.tiles]
    lens = Lens(**layout.lens) if layout.lens is not None else None
    return tile_set, layout, estimate_correction([by_name[name].colour for name in order], layout, order, lens=lens)


def blend(truth: Truth, tile_set: TileSet, layout: Layout, correction: Correction) -> Blended:
    """Compose the mosaic, and draw what it should show."""
    start = time.process_time()
    mosaic = np.concatenate([band.copy() for band in compose_bands(tile_set, layout, correction)])
    cpu_s = time.process_time() - start
    owner = np.full(mosaic.shape[:2], -1, np.intp)
    jobs = tile_jobs(tile_set, layout, correction)
    for number, job in enumerate(jobs):
        patch = render_tile(job)
        high, wide = patch.pixels.shape[:2]
        view = mosaic[patch.y0 : patch.y0 + high, patch.x0 : patch.x0 + wide]
        own = (view == patch.pixels[: view.shape[0], : view.shape[1]]).all(axis=2)
        owner[patch.y0 : patch.y0 + high, patch.x0 : patch.x0 + wide][own] = number
    true = {tile.name: (tile.x_px, tile.y_px) for tile in truth.tiles}
    errors = np.array([[job.x_px, job.y_px] for job in jobs]) - [true[job.path.name] for job in jobs]
    shift = np.median(errors, axis=0)
    x, y = np.meshgrid(np.arange(layout.width_px) + 0.5 - shift[0], np.arange(layout.height_px) + 0.5 - shift[1])
    light = np.asarray(255.0 * look(truth.raster, *truth.frame.to_die(x, y)), np.float64)
    light = blurred_alike(
        light, owner, [own.defocus_px for job in jobs for own in truth.tiles if own.name == job.path.name]
    )
    covered = (mosaic.max(axis=2) > 0).astype(np.uint8)
    inner = cv2.erode(covered, np.ones((2 * RIM_PX + 1,) * 2, np.uint8), borderValue=0).astype(bool)
    fitted = mosaic.astype(np.float64)
    for channel in range(3):
        design = np.stack([mosaic[inner][:, channel], np.ones(inner.sum())], axis=-1).astype(np.float64)
        gain, offset = np.linalg.lstsq(design, light[inner][:, channel], rcond=None)[0]
        fitted[..., channel] = gain * fitted[..., channel] + offset
    return Blended(fitted, light, owner, inner, errors - shift, cpu_s / (mosaic.shape[0] * mosaic.shape[1] / 1e6))


def blurred_alike(light: Floats, owner: npt.NDArray[np.intp], blurs_px: Sequence[float]) -> Floats:
    """The die as every tile saw it where the mosaic is that tile's, and as the middle one did where tiles are mixed.

    Uneven structure that is blurred otherwise seems to lie elsewhere, by tenths of a pixel in a small window.
    """

    def out_of_focus(part: Floats, blur_px: float) -> Floats:
        return cv2.GaussianBlur(part, (0, 0), blur_px).astype(np.float64) if blur_px > LEAST_BLUR_PX else part

    seen = out_of_focus(light, float(np.median(blurs_px))).copy()
    for number, blur_px in enumerate(blurs_px):
        mine = owner == number
        rows, columns = np.flatnonzero(mine.any(axis=1)), np.flatnonzero(mine.any(axis=0))
        if len(rows):
            cut = np.s_[max(rows[0] - 8, 0) : rows[-1] + 9, max(columns[0] - 8, 0) : columns[-1] + 9]
            seen[cut][mine[cut]] = out_of_focus(light[cut], blur_px)[mine[cut]]
    return seen


def displacement(mosaic: Floats, truth: Floats, where: Mask) -> tuple[Floats, Floats, int]:
    """How far the mosaic's content lies right of and below the truth's, with standard uncertainties and their freedom.

    Least squares on brightness: mosaic = a truth + b - a (dx d/dx + dy d/dy) truth + c (Laplacian of the truth), as for
    optical flow (Lucas and Kanade 1981, Proc. IJCAI, 674-679). The last term is a difference of blur, to first order.
    What the model does not hold goes together over neighbouring pixels, so that the covariance is that of whole cells'
    contributions (Liang and Zeger 1986, Longitudinal data analysis using generalized linear models, Biometrika 73,
    13-22). Brightness only: JPEG keeps colour in cells of two by two pixels from the tile's corner on, and an edge that
    is one of colour alone lies off by tenths of a pixel in the picture itself.
    """
    rows, columns = np.nonzero(where)
    _, cells = np.unique(rows // CELL_PX * where.shape[1] + columns // CELL_PX, return_inverse=True)
    light = truth @ LUMA
    down, across = np.gradient(light)
    design = np.zeros((len(rows), 5))
    design[:, 0], design[:, 1] = -across[where], -down[where]
    design[:, 2], design[:, 3] = light[where], 1.0
    design[:, 4] = cv2.Laplacian(light, cv2.CV_64F)[where]
    target = (mosaic @ LUMA)[where]
    found, *_ = np.linalg.lstsq(design, target, rcond=None)
    scores = design * (target - design @ found)[:, None]
    sums = np.stack([np.bincount(cells, weights=column) for column in scores.T], axis=-1)
    bread, count = np.linalg.pinv(design.T @ design), len(sums)
    variance = np.diag(bread @ (sums.T @ sums) @ bread)[:2] * count / max(count - 1, 1)
    return found[:2] / found[2], np.sqrt(variance) / found[2], count - 1


def steps(blended: Blended) -> Iterator[tuple[float, float, int]]:
    """Size, standard uncertainty and its freedom of the shift between the sides of a seam, window by window."""
    height, width = blended.owner.shape
    for top in range(0, height - WINDOW_PX + 1, WINDOW_PX // 2):
        for left in range(0, width - WINDOW_PX + 1, WINDOW_PX // 2):
            cut = np.s_[top : top + WINDOW_PX, left : left + WINDOW_PX]
            owner, inner = blended.owner[cut], blended.inner[cut]
            sides = [inner & (owner == number) for number in np.unique(owner) if number >= 0]
            sides = [side for side in sides if side.sum() >= LEAST_PIXELS]
            if len(sides) != 2:
                continue
            (one, u_one, free_one), (two, u_two, free_two) = (
                displacement(blended.mosaic[cut], blended.truth[cut], side) for side in sides
            )
            for size, u in zip(np.abs(one - two), np.hypot(u_one, u_two), strict=True):
                if u < SURE_PX:
                    yield float(size), float(u), min(free_one, free_two)


def beyond_doubt(sizes: Floats) -> Mask:
    """Which of the steps (size, uncertainty, freedom) are over the limit, at 1 % of error for all of them together."""
    limit = student_t.ppf(1.0 - 0.01 / max(len(sizes), 1), np.maximum(sizes[:, 2], 1))
    return np.asarray(sizes[:, 0] - limit * sizes[:, 1] > LARGEST_STEP_PX)


def shading_error(truth: Truth, correction: Correction) -> tuple[float, float]:
    """Relative error of the flat in per cent rms, and the same without its tilt."""
    height, width, _ = correction.flat.shape
    full = shading(truth.tile_width_px, truth.tile_height_px, truth.camera.vignetting)
    wanted = cv2.resize(full, (width, height), interpolation=cv2.INTER_AREA)
    ratio = np.log(correction.flat / wanted[..., None]).reshape(-1, 3).astype(np.float64)
    ratio -= ratio.mean(axis=0)
    y, x = np.mgrid[-1 : 1 : height * 1j, -1 : 1 : width * 1j]
    plane = np.stack([x.ravel(), y.ravel()], axis=-1)
    level = ratio - plane @ np.linalg.lstsq(plane, ratio, rcond=None)[0]
    return 100.0 * float(np.sqrt((ratio**2).mean())), 100.0 * float(np.sqrt((level**2).mean()))


def measure(preset: str, seed: int) -> bool:
    """Print a row; whether no edge of a tile shows a step."""
    with tempfile.TemporaryDirectory(prefix="pixel_figures_") as name:
        folder = Path(name) / "phantom"
        truth = make_phantom(folder, seed=seed, preset=preset)
        tile_set, layout, correction = stitched(folder)
        blended = blend(truth, tile_set, layout, correction)
    error, inner = blended.mosaic - blended.truth, blended.inner
    seam = cv2.blur((blended.owner < 0).astype(np.float32), (7, 7)) > 0.25
    rms = [float(np.sqrt((error[where] ** 2).mean())) for where in (inner & seam, inner & ~seam)]
    found = [
        displacement(blended.mosaic, blended.truth, inner & (blended.owner == n)) for n in range(len(layout.tiles))
    ]
    off = np.array([place for place, _, _ in found])
    added = np.abs(off - blended.tile_errors_px).max()
    sizes = np.array(list(steps(blended))).reshape(-1, 3)
    over, sure = int((sizes[:, 0] > LARGEST_STEP_PX).sum()), int(beyond_doubt(sizes).sum())
    smooth = cv2.blur(np.where(inner[..., None], error, 0.0), (64, 64))
    level = cv2.blur(np.where(inner[..., None], blended.truth, 0.0), (64, 64))
    light = 100.0 * float(np.sqrt(((smooth / np.maximum(level, 1.0))[inner] ** 2).mean()))
    flat, level_flat = shading_error(truth, correction)
    p95, largest = (np.percentile(sizes[:, 0], 95), sizes[:, 0].max()) if len(sizes) else (np.nan, np.nan)
    print(
        f"{preset:9} {seed:4} {rms[0]:6.2f} {rms[1]:6.2f}  {np.abs(off).max():6.3f} {added:6.3f}  {p95:6.3f} "
        f"{largest:6.3f} {over:4}/{sure}/{len(sizes):<4}  {light:5.2f}  {flat:5.2f} ({level_flat:4.2f})  "
        f"{blended.cpu_s_per_mp:6.3f}",
        flush=True,
    )
    return sure == 0


def seed_list(text: str) -> list[int]:
    """1,3 or 1-20."""
    return [n for part in text.split(",") for a, _, b in [part.partition("-")] for n in range(int(a), int(b or a) + 1)]


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--preset", nargs="+", default=["ordinary", "shaded", "lens", "sharp"])
    parser.add_argument("--seeds", type=seed_list, default=[1], help="such as 1-5 or 1,4")
    given = parser.parse_args(arguments)
    cv2.setNumThreads(1)
    print("preset    seed   rms at, off seams  off px  added  step95 largest    over 0.1  light  flat (level)     CPU")
    even = [measure(preset, seed) for preset in given.preset for seed in given.seeds]
    return 0 if all(even) else 1


if __name__ == "__main__":
    raise SystemExit(main())
