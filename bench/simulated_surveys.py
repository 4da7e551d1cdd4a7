"""Surveys of phantoms without stitching: places, lines and drawings are off as the program states that they may be."""

from __future__ import annotations

import math
import sys
from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt

from dieplat.calibration import Ruling, measure_scale
from dieplat.calibration.pitch_fit import fit_pitch
from dieplat.calibration.scale import SQUARE_U_REL, scale_of_rulings
from dieplat.errors import UndecidedError
from dieplat.measurement.lens_left import UNSEEN_BEND_PX
from dieplat.measurement.tile_network import radial_pull, stretch_by_lens, tiles_under
from dieplat.phantom.camera import MARGIN_PX, Exposure, expose
from dieplat.phantom.make import draw_micrometer, plan_phantom
from dieplat.phantom.render import look
from dieplat.phantom.scenario import Scenario, scenario_for
from dieplat.phantom.truth import Truth
from dieplat.values import Layout, PairLink, PlacedTile, Regions
from survey_truth import Array, Figure, compare, drawn_regions

PAIR_U_PX = 0.05
"""Standard uncertainty of one overlap's offset along either axis: twice what registration reaches on photographs."""

LINE_U_PX = 0.04
"""Standard deviation of a line's place: what lines leave in phantoms' pictures."""


class MosaicPicture:
    """A picture (H, W, 3) in memory, read like a mosaic."""

    def __init__(self, picture: npt.NDArray[np.uint8]) -> None:
        self.picture = picture
        self.height_px, self.width_px = picture.shape[:2]

    def read(self, x0: int, y0: int, x1: int, y1: int, level: int = 0) -> npt.NDArray[Any]:
        return self.picture[max(y0, 0) : y1, max(x0, 0) : x1].copy()


def survey_both(seed: int, preset: str, pictures: bool) -> list[Figure]:
    """One phantom, surveyed as drawn by hand and with exact polygons."""
    rng = np.random.default_rng([seed, 77])
    scenario = scenario_for(preset)
    scenario = replace(scenario, um_per_px_ratio_y=scenario.um_per_px_ratio_y * (1 + rng.normal(0, SQUARE_U_REL)))
    truth = plan_phantom(scenario, seed=seed, preset=preset)
    pitch: dict[str, float] = {"pitch_um": truth.pitch_um, "pitch_um_u": truth.pitch_u_um}
    directions = (False, True)[: 1 + scenario.turned]
    if pictures:
        drawn = [draw_micrometer(truth, scenario, turned=turned) for turned in directions]
        scale = measure_scale(drawn[0], turned=drawn[1] if scenario.turned else None, **pitch)
    else:
        scale = scale_of_rulings(*(read_lines(truth, scenario, turned, rng) for turned in directions), **pitch)
    layout, moves = disturbed_layout(truth, rng)
    bend = rng.uniform(-UNSEEN_BEND_PX, UNSEEN_BEND_PX)
    moves = moves + bend * stretch_by_lens(layout)
    skew = rng.normal(0, SQUARE_U_REL)
    figures = []
    for drawing in ("drawn", "exact"):
        regions = drawn_regions(truth, layout, moves, bend, skew, drawing, rng)
        figures += compare(truth, regions, scale, layout, drawing)
    return figures


def survey_found(seed: int, preset: str, pictures: bool) -> list[Figure]:
    """One phantom of which nobody drew the die; none if it is not found."""
    rng = np.random.default_rng([seed, 79])
    ratio = scenario_for(preset).um_per_px_ratio_y * (1 + rng.normal(0, SQUARE_U_REL))
    scenario = scenario_for(preset, um_per_px_ratio_y=ratio, rows=3, columns=3, tile_width_px=480, tile_height_px=360)
    truth = plan_phantom(scenario, seed=seed, preset=preset)
    rulings = [read_lines(truth, scenario, turned, rng) for turned in (False, True)[: 1 + scenario.turned]]
    scale = scale_of_rulings(*rulings, pitch_um=truth.pitch_um, pitch_um_u=truth.pitch_u_um)
    layout, moves = disturbed_layout(truth, rng)
    bend, skew = rng.uniform(-UNSEEN_BEND_PX, UNSEEN_BEND_PX), rng.normal(0, SQUARE_U_REL)
    moves = moves + bend * stretch_by_lens(layout)
    blocks = drawn_regions(truth, layout, moves, bend, skew, "exact", rng).regions
    undrawn = Regions(tuple(region for region in blocks if region.kind != "die"), "phantom")
    mosaic = MosaicPicture(photographed(truth, layout, moves, bend, skew, rng))
    try:
        return compare(truth, undrawn, scale, layout, "found", mosaic)
    except UndecidedError as error:
        print(f"seed {seed}: {error}", file=sys.stderr, flush=True)
        return []


