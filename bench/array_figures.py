"""How often memory arrays are read right: many random arrays, each in a small picture of its own.

    python bench/array_figures.py                                # 100 arrays from seed 5000, pitch 4 to 16 px
    python bench/array_figures.py --seeds 1000-1199 --workers 2  # seeds for tuning; report others
    python bench/array_figures.py --pitch 2 4                    # where counts must be right or refused

The arrays are drawn by the phantom's own layers and camera, on a raster of a third of a pixel: one or several banks
with straps, mirrored cells or not, drivers beside them, blur, shot noise, uneven light, a small turn, and a polygon
drawn a few pixels off.
No stitching: bench/phantom_figures.py measures arrays on stitched mosaics.
A count, a bank or a mirror that differs from the truth is wrong; so is a pitch off by more than `WRONG_PITCH`.
The exit status is 1 if anything was wrong or failed. The interval behind the coverage says what so few arrays can tell
(C. J. Clopper, E. S. Pearson, Biometrika 26, 404-413 (1934), from memory; both axes of an array count as independent).
"""

from __future__ import annotations

import argparse
import json
import math
import sys
from collections import Counter
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import shapely

from dieplat.errors import UndecidedError
from dieplat.measurement.arrays import measure_array
from dieplat.phantom.camera import CameraPlan, Exposure, Frame, expose, shading
from dieplat.phantom.cells import MemoryPlan, add_memory, add_periphery, tinted
from dieplat.phantom.die import MEMORY_COLOURS
from dieplat.phantom.layers import Die, Sheet
from dieplat.phantom.render import FINE, DieRaster, look
from proportion import proportion_interval
from seed_range import seed_range

WRONG_PITCH = 0.02
AIM_PITCH = 2e-4
COVERAGE = 1.96
LONG_PX = 100.0
"""Banks at least so long: below, the aim asks for less than 0.02 px over the whole bank."""
MARGIN_PX = 40
BORDER_PX = 6
"""`expose` cuts this much off on every side."""


@dataclass(frozen=True, slots=True)
class Trial:
    """One array: what was drawn, what came of it, and the errors where it was measured."""

    seed: int
    state: str
    drawn: str
    remark: str = ""
    errors: tuple[float, ...] = ()
    in_u: tuple[float, ...] = ()
    banks_px: tuple[float, ...] = ()
    """Length of one bank along x and y."""


def random_plan(rng: np.random.Generator, pitch_px: tuple[float, float]) -> MemoryPlan:
    """An array of 1 to 3 by 1 to 2 banks, in pixels (one micrometre a pixel), that stays below a megapixel."""
    pitch = np.exp(rng.uniform(*np.log(pitch_px), 2))
    if pitch.max() > 1.8 * pitch.min():
        pitch[int(pitch.argmax())] = 1.8 * pitch.min()
    banks = int(rng.integers(1, 4)), int(rng.integers(1, 3))
    each = [2 * int(rng.integers(5, max(6, int(min(40, 750 / banks[k] / pitch[k]) / 2)))) for k in (0, 1)]
    strap = float(rng.uniform(1.2, 2.2) * pitch.max() + 2.0)
    mirrored = bool(rng.random() < 0.5), bool(rng.random() < 0.5)
    return MemoryPlan(
        float(pitch[0]), float(pitch[1]), each[0] * banks[0], each[1] * banks[1], *banks, strap, *mirrored
    )


