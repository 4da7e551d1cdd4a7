"""How well the pitch of a memory array can be known at all, and how near to that the readings come.

    python bench/pitch_bound.py                          # seeds 54000 to 54019, all arrays of the phantoms
    python bench/pitch_bound.py --seeds 54000-54100 --kind "Code store"

Every memory array of a phantom is seen in one picture, without stitching, and measured with a polygon drawn a little
off. Beside the error stands the bound of Cramer and Rao for an unbiased reading of the same picture (S. M. Kay,
Fundamentals of Statistical Signal Processing: Estimation Theory, 1993, ch. 3: inverse of the Fisher information, with
nuisance parameters eliminated; from memory). The information is that of the noise-free picture: banks share a lattice
(four changes), each bank and colour has a cell picture (the orders of `arrays_joint`), a place and a ground of
second degree of its own, and noise is the camera's: shot and reading noise as `phantom.camera.expose` draws them, and
rounding as a twelfth of a level squared. Left out is a rim along each bank's edge, as in the fit itself.
Texture is a second noise, common to the colours and alike from pixel to pixel: with its covariance known, weights by
it (generalised least squares; Kay, ch. 4) reach a bound that plain least squares does not.
Printed per kind of array, both axes together, as relative pitches:
    bound     the bound from all three colours, root mean square over arrays
    grey      the same from the one grey that the fit reads
    with      the bound from all colours with noise and texture, where texture's covariance is known (mean colour of the
              cells; banks count as alike; "nan" where a bank has more than 9000 pixels)
    texture   how far grain and stains alone move a fit of least squares to that grey, the noise being nought
    drawing   how far the picture without noise and texture moves it: beats of the phantom's raster
    expected  grey, texture and drawing together
    achieved  what the readings are off by; its ratio to both bounds, and to what is expected
    over      shares of arrays whose bound with texture is over 2e-4 and over 1e-4
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
import shapely
from scipy.linalg import cho_factor, cho_solve

from dieplat.errors import DieplatError
from dieplat.measurement.arrays import measure_array
from dieplat.measurement.arrays_joint import HIGHEST_FREQUENCY, MOST_ORDERS, RIM_PX, lowest_orders
from dieplat.phantom.camera import MARGIN_PX, CameraPlan, Exposure, Frame, expose
from dieplat.phantom.make import plan_phantom
from dieplat.phantom.render import DieRaster, look
from dieplat.phantom.scenario import scenario_for
from photographed_surveys import PRESETS_IN_TURN, TILES
from seed_range import seed_range
from survey_truth import corner_offset

Matrix = npt.NDArray[np.float64]
PLAIN = ("ordinary", "sharp", "shaded", "stretched")
"""Presets whose arrays differ by more than how their tiles were taken; all others count as the first."""
GROUND = 6
AROUND_PX, CHUNK = 24, 20_000
GREY = 3
REACH_PX, MOST_PIXELS = 24, 9000
"""Where texture counts as independent, and the largest bank whose covariance is held in memory."""


@dataclass(frozen=True, slots=True)
class Case:
    """An array's picture (H, W, 3), the same without noise (levels), without noise and texture, and its polygon."""

    name: str
    picture: npt.NDArray[np.uint8]
    clean: Matrix
    bare: Matrix
    polygon_px: Matrix
    array: dict[str, Any]
    frame: Frame
    corner_px: tuple[int, int]
    noise: float


def cases(seed: int, kind: str) -> Iterator[Case]:
    """All arrays of a seed's phantom whose name begins with `kind`."""
    preset = PRESETS_IN_TURN[seed % len(PRESETS_IN_TURN)]
    preset = preset if preset in PLAIN else PLAIN[0]
    truth = plan_phantom(scenario_for(preset, **TILES), seed=seed, preset=preset)
    camera: CameraPlan = replace(truth.camera, vignetting=0.0, tone_power=1.0)
    raster = truth.raster
    bare = DieRaster(replace(raster.die, texture=0.0), raster.um_per_px, raster.fine)
    for block in truth.die.blocks:
        outline = block.outline_um
        if block.kind != "memory_array" or not block.name.startswith(kind) or not isinstance(outline, shapely.Polygon):
            continue
        points = truth.frame.to_mosaic(np.array(outline.exterior.coords))
        x0, y0 = np.floor(points.min(axis=0)).astype(int) - AROUND_PX
        x1, y1 = np.ceil(points.max(axis=0)).astype(int) + AROUND_PX
        x, y = np.meshgrid(
            np.arange(x0 - MARGIN_PX, x1 + MARGIN_PX) + 0.5, np.arange(y0 - MARGIN_PX, y1 + MARGIN_PX) + 0.5
        )
        place = truth.frame.to_die(x, y)
        rng = np.random.default_rng([seed, 9])
        defocus = float(rng.uniform(*camera.defocus_px))
        light = look(raster, *place)
        picture = expose(light, Exposure((1.0, 1.0, 1.0), defocus), camera, rng)
        corners = points[:-1] - [x0, y0]
        corners = corners + corner_offset(corners, float(rng.uniform(-0.25, 0.25))) + rng.normal(0, 0.5, corners.shape)
        clean, plain = (_levels(one, defocus) for one in (light, look(bare, *place)))
        yield Case(
            block.name,
            picture,
            clean,
            plain,
            corners,
            dict(block.array or {}),
            truth.frame,
            (int(x0), int(y0)),
            camera.noise,
        )