def photographed(
    truth: Truth, layout: Layout, moves: Array, bend: float, skew: float, rng: np.random.Generator
) -> npt.NDArray[np.uint8]:
    """The disturbed mosaic (H, W, 3): every pixel is off as the tile is whose centre is nearest."""
    x, y = np.meshgrid(
        np.arange(-MARGIN_PX, truth.width_px + MARGIN_PX) + 0.5,
        np.arange(-MARGIN_PX, truth.height_px + MARGIN_PX) + 0.5,
    )
    points = np.column_stack([x.ravel(), y.ravel()])
    nearest = tiles_under(points, layout)
    points -= moves[nearest] + bend * radial_pull(points, nearest, layout)
    ratio = truth.frame.um_per_px_y / truth.frame.um_per_px_x
    points[:, 0] += skew * ratio * (points[:, 1] - truth.frame.centre_px[1])
    light = look(truth.raster, *truth.frame.to_die(points[:, 0].reshape(x.shape), points[:, 1].reshape(x.shape)))
    exposure = Exposure((1.0, 1.0, 1.0), float(rng.uniform(*truth.camera.defocus_px)))
    return expose(light, exposure, replace(truth.camera, vignetting=0.0), rng)


def read_lines(truth: Truth, scenario: Scenario, turned: bool, rng: np.random.Generator) -> Ruling:
    """The lines of a micrometer as a picture would give them, with a radial distortion that nobody knows of."""
    width, height = truth.tile_width_px, truth.tile_height_px
    norm = 0.5 * math.hypot(width, height)
    angle = scenario.ruler_rotation_deg * float(rng.uniform(-1, 1)) + (90.0 if turned else 0.0)
    a = math.radians(angle)
    frame = truth.frame
    pitch = truth.pitch_true_um * math.hypot(math.cos(a) / frame.um_per_px_x, math.sin(a) / frame.um_per_px_y)
    half = 0.5 * (height if turned else width) - 8.0
    index = np.arange(-int(half / pitch), int(half / pitch) + 1)
    u = index * pitch
    square = np.full(len(index), (height if not turned else width) ** 2 / 12.0)
    k1 = rng.normal(0.0, 1e-3)
    places = u + k1 * u * (u**2 + square) / norm**2 + rng.normal(0.0, LINE_U_PX, len(index))
    fit = fit_pitch(
        index, places, groups=np.full(len(index), 8), t_square_px2=square, spread_px=LINE_U_PX * 8**0.5, norm_px=norm
    )
    return Ruling(
        angle,
        0.01,
        fit.pitch_px,
        fit.fit_u_px,
        fit.distortion_u_px,
        index,
        places,
        fit.residual_px,
        fit.used,
        fit.k1,
        width,
        height,
    )


def disturbed_layout(truth: Truth, rng: np.random.Generator) -> tuple[Layout, Array]:
    """The true places with the uncertainties of a network of overlaps, and errors (N, 2) drawn from its covariance."""
    number = {(tile.row, tile.column): i for i, tile in enumerate(truth.tiles)}
    links = [
        (i, number[row + down, column + right])
        for (row, column), i in number.items()
        for down, right in ((0, 1), (1, 0))
        if (row + down, column + right) in number
    ]
    count = len(truth.tiles)
    laplacian = np.zeros((count, count))
    for a, b in links:
        laplacian[[a, b, a, b], [a, b, b, a]] += (1.0, 1.0, -1.0, -1.0)
    covariance = np.linalg.pinv(laplacian) * PAIR_U_PX**2
    moves = rng.multivariate_normal(np.zeros(count), covariance, size=2).T
    u = np.sqrt(np.diag(covariance))
    tiles = tuple(
        PlacedTile(t.name, t.x_px, t.y_px, float(v), float(v), "overlap") for t, v in zip(truth.tiles, u, strict=True)
    )
    names = [tile.name for tile in truth.tiles]
    pairs = tuple(PairLink(names[a], names[b], 0.0, 0.0, 0.0, True) for a, b in links)
    size = (truth.width_px, truth.height_px, truth.tile_width_px, truth.tile_height_px)
    return Layout(*size, tiles, pairs, (), PAIR_U_PX), moves