def draw(seed: int, pitch_px: tuple[float, float]) -> tuple[np.ndarray, shapely.Polygon, MemoryPlan, float]:
    """The picture, the polygon, the plan in pixels, and the rotation in degrees."""
    rng = np.random.default_rng([seed, 77])
    plan = random_plan(rng, pitch_px)
    sheet = Sheet()
    width, height = plan.width_um + 2 * MARGIN_PX, plan.height_um + 2 * MARGIN_PX
    sheet.box(tinted((0.36, 0.29, 0.40), rng), (0.0, 0.0, width, height))
    base = tinted(MEMORY_COLOURS[int(rng.integers(len(MEMORY_COLOURS)))], rng)
    add_memory(sheet, "Array", (MARGIN_PX, MARGIN_PX), plan, rng, base=base)
    right, bottom = MARGIN_PX + plan.width_um, MARGIN_PX + plan.height_um
    gap = float(rng.uniform(3.0, 8.0))
    side = (right + gap, MARGIN_PX, right + gap + 18.0, bottom)
    add_periphery(sheet, side, rng, upright=True, pitch_um=plan.pitch_y_um)
    side = (MARGIN_PX, bottom + gap, right, bottom + gap + 18.0)
    add_periphery(sheet, side, rng, upright=False, pitch_um=plan.pitch_x_um)
    die = Die(width, height, tuple(sheet.layers), tuple(sheet.blocks), texture=1.0, seed=seed)
    rotation = float(rng.uniform(-0.6, 0.6))
    frame = Frame(1.0, 1.0, rotation, (width / 2, height / 2), (width / 2, height / 2))
    x, y = np.meshgrid(
        np.arange(-BORDER_PX, math.ceil(width) + BORDER_PX) + 0.5,
        np.arange(-BORDER_PX, math.ceil(height) + BORDER_PX) + 0.5,
    )
    light = look(DieRaster(die, 1.0 / FINE, FINE), *frame.to_die(x, y))
    uneven = float(rng.uniform(0.0, 0.25))
    light *= shading(light.shape[1], light.shape[0], uneven)[..., None]
    camera = CameraPlan(vignetting=0.0, noise=float(rng.uniform(1.0, 6.0)) / 255.0)
    sharp = Exposure((1.0, 1.0, 1.0), float(rng.uniform(0.2, 0.7)))
    picture = expose(np.ascontiguousarray(light, dtype=np.float32), sharp, camera, rng)
    corners = np.array([[MARGIN_PX, MARGIN_PX], [right, MARGIN_PX], [right, bottom], [MARGIN_PX, bottom]])
    outward = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * rng.uniform(0.0, 4.0, (4, 2))
    return picture, shapely.Polygon(frame.to_mosaic(corners + outward)), plan, rotation


def try_one(seed: int, pitch_px: tuple[float, float]) -> Trial:
    """Draw one array and measure it."""
    picture, polygon, plan, rotation = draw(seed, pitch_px)
    drawn = (
        f"{plan.pitch_x_um:.2f} x {plan.pitch_y_um:.2f} px, {plan.columns} x {plan.rows}, "
        f"{plan.banks_x} x {plan.banks_y} banks, strap {plan.strap_um:.1f} px, "
        f"mirrored {'x' if plan.mirrored_x else '-'}{'y' if plan.mirrored_y else '-'}, {rotation:+.2f} deg"
    )
    try:
        found = measure_array(picture, polygon)
    except UndecidedError as error:
        return Trial(seed, "refused", drawn, str(error))
    except Exception as error:  # a fault of the program counts beside the others instead of ending the run
        return Trial(seed, "failed", drawn, repr(error))
    true = (plan.pitch_x_um, plan.pitch_y_um)
    pitch, u = (found.pitch_x_px, found.pitch_y_px), (found.pitch_x_px_u, found.pitch_y_px_u)
    errors = tuple(p / t - 1.0 for p, t in zip(pitch, true, strict=True))
    counts = (found.columns, found.rows, found.cells, len(found.banks), found.mirrored_x, found.mirrored_y)
    banks = plan.banks_x * plan.banks_y
    wanted = (plan.columns, plan.rows, plan.columns * plan.rows, banks, plan.mirrored_x, plan.mirrored_y)
    if counts != wanted or max(map(abs, errors)) > WRONG_PITCH:
        return Trial(seed, "wrong", drawn, f"found {counts}, pitch {pitch[0]:.3f} x {pitch[1]:.3f} px", errors)
    in_u = tuple((p - t) / s for p, t, s in zip(pitch, true, u, strict=True))
    banks_px = (
        plan.pitch_x_um * plan.columns / plan.banks_x,
        plan.pitch_y_um * plan.rows / plan.banks_y,
    )
    return Trial(seed, "exact", drawn, " | ".join(found.remarks), errors, in_u, banks_px)