def _levels(light: npt.NDArray[np.float32], defocus_px: float) -> Matrix:
    """The camera's picture without its noise and rounding."""
    if defocus_px > 0.05:
        light = np.asarray(cv2.GaussianBlur(light, (0, 0), defocus_px), dtype=np.float32)
    return 255.0 * np.clip(light[MARGIN_PX:-MARGIN_PX, MARGIN_PX:-MARGIN_PX].astype(np.float64), 0.0, 1.0)


@dataclass(frozen=True, slots=True)
class Bound:
    """Relative standard deviations (2,) of the pitch along x and y, and how far texture and drawing push it (2,)."""

    colours: Matrix
    with_texture: Matrix
    grey: Matrix
    texture: Matrix
    drawing: Matrix


def bound(case: Case) -> Bound | None:
    """The bound for an array; None where no bank is left without its rim."""
    change = (case.bare[:, 2:] - case.bare[:, :-2]).reshape(-1, 3)
    mix = np.linalg.eigh(change.T @ change)[1][:, -1]
    corner, x_axis, y_axis = (
        np.array(case.frame.to_die(*np.add(case.corner_px, at))) for at in ((0, 0), (1, 0), (0, 1))
    )
    turn = np.stack([x_axis - corner, y_axis - corner], axis=1)
    pitch = np.array([case.array["pitch_x_um"], case.array["pitch_y_um"]])
    period = pitch * np.where([case.array["mirrored_x"], case.array["mirrored_y"]], 2.0, 1.0)
    reciprocal = turn / period[:, None]
    orders = lowest_orders(reciprocal, HIGHEST_FREQUENCY, MOST_ORDERS)
    normals = [np.zeros((4, 4)) for _ in range(4)]
    pushes = np.zeros((2, 4))
    whole: Matrix | None = None
    rim = RIM_PX * np.abs(turn).sum(axis=1)
    rows, columns = np.mgrid[: case.bare.shape[0], : case.bare.shape[1]].reshape(2, -1)
    places = np.stack([columns, rows]).astype(np.float64)
    die = turn @ (places + 0.5) + corner[:, None]
    for bank in case.array["bank_list"]:
        low, high = np.array([bank["x0_um"], bank["y0_um"]]) + rim, np.array([bank["x1_um"], bank["y1_um"]]) - rim
        within = np.all((die > low[:, None]) & (die < high[:, None]), axis=0)
        if within.sum() < 2 * len(orders) + GROUND + 40:
            continue
        levels = [one.reshape(-1, 3)[within] for one in (case.clean, case.bare)]
        levels = [np.column_stack([one, one @ mix]) for one in levels]
        mean = levels[0][:, :3].mean(axis=0) / 255.0
        variance = (255.0 * case.noise) ** 2 * (0.25 + 1.5 * mean) + 1.0 / 12.0
        variance = np.append(variance, mix**2 @ variance)
        if whole is None:
            alone = _textured(case, places[:, within], levels[1], variance, reciprocal, orders)
            whole = len(case.array["bank_list"]) * alone
        _add_bank(normals, pushes, places[:, within], levels, variance, reciprocal, orders)
    if whole is None:
        return None
    three = normals[0] + normals[1] + normals[2]
    if min(np.linalg.matrix_rank(three), np.linalg.matrix_rank(normals[GREY])) < 4:
        return None
    inverse = np.linalg.inv(normals[GREY])
    # A pitch shrinks as its reciprocal grows.
    pushed = -(inverse @ pushes.T).T[:, [0, 3]]
    one, two, three = (np.sqrt(np.diag(each)[[0, 3]]) for each in (np.linalg.inv(three), np.linalg.inv(whole), inverse))
    return Bound(one, two, three, pushed[0], pushed[1])


