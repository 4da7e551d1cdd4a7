"""Whether counts of memory cells hold where something lies over cells, or cells are not where a rectangle has them.

    python bench/covered_figures.py                                  # ten dies, every case, seeds 55000 on
    python bench/covered_figures.py --seeds 54500-54509 --cases edge # seeds for tuning; report others

The arrays are those of the small dies of bench/photographed_surveys.py, with their dust, each in a picture of its own
(no stitching), outlined as a person would draw it. The cases:

    clean    as they are
    edge     a dark hair along one side, 0 to 3 cells from it, 0.2 to 1.3 cells wide, over a part of the side or all
    middle   a dark hair from side to side through the middle half of the array
    speck    a dark grain of 1 to 4 cells' width anywhere over the cells, as they do not end there
    corner   a corner of one bank holds drivers instead of cells, of 2 x 2 cells at least
    outline  the same, with the outline drawn around the cells that are left

A count that differs from the truth is wrong; it is `said` where a remark speaks of what covers cells or leaves room for
more (of a corner that holds none: that places show no cell, or that this cannot be seen), `unsaid` where none does. The
exit status is 1 if any count is wrong and unsaid.
"""

from __future__ import annotations

import argparse
import json
import math
import sys
from collections import Counter
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
from shapely.geometry import Polygon, box

from dieplat.errors import UndecidedError
from dieplat.measurement.arrays import measure_array
from dieplat.phantom.camera import Exposure, Frame, expose
from dieplat.phantom.cells import add_periphery
from dieplat.phantom.layers import Block, Die, Sheet
from dieplat.phantom.make import plan_phantom
from dieplat.phantom.render import FINE, DieRaster, look
from dieplat.phantom.scenario import scenario_for
from dieplat.phantom.truth import Truth
from dieplat.values.stated import VERTEX_U_PX
from seed_range import seed_range

CASES = ("clean", "edge", "middle", "speck", "corner", "outline")
CHANGES: dict[str, Any] = {"rows": 3, "columns": 3, "tile_width_px": 480, "tile_height_px": 360, "fine": FINE}
ROOM_PX, BORDER_PX = 16, 6
"""Seen around an outline, and what `expose` cuts off on every side."""
HIDDEN = ("show no cell", "room for more cells", "something covers cells there")
NOT_FULL = ("show no cell", "too faint or too unlike")
SAYS = {"corner": NOT_FULL, "outline": NOT_FULL}
"""Words of the remarks that tell of what a case does, of all others `HIDDEN`."""

Picture = npt.NDArray[np.uint8]
Float = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Trial:
    """One picture: what was true of it and what came of it."""

    seed: int
    name: str
    case: str
    state: str
    true: str
    found: str = ""


@dataclass(frozen=True, slots=True)
class Scene:
    """One array: its block, what a case changes of the die, its outline in micrometres and the cells that are left."""

    truth: Truth
    block: Block
    die: Die
    outline: Polygon
    cells: int

    @property
    def pitch_um(self) -> tuple[float, float]:
        array: Any = self.block.array
        return float(array["pitch_x_um"]), float(array["pitch_y_um"])


def scenes(seed: int) -> Iterator[Scene]:
    """The memory arrays of one die as they are."""
    truth = plan_phantom(scenario_for("ordinary", **CHANGES), seed=seed)
    for block in truth.die.blocks:
        if block.array is not None and isinstance(block.outline_um, Polygon):
            yield Scene(truth, block, truth.die, block.outline_um, int(block.array["cells"]))


def without_corner(scene: Scene, rng: np.random.Generator, *, drawn: bool) -> Scene:
    """The array with drivers over one corner of one bank, and the outline drawn around the rest if asked."""
    pitch_x, pitch_y = scene.pitch_um
    array: Any = scene.block.array
    banks = array["bank_list"]
    right, low = (bool(rng.random() < 0.5) for _ in "xy")
    # The bank at a corner of the array, so that an outline can be drawn around what is left.
    bank = max(banks, key=lambda b: (b["x0_um"] if right else -b["x0_um"]) + (b["y0_um"] if low else -b["y0_um"]))
    wide, high = (int(rng.integers(2, max(3, math.ceil(0.5 * bank[what])))) for what in ("columns", "rows"))
    x0 = bank["x1_um"] - wide * pitch_x if right else bank["x0_um"]
    y0 = bank["y1_um"] - high * pitch_y if low else bank["y0_um"]
    x1, y1 = x0 + wide * pitch_x, y0 + high * pitch_y
    sheet = Sheet()
    add_periphery(sheet, (x0, y0, x1, y1), rng, upright=bool(rng.random() < 0.5), pitch_um=pitch_x)
    # A little beyond the array, or rounding would leave a sliver of it.
    gone = box(x0 - (not right), y0 - (not low), x1 + right, y1 + low)
    outline = scene.outline.difference(gone) if drawn else scene.outline
    assert isinstance(outline, Polygon)
    assert not outline.interiors
    die = replace(scene.die, layers=(*scene.die.layers, *sheet.layers))
    return replace(scene, die=die, outline=outline, cells=scene.cells - wide * high)


