"""How often the stated 95 % intervals cover the truth: die size, block areas, sums, shares, unassigned area.

    python bench/coverage_figures.py                                   # 500 surveys of each kind, ordinary phantoms
    python bench/coverage_figures.py --surveys 1-100 --workers 2 --csv coverage.csv
    python bench/coverage_figures.py --found --surveys 1001-1060       # dies that nobody drew, in pictures
    python bench/coverage_figures.py --read coverage.csv               # the tables of an earlier run

A survey here is a whole one but for stitching and pictures: the die, its blocks and every tile's place come from a
phantom, the scale from the lines of a micrometer, read with an error each and fitted as those of a picture are (with
--pictures: from the phantom's own picture of it, at several times the cost). What a survey does not know is put in as
the program states it:

    micrometer      a true pitch about the nominal one, by the stated tolerance (the phantom does that)
    axes            um_per_px_y over um_per_px_x, and the angle between the axes, about square by SQUARE_U_REL
    tile positions  errors with the covariance of the network of overlaps, each overlap known to PAIR_U_PX
    distortion      a radial term left in the tiles, uniform within what registration leaves alone
    drawing         "drawn": every vertex half a pixel off (standard deviation), all edges together a quarter of a pixel
                    to either side. "exact": the polygons of the truth, and a survey told so (vertex and edge u of 0)

With --found the mosaic is a picture, of dies of 3 x 3 small tiles (each tile's part of it off as above, blurred, with
noise), blocks are exact and the die's outline is what the survey finds. Dies that are not found are named.

Blocks of one survey share its scale, so coverage is the mean over surveys, and +- its standard error over surveys.
Nothing here is timed; a survey takes about a second and a half, with --found about five.
"""

from __future__ import annotations

import argparse
import csv
import math
import sys
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Executor, ProcessPoolExecutor
from dataclasses import astuple, dataclass, fields, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
from shapely.geometry import LineString, Polygon

from dieplat.calibration import Ruling, measure_scale
from dieplat.calibration.pitch_fit import fit_pitch
from dieplat.calibration.scale import SQUARE_U_REL, scale_of_rulings
from dieplat.errors import UndecidedError
from dieplat.measurement.lens_left import UNSEEN_BEND_PX
from dieplat.measurement.tile_network import radial_pull, tiles_under
from dieplat.phantom.camera import MARGIN_PX, Exposure, expose
from dieplat.phantom.make import draw_micrometer, plan_phantom
from dieplat.phantom.render import look
from dieplat.phantom.scenario import Scenario, scenario_for
from dieplat.phantom.truth import Truth
from dieplat.survey import measure_survey
from dieplat.values import Layout, PairLink, PlacedTile, Region, Regions, Scale
from dieplat.values.stated import EDGE_HALF_PX, EDGE_U_PX, VERTEX_U_PX, Stated
from seed_range import seed_range

Array = npt.NDArray[np.float64]

PAIR_U_PX = 0.05
"""Standard uncertainty of one overlap's offset along either axis: twice what registration reaches on phantoms."""

LINE_U_PX = 0.04
"""Standard deviation of a line's place: what lines leave in phantoms' pictures."""

WIDTHS = (16, 9, 8, 9, 10, 10)

PLAIN = {"memory_array": "analog", "rf_inductor": "analog", "conductor": "trace"}
"""Kinds that would be measured from pixels count by their outline and path here."""


@dataclass(frozen=True, slots=True)
class Figure:
    """One result beside the truth. `tolerance` and `axes` are the relative errors that the micrometer's own pitch and
    pixels that are not quite square made."""

    seed: int
    drawing: str
    quantity: str
    name: str
    true: float
    measured: float
    u: float
    tolerance: float
    axes: float


class NoPicture:
    """A mosaic of which no pixel is needed."""

    def __init__(self, width_px: int, height_px: int) -> None:
        self.width_px, self.height_px = width_px, height_px

    def read(self, x0: int, y0: int, x1: int, y1: int, level: int = 0) -> npt.NDArray[Any]:
        raise AssertionError("nothing here is measured from pixels")


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