def _add_bank(
    normals: list[Matrix], pushes: Matrix, place: Matrix, levels: list[Matrix], variance: Matrix,
    reciprocal: Matrix, orders: npt.NDArray[np.int64],
) -> None:  # fmt: skip
    """Add a bank's information to that of each colour and the grey, and what texture and drawing do to the grey."""
    clean, bare = levels
    wide = 2 * len(orders) + GROUND
    chunks = [slice(start, start + CHUNK) for start in range(0, len(bare), CHUNK)]
    middle, reach = place.mean(axis=1, keepdims=True), np.ptp(place, axis=1, keepdims=True)
    inner, right = np.zeros((wide, wide)), np.zeros((wide, 4))
    for some in chunks:
        terms = _terms(place[:, some] - middle, reach, reciprocal, orders)
        inner += terms.T @ terms
        right += terms.T @ bare[some]
    inner[np.diag_indices(wide)] += 1e-9 * len(bare)
    value = np.asarray(np.linalg.solve(inner, right), dtype=np.float64)
    mixed, own, push = np.zeros((4, wide, 4)), np.zeros((4, 4, 4)), np.zeros((2, 4))
    off = np.zeros((2, wide))
    for some in chunks:
        terms = _terms(place[:, some] - middle, reach, reciprocal, orders)
        left = (clean[some, GREY] - bare[some, GREY], bare[some, GREY] - terms @ value[:, GREY])
        for k in range(4):
            moves = _moves(place[:, some] - middle, reciprocal, orders, terms, value[:, k])
            mixed[k] += terms.T @ moves
            own[k] += moves.T @ moves
        for k in range(2):
            off[k] += terms.T @ left[k]
            push[k] += moves.T @ left[k]
    for k in range(4):
        normals[k] += (own[k] - mixed[k].T @ np.linalg.solve(inner, mixed[k])) / variance[k]
    pushes += (push - off @ np.linalg.solve(inner, mixed[GREY])) / variance[GREY]


def _textured(
    case: Case, place: Matrix, bare: Matrix, variance: Matrix, reciprocal: Matrix, orders: npt.NDArray[np.int64]
) -> Matrix:
    """A bank's information (4, 4) with texture as noise.

    Colours over their noise are turned so that texture is in the first alone; the others have the camera's noise only.
    """
    count, spread = len(bare), np.sqrt(variance[:3])
    if count > MOST_PIXELS:
        return np.full((4, 4), np.nan)
    strength = bare[:, :3].mean(axis=0) / spread
    seen = bare[:, :3] / spread @ np.linalg.svd(strength[:, None])[0]
    away = place - place.mean(axis=1, keepdims=True)
    terms = _terms(away, np.ptp(place, axis=1, keepdims=True), reciprocal, orders)
    value = np.asarray(np.linalg.lstsq(terms, seen, rcond=1e-7)[0], dtype=np.float64)
    x, y = place.astype(np.int16)
    across, down = x[:, None] - x, y[:, None] - y
    near = [np.clip(each, -REACH_PX, REACH_PX) + REACH_PX for each in (down, across)]
    alike = _texture_covariance(case)[near[0], near[1]]
    noise = (strength @ strength * alike).astype(np.float32)
    noise[np.diag_indices(count)] += 1.0
    factor = cho_factor(noise, overwrite_a=True, check_finite=False)
    total = np.zeros((4, 4))
    for k in range(3):
        columns = np.column_stack([terms, _moves(away, reciprocal, orders, terms, value[:, k])])
        weighted = cho_solve(factor, columns.astype(np.float32)).astype(np.float64) if k == 0 else columns
        full, n = columns.T @ weighted, terms.shape[1]
        inner = full[:n, :n] + 1e-9 * count * np.eye(n)
        total += full[n:, n:] - full[n:, :n] @ np.linalg.solve(inner, full[:n, n:])
    return total


def _texture_covariance(case: Case) -> Matrix:
    """Of texture as a share of the level, at all distances up to `REACH_PX` (2 R + 1, 2 R + 1), tapered to nought."""
    share = (case.clean / np.maximum(case.bare, 1e-9) - 1.0).mean(axis=2)[20:-20, 20:-20]
    y, x = np.mgrid[-1 : 1 : share.shape[0] * 1j, -1 : 1 : share.shape[1] * 1j].reshape(2, -1)
    ground = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=1)
    share -= (ground @ np.linalg.lstsq(ground, share.ravel())[0]).reshape(share.shape)
    size = tuple(length + REACH_PX for length in share.shape)
    products = np.fft.irfft2(np.abs(np.fft.rfft2(share, size)) ** 2, size) / share.size
    near = np.arange(-REACH_PX, REACH_PX + 1)
    taper = 1.0 - np.abs(near) / REACH_PX
    return np.asarray(products[np.ix_(near, near)] * np.outer(taper, taper))