def photograph(scene: Scene, rng: np.random.Generator) -> tuple[Picture, Polygon, Frame]:
    """A picture of a scene, its outline there, a few tenths of a pixel off, and the frame of its pixels."""
    truth = scene.truth
    corners = truth.frame.to_mosaic(np.asarray(scene.block.outline_um.exterior.coords))  # type: ignore[union-attr]
    low = np.floor(corners.min(axis=0)) - ROOM_PX
    width, height = (int(v) for v in np.ceil(corners.max(axis=0)) + ROOM_PX - low)
    centre = np.asarray(truth.frame.centre_px) - low
    frame = replace(truth.frame, centre_px=(float(centre[0]), float(centre[1])))
    raster = DieRaster(scene.die, frame.um_per_px_x / FINE, FINE)
    x, y = np.meshgrid(np.arange(-BORDER_PX, width + BORDER_PX) + 0.5, np.arange(-BORDER_PX, height + BORDER_PX) + 0.5)
    light = look(raster, *frame.to_die(x, y))
    camera = replace(truth.camera, vignetting=0.0)
    exposure = Exposure((1.0, 1.0, 1.0), float(rng.uniform(0.2, 0.7)))
    picture = expose(np.ascontiguousarray(light, dtype=np.float32), exposure, camera, rng)
    points = frame.to_mosaic(np.asarray(scene.outline.exterior.coords)[:-1])
    return picture, Polygon(points + rng.normal(0.0, VERTEX_U_PX, points.shape)), frame


def with_hair(picture: Picture, scene: Scene, frame: Frame, rng: np.random.Generator, *, middle: bool) -> Picture:
    """A dark hair along one side or across the middle."""
    x0, y0, x1, y1 = scene.block.outline_um.bounds  # type: ignore[union-attr]
    axis = int(rng.integers(2))
    pitch = scene.pitch_um[1 - axis]
    length, depth = (x1 - x0, y1 - y0) if axis == 0 else (y1 - y0, x1 - x0)
    if middle:
        begin, end, place = -0.05, 1.05, float(rng.uniform(0.25, 0.75)) * depth
    else:
        along = float(rng.uniform(0.15, 1.1))
        begin = float(rng.uniform(-0.05, max(1.05 - along, -0.04)))
        end, place = begin + along, float(rng.uniform(0.0, 3.0)) * pitch
        place = depth - place if rng.random() < 0.5 else place
    slope = float(rng.normal(0.0, 0.01 if middle else 0.04))
    ends = [(t * length, place + slope * (t - (begin + end) / 2) * length) for t in (begin, end)]
    points = np.array([(x0 + u, y0 + v) if axis == 0 else (x0 + v, y0 + u) for u, v in ends])
    cover = np.zeros(picture.shape[:2], np.float32)
    start, stop = (tuple(int(v) for v in np.round(16 * (point - 0.5))) for point in frame.to_mosaic(points))
    width_px = float(rng.uniform(0.2, 1.3)) * pitch / frame.um_per_px_x
    cv2.line(cover, start, stop, 1.0, max(round(width_px), 1), shift=4)
    return _darkened(picture, cover, rng)


def with_speck(picture: Picture, scene: Scene, frame: Frame, rng: np.random.Generator) -> Picture:
    """A dark grain over cells."""
    x0, y0, x1, y1 = scene.block.outline_um.bounds  # type: ignore[union-attr]
    middle = frame.to_mosaic(np.array([[rng.uniform(x0, x1), rng.uniform(y0, y1)]]))[0]
    axes = rng.uniform(0.5, 2.0, 2) * np.array(scene.pitch_um) / frame.um_per_px_x
    cover = np.zeros(picture.shape[:2], np.float32)
    place, size = (tuple(int(v) for v in np.round(16 * pair)) for pair in (middle - 0.5, axes))
    cv2.ellipse(cover, place, size, float(rng.uniform(0, 180)), 0.0, 360.0, 1.0, -1, shift=4)
    return _darkened(picture, cover, rng)