def drawn_regions(
    truth: Truth, layout: Layout, moves: Array, bend: float, skew: float, drawing: str, rng: np.random.Generator
) -> Regions:
    """Every block where the disturbed mosaic shows it, as a person would draw it or exactly."""
    ratio = truth.frame.um_per_px_y / truth.frame.um_per_px_x
    offset = rng.uniform(-EDGE_HALF_PX, EDGE_HALF_PX) if drawing == "drawn" else 0.0
    regions = []
    for block in truth.die.blocks:
        path = not isinstance(block.outline_um, Polygon)
        points = truth.outline_px(block) if path else truth.outline_px(block)[:-1]
        points = points - np.stack([skew * ratio * (points[:, 1] - truth.frame.centre_px[1]), 0 * points[:, 1]], axis=1)
        nearest = tiles_under(points, layout)
        points = points + moves[nearest] + bend * radial_pull(points, nearest, layout)
        if drawing == "drawn":
            points = points + (end_offset(points, offset) if path else corner_offset(points, offset))
            points = points + rng.normal(0, VERTEX_U_PX, points.shape)
        geometry = LineString(points) if path else Polygon(points)
        regions.append(Region(block.name, PLAIN.get(block.kind, block.kind), geometry))
    return Regions(tuple(regions), "phantom")


def corner_offset(points: Array, offset: float) -> Array:
    """Moves (N, 2) of a ring's corners that put all its edges outwards by `offset`."""
    step = np.roll(points, -1, axis=0) - points
    along = step / np.linalg.norm(step, axis=1, keepdims=True)
    area = np.sum(points[:, 0] * np.roll(points[:, 1], -1) - np.roll(points[:, 0], -1) * points[:, 1])
    after = np.stack([along[:, 1], -along[:, 0]], axis=1) * math.copysign(1.0, area)
    before = np.roll(after, 1, axis=0)
    return offset * (before + after) / (1.0 + np.sum(before * after, axis=1, keepdims=True))


def end_offset(points: Array, offset: float) -> Array:
    """Moves (N, 2) of a path's points: both ends further out."""
    moves = np.zeros_like(points)
    for end, inner in ((0, 1), (-1, -2)):
        away = points[end] - points[inner]
        moves[end] = offset * away / np.linalg.norm(away)
    return moves


def compare(
    truth: Truth, regions: Regions, scale: Scale, layout: Layout, drawing: str, mosaic: MosaicPicture | None = None
) -> list[Figure]:
    """Every result with a true value."""
    told = (VERTEX_U_PX, EDGE_U_PX) if drawing == "drawn" else (0.0, 0.0)
    seen = NoPicture(truth.width_px, truth.height_px) if mosaic is None else mosaic
    found = measure_survey(seen, regions, scale, stated=Stated(vertex_u_px=told[0], edge_u_px=told[1]), layout=layout)
    pitch = truth.pitch_um / truth.pitch_true_um - 1.0
    square = 0.0 if scale.axes_independent else truth.frame.um_per_px_x / truth.frame.um_per_px_y - 1.0
    figures: list[Figure] = []

    def add(quantity: str, name: str, true: float, value: float | None, u: float | None, power: int) -> None:
        axes = square if power == 2 or quantity == "die height" else 0.0
        if value is not None and u is not None:
            figures.append(Figure(truth.seed, drawing, quantity, name, true, value, u, power * pitch, axes))

    die = found.die
    if die is None:
        raise UndecidedError("; ".join(found.warnings))
    width, height = truth.die.width_um, truth.die.height_um
    add("die width", "die", width, die.width_um, die.width_um_u, 1)
    add("die height", "die", height, die.height_um, die.height_um_u, 1)
    add("die area", "die", width * height, die.area_um2, die.area_um2_u, 2)
    assert die.rotation_deg is not None
    add("rotation", "die", truth.frame.rotation_deg, die.rotation_deg, die.rotation_deg_u, 0)
    blocks = {block.name: block for block in truth.die.blocks}
    totals: dict[str, float] = {}
    for block in found.blocks:
        outline = blocks[block.name].outline_um
        if isinstance(outline, Polygon):
            totals[block.kind] = totals.get(block.kind, 0.0) + outline.area
            quantity = "pad" if block.kind == "io_pad" else "block"
            add(f"{quantity} area", block.name, outline.area, block.area_um2, block.area_um2_u, 2)
            add(
                f"{quantity} share",
                block.name,
                outline.area / (width * height),
                block.share_of_die,
                block.share_of_die_u,
                0,
            )
            add(f"{quantity} perimeter", block.name, outline.length, block.perimeter_um, block.perimeter_um_u, 1)
        elif block.trace is not None and len(outline) <= 40:
            length = float(np.linalg.norm(np.diff(np.asarray(outline), axis=0), axis=1).sum())
            add("path length", block.name, length, block.trace.length_um, block.trace.length_um_u, 1)
    for line in found.summary:
        add("sum of a kind", line.kind, totals[line.kind], line.area_um2, line.area_um2_u, 2)
        share = totals[line.kind] / (width * height)
        add("share of a kind", line.kind, share, line.share_of_die, line.share_of_die_u, 0)
    if not found.overlaps:
        left = width * height - sum(totals.values())
        add("unassigned", "die", left, found.unassigned_um2, found.unassigned_um2_u, 2)
    return figures