def _terms(place: Matrix, reach: Matrix, reciprocal: Matrix, orders: npt.NDArray[np.int64]) -> Matrix:
    phase = 2.0 * np.pi * (orders @ (reciprocal @ place))
    x, y = 2.0 * place / reach
    return np.vstack([np.cos(phase), np.sin(phase), np.ones_like(x), x, y, x * x, x * y, y * y]).T


def _moves(place: Matrix, reciprocal: Matrix, orders: npt.NDArray[np.int64], terms: Matrix, value: Matrix) -> Matrix:
    """The level's change (N, 4) with the lattice's D_uu, D_uv, D_vu, D_vv."""
    half = len(orders)
    slope = 2.0 * np.pi * (terms[:, :half] * value[half : 2 * half] - terms[:, half : 2 * half] * value[:half]) @ orders
    return np.asarray((slope[:, :, None] * (reciprocal @ place).T[:, None, :]).reshape(-1, 4))


def main(arguments: Sequence[str] | None = None) -> int:
    """Measure, compare, print; the exit status is 0."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--seeds", default="54000-54019")
    parser.add_argument("--kind", default="", help="only arrays whose name begins so")
    options = parser.parse_args(arguments)
    found: dict[str, list[Matrix]] = {}
    left_out = {"refused": 0, "wrong": 0, "without a bound": 0}
    for seed in seed_range(options.seeds):
        for case in cases(seed, options.kind):
            limit = bound(case)
            try:
                read = measure_array(case.picture, shapely.Polygon(case.polygon_px))
            except DieplatError:
                left_out["refused"] += 1
                continue
            a, frame = case.array, case.frame
            if (read.columns, read.rows) != (a["columns"], a["rows"]):
                left_out["wrong"] += 1
                continue
            if limit is None:
                left_out["without a bound"] += 1
                continue
            off = np.array([read.pitch_x_px * frame.um_per_px_x / a["pitch_x_um"] - 1,
                            read.pitch_y_px * frame.um_per_px_y / a["pitch_y_um"] - 1])  # fmt: skip
            stated = np.array([read.pitch_x_px_u / read.pitch_x_px, read.pitch_y_px_u / read.pitch_y_px])
            banks = a["bank_list"][0]
            size = np.array([banks["columns"], banks["rows"]], dtype=np.float64)
            row = np.stack(
                [limit.colours, limit.with_texture, limit.grey, limit.texture, limit.drawing, off, stated, size]
            )
            found.setdefault(case.name, []).append(row)
            print(seed, case.name, size.astype(int), " ".join(f"{v:.1e}" for v in row[:7].ravel()), flush=True)
    for name, rows in sorted(found.items()):
        _summary(name, np.concatenate(rows, axis=1))
    print("left out:", ", ".join(f"{count} {why}" for why, count in left_out.items()))
    return 0


def _summary(name: str, rows: Matrix) -> None:
    sizes = rows[7]
    for low, high in ((1, 4), (5, 6), (7, 9), (10, 15), (16, 10**6)):
        some = rows[:, (sizes >= low) & (sizes <= high)]
        if some.shape[1]:
            _line(f"{name}, {low} to {int(some[7].max())} cells a bank", some)
    _line(f"{name}, all", rows)


def _line(name: str, rows: Matrix) -> None:
    known = np.isfinite(rows[1])
    colours, _, grey, texture, drawing, off, stated = np.sqrt((rows[:7] ** 2).mean(axis=1))
    limit, reached = np.sqrt((rows[[1, 5]][:, known] ** 2).mean(axis=1)) if known.any() else (np.nan, np.nan)
    over = [float((rows[1, known] > most).mean()) if known.any() else np.nan for most in (2e-4, 1e-4)]
    expected = float(np.sqrt(grey**2 + texture**2 + drawing**2))
    within, covered = np.abs(rows[5]) < 2e-4, np.abs(rows[5]) < 1.96 * rows[6]
    print(
        f"{name}: {rows.shape[1]} axes, bound {colours:.1e}, with {limit:.1e} ({known.sum()} axes), grey {grey:.1e}, "
        f"texture {texture:.1e}, drawing {drawing:.1e}, expected {expected:.1e}, achieved {off:.1e} (stated "
        f"{stated:.1e}); ratio to bound {off / colours:.2f}, to bound with texture {reached / limit:.2f}, to expected "
        f"{off / expected:.2f}; bound with texture over 2e-4 {over[0]:.0%}, over 1e-4 {over[1]:.0%}; achieved within "
        f"2e-4 {within.mean():.0%}; |z| < 1.96 {covered.mean():.0%}"
    )


if __name__ == "__main__":
    sys.exit(main())