def _darkened(picture: Picture, cover: npt.NDArray[np.float32], rng: np.random.Generator) -> Picture:
    cover = cv2.GaussianBlur(cover, (0, 0), 0.8)[..., None]
    level = float(rng.uniform(0.05, 0.5)) * float(np.percentile(picture, 30))
    return np.clip(np.round(picture * (1 - cover) + level * cover), 0, 255).astype(np.uint8)


def posed(scene: Scene, case: str, rng: np.random.Generator) -> tuple[Picture, Polygon, int]:
    """A case's picture, its outline, and how many cells it holds."""
    if case in ("corner", "outline"):
        scene = without_corner(scene, rng, drawn=case == "outline")
    picture, outline, frame = photograph(scene, rng)
    if case in ("edge", "middle"):
        picture = with_hair(picture, scene, frame, rng, middle=case == "middle")
    if case == "speck":
        picture = with_speck(picture, scene, frame, rng)
    return picture, outline, scene.cells


def try_die(seed: int, cases: Sequence[str], each: int) -> list[Trial]:
    """Every array of a die in every case, `each` times; a clean one once."""
    found = []
    for number, scene in enumerate(scenes(seed)):
        for case in cases:
            for turn in range(1 if case == "clean" else each):
                rng = np.random.default_rng([seed, number, CASES.index(case), turn, 13])
                picture, outline, cells = posed(scene, case, rng)
                found.append(judged(seed, f"{scene.block.name}/{case}/{turn}", case, picture, outline, cells))
    return found


def judged(seed: int, name: str, case: str, picture: Picture, outline: Polygon, cells: int) -> Trial:
    """Read one picture."""
    try:
        array = measure_array(picture, outline)
    except UndecidedError as error:
        return Trial(seed, name, case, "refused", str(cells), str(error))
    except Exception as error:  # a fault of the program counts beside the others instead of ending the run
        return Trial(seed, name, case, "failed", str(cells), repr(error))
    said = any(words in remark for remark in array.remarks for words in SAYS.get(case, HIDDEN))
    right, wrong = ("remarked", "said") if said else ("exact", "unsaid")
    state = right if array.cells == cells else wrong
    return Trial(seed, name, case, state, str(cells), f"{array.cells}: {' | '.join(array.remarks)}")


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", default="55000-55009", help="first-last, one die each")
    parser.add_argument("--cases", nargs="+", choices=CASES, default=CASES)
    parser.add_argument("--each", type=int, default=3, help="pictures of each array in each case but the clean one")
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--json", type=Path, help="write every trial to this file")
    given = parser.parse_args(arguments)
    seeds = seed_range(given.seeds)
    trials: list[Trial] = []
    cv2.setNumThreads(1)
    with ProcessPoolExecutor(given.workers, initializer=cv2.setNumThreads, initargs=(1,)) as pool:
        for one in pool.map(try_die, seeds, [given.cases] * len(seeds), [given.each] * len(seeds)):
            trials += one
            for trial in one:
                if trial.state not in ("exact", "remarked"):
                    line = f"{trial.state.upper()} {trial.seed} {trial.name}: true {trial.true}; {trial.found}"
                    print(line, file=sys.stderr, flush=True)
    if given.json is not None:
        given.json.write_text(json.dumps([asdict(trial) for trial in trials], indent=1), encoding="utf-8")
    for case in given.cases:
        print(f"{case:8}", _tally([trial for trial in trials if trial.case == case]))
    return 1 if any(trial.state in ("unsaid", "failed") for trial in trials) else 0


def _tally(trials: Sequence[Trial]) -> str:
    states: Any = Counter(trial.state for trial in trials)
    return (
        f"{len(trials)} pictures: {states['exact']} exact, {states['remarked']} exact with a remark on what is not "
        f"seen, {states['refused']} refused, {states['said']} wrong but said, {states['unsaid']} wrong unsaid, "
        f"{states['failed']} failed"
    )


if __name__ == "__main__":
    raise SystemExit(main())