def summary(trials: Sequence[Trial]) -> dict[str, Any]:
    """The figures over all trials; pitch and coverage over those that were exact, both axes together."""
    exact = [trial for trial in trials if trial.state == "exact"]
    errors = np.abs([e for trial in exact for e in trial.errors] or [math.nan])
    scores = np.array([s for trial in exact for s in trial.in_u] or [math.nan])
    lengths = np.array([length for trial in exact for length in trial.banks_px] or [0.0])
    within = int(np.sum(np.abs(scores) <= COVERAGE))
    return {
        "arrays": len(trials),
        **{state: Counter(trial.state for trial in trials)[state] for state in ("exact", "refused", "wrong", "failed")},
        "pitch_rms": float(np.sqrt(np.mean(errors**2))),
        "pitch_p95": float(np.percentile(errors, 95)),
        "pitch_max": float(errors.max()),
        "pitch_within_aim": float(np.mean(errors <= AIM_PITCH)),
        "long_axes": int(np.sum(lengths >= LONG_PX)),
        "pitch_within_aim_long": float(np.mean(errors[lengths >= LONG_PX] <= AIM_PITCH)) if exact else math.nan,
        "rms_in_u": float(np.sqrt(np.mean(scores**2))),
        "covered_95": within / len(scores),
        "covered_95_interval": proportion_interval(within, len(scores)),
        "remarked": sum(bool(trial.remark) for trial in exact),
    }


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", default="5000-5099", help="first-last")
    parser.add_argument("--pitch", nargs=2, type=float, default=(4.0, 16.0), help="least and greatest pitch, px")
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--json", type=Path, help="write every trial to this file")
    given = parser.parse_args(arguments)
    seeds = seed_range(given.seeds)
    pitch = (given.pitch[0], given.pitch[1])
    cv2.setNumThreads(1)
    with ProcessPoolExecutor(given.workers, initializer=cv2.setNumThreads, initargs=(1,)) as pool:
        trials = []
        for trial in pool.map(try_one, seeds, [pitch] * len(seeds)):
            trials.append(trial)
            if trial.state != "exact":
                print(f"{trial.state.upper()} {trial.seed}: {trial.drawn}; {trial.remark}", file=sys.stderr, flush=True)
    found = summary(trials)
    if given.json is not None:
        text = json.dumps({"summary": found, "trials": [asdict(trial) for trial in trials]}, indent=1)
        given.json.write_text(text, encoding="utf-8")
    print(
        f"{found['arrays']} arrays: {found['exact']} exact ({found['remarked']} with a remark), "
        f"{found['refused']} refused, {found['wrong']} wrong, {found['failed']} failed"
    )
    print(
        f"pitch: rms {found['pitch_rms']:.2e}, 95 % below {found['pitch_p95']:.2e}, largest {found['pitch_max']:.2e}, "
        f"{100 * found['pitch_within_aim']:.1f} % within {AIM_PITCH:.0e} "
        f"({100 * found['pitch_within_aim_long']:.1f} % of {found['long_axes']} banks of {LONG_PX:.0f} px and more)"
    )
    low, high = found["covered_95_interval"]
    print(
        f"stated u: rms {found['rms_in_u']:.2f} u, {100 * found['covered_95']:.1f} % within {COVERAGE} u "
        f"({100 * low:.0f} to {100 * high:.0f} %)"
    )
    return 1 if found["wrong"] or found["failed"] else 0


if __name__ == "__main__":
    raise SystemExit(main())