def print_tables(figures: Sequence[Figure]) -> None:
    """A row a quantity: how often 1.96 u and 2 u cover the truth, and how large errors are."""
    for drawing in dict.fromkeys(f.drawing for f in figures):
        some = [f for f in figures if f.drawing == drawing]
        print(f"\n{drawing}: {len({f.seed for f in some})} surveys")
        heads = ("< 1.96 u", "< 2 u", "rms", "largest", "largest %", "alone %")
        print(f"{'quantity':<17}{'values':>7}" + "".join(f"{h:>{w}}" for h, w in zip(heads, WIDTHS, strict=True)))
        for quantity in dict.fromkeys(f.quantity for f in some):
            print(_row(quantity, [f for f in some if f.quantity == quantity]))
    print("\nrms, largest: in u; then the largest error in % of the value (rotation: degrees); alone: without what the")
    print("micrometer's own pitch was off, and of areas and the height without pixels that are not square")


def _row(quantity: str, figures: Sequence[Figure]) -> str:
    off = np.array([(f.measured - f.true) / f.u for f in figures])
    seeds = np.array([f.seed for f in figures])
    mean = np.array([np.mean(np.abs(off[seeds == seed]) <= 1.96) for seed in np.unique(seeds)])
    whole = 1.0 if quantity == "rotation" else 100.0
    base = np.array([1.0 if quantity == "rotation" else f.true for f in figures])
    error = whole * np.array([f.measured - f.true for f in figures]) / base
    alone = error - whole * np.array([f.tolerance + f.axes for f in figures])
    error_u = f"{100 * np.mean(mean):6.1f} +- {100 * np.std(mean, ddof=1) / math.sqrt(len(mean)):.1f} %"
    two = f"{100 * np.mean(np.abs(off) <= 2.0):6.1f} %"
    return (
        f"{quantity:<17}{len(figures):>7}{error_u:>16}{two:>9}{np.sqrt(np.mean(off**2)):>8.3f}"
        f"{np.abs(off).max():>9.2f}{np.abs(error).max():>10.4f}{np.abs(alone).max():>10.4f}"
    )


def run_all(
    survey: Callable[[int, str, bool], list[Figure]],
    seeds: Sequence[int],
    preset: str,
    pictures: bool,
    executor: Executor | None,
) -> Iterator[list[Figure]]:
    """The figures of one survey after the other."""
    more = ([preset] * len(seeds), [pictures] * len(seeds))
    yield from (map if executor is None else executor.map)(survey, seeds, *more)


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--surveys", nargs="+", default=["1-500"], help="seeds or ranges")
    parser.add_argument("--preset", default="ordinary", help="a preset of dieplat phantom")
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--pictures", action="store_true", help="measure the phantom's picture of the micrometer")
    parser.add_argument("--found", action="store_true", help="find the die in a picture instead of drawing it")
    parser.add_argument("--csv", type=Path, help="write every figure to this file")
    parser.add_argument("--read", type=Path, help="print the tables of an earlier run's CSV file")
    given = parser.parse_args(arguments)
    if given.read is not None:
        print_tables(read_csv(given.read))
        return 0
    seeds = [seed for text in given.surveys for seed in seed_range(text)]
    survey = survey_found if given.found else survey_both
    figures: list[Figure] = []
    with ProcessPoolExecutor(given.workers, initializer=cv2.setNumThreads, initargs=(1,)) as pool:
        for done, more in enumerate(
            run_all(survey, seeds, given.preset, given.pictures, pool if given.workers > 1 else None), 1
        ):
            figures += more
            print(f"{done}/{len(seeds)}", file=sys.stderr, flush=True)
    if given.csv is not None:
        write_csv(given.csv, figures)
    print_tables(figures)
    return 0


def read_csv(path: Path) -> list[Figure]:
    """The figures of an earlier run."""
    texts = ("drawing", "quantity", "name")
    with path.open(newline="", encoding="utf-8") as handle:
        rows = list(csv.DictReader(handle))
    return [
        Figure(**{k: int(v) if k == "seed" else v if k in texts else float(v) for k, v in row.items()})  # type: ignore[arg-type]
        for row in rows
    ]


def write_csv(path: Path, figures: Sequence[Figure]) -> None:
    """One row a figure."""
    with path.open("w", newline="", encoding="utf-8") as handle:
        writer = csv.writer(handle)
        writer.writerow([field.name for field in fields(Figure)])
        writer.writerows(astuple(figure) for figure in figures)


if __name__ == "__main__":
    raise SystemExit(main())
