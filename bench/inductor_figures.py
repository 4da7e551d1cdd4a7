"""How well inductors are read from pictures: many random windings, each in a small picture of its own.

    python bench/inductor_figures.py                                # 200 windings from seed 5000
    python bench/inductor_figures.py --seeds 1-200 --workers 2      # seeds for tuning; report others
    python bench/inductor_figures.py --no-inductance                # counts and lengths only, quick
    python bench/inductor_figures.py --dust 1 --jpeg 92             # with grains, scratches and fibres on them

The windings are drawn by the phantom's own renderer and camera (coil_pictures.py): squares, hexagons, octagons and
circles of 1.5 to 6 turns in steps of a side (circles: a quarter), and windings with crossings and a centre tap; turned
by any angle, mirrored or not, on pixels that need not be square, blurred, under uneven light, in any colours, the
underpass seen or not, some in a ring of metal; the metal of a spiral reaches a quarter to three quarters of its width
beyond its inner end; the outline loose or tight, upright or turned.
The interval behind a coverage says what so few windings can tell.
A count, a shape or a kind (spiral or crossing itself) that differs from the truth is wrong. The inductance is
compared with the same solver on the true centre line; its stated uncertainty here is that of the geometry alone, as
thickness and use of the current are known. The exit status is 1 if anything was wrong.
"""

from __future__ import annotations

import argparse
import json
import math
import sys
from collections import Counter
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass, field
from functools import partial
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import shapely

from coil_pictures import UM, draw
from dieplat.errors import UndecidedError
from dieplat.inductance import estimate_inductance
from dieplat.inductance.partial import Array
from dieplat.inductance.segment_sum import lane_network
from dieplat.measurement.inductors import measure_inductor
from dieplat.values import InductorGeometry
from proportion import proportion_interval
from seed_range import seed_range

COVERAGE = 1.96
WRONG_TURNS = 0.03
"""A stated count this far from the true one is wrong, whatever its uncertainty; steps are 0.125 or more."""
THICKNESS_UM = 2.0
GEOMETRY_LINES = ("outer", "width", "ends")
LENGTHS = ("width", "spacing", "outer", "inner")


@dataclass(frozen=True, slots=True)
class Trial:
    """One winding: what was drawn, what came of it; errors in pixels (inductance: relative) and in stated u."""

    seed: int
    state: str
    drawn: str
    remark: str = ""
    errors: dict[str, float] = field(default_factory=dict)
    in_u: dict[str, float] = field(default_factory=dict)


def inductance_nh(path_um: Array, width_um: float) -> float:
    """By the segment sum, a curve in pieces that leave it by a sixtieth of the width."""
    line = np.asarray(shapely.LineString(path_um).simplify(width_um / 60, preserve_topology=False).coords)
    return lane_network(line, width_um, THICKNESS_UM, across=2).shared()


def of_found(found: InductorGeometry) -> tuple[float, float]:
    """Inductance along what was found, and its standard uncertainty by the geometry's lines of the stated budget."""
    value = inductance_nh(np.asarray(found.path_um), found.width_um)
    stated = estimate_inductance(found, thickness_um=THICKNESS_UM)
    parts = [u for name, u in stated.budget if name in GEOMETRY_LINES]
    return value, value / stated.inductance_nh * float(np.linalg.norm(parts))


def try_one(seed: int, inductance: bool, dust: float = 0.0, jpeg: int | None = None) -> Trial:
    """Draw one winding and measure it."""
    drawn = draw(seed, dust=dust, jpeg=jpeg)
    coil = drawn.coil
    um_x, um_y = drawn.um_per_px
    try:
        found = measure_inductor(
            drawn.picture, drawn.outline, um_per_px_x=um_x, um_per_px_y=um_y, origin_px=drawn.origin_px
        )
    except UndecidedError as error:
        return Trial(seed, "refused", drawn.words, str(error).split("; draw the")[0])
    errors, in_u = {}, {}
    for name in LENGTHS:
        off = getattr(found, f"{name}_um") / UM - getattr(coil, f"{name}_um")
        errors[name], in_u[name] = off, off * UM / (getattr(found, f"{name}_um_u") or math.nan)
    if inductance:
        true = inductance_nh(drawn.path_um, coil.width_um * UM)
        value, value_u = of_found(found)
        errors["inductance"], in_u["inductance"] = value / true - 1.0, (value - true) / value_u
    faults = [
        f"{what} {seen} not {truth}"
        for what, seen, truth in (
            ("shape", found.shape, coil.shape),
            ("turns", found.turns, coil.turns),
            ("symmetric", found.symmetric, coil.symmetric),
        )
        if (abs(seen - truth) > WRONG_TURNS if what == "turns" else seen is not None and seen != truth)  # type: ignore[operator]
    ]
    if faults:
        return Trial(seed, "wrong", drawn.words, ", ".join(faults), errors, in_u)
    return Trial(seed, "right", drawn.words, " | ".join(found.remarks), errors, in_u)


def summary(trials: Sequence[Trial]) -> dict[str, Any]:
    """The figures over all trials; errors and coverage over those that were right."""
    right = [trial for trial in trials if trial.state == "right"]
    states = Counter(trial.state for trial in trials)
    found: dict[str, Any] = {"windings": len(trials), **{s: states[s] for s in ("right", "refused", "wrong")}}
    for name in right[0].errors if right else ():
        errors = np.abs([trial.errors[name] for trial in right])
        scores = np.abs([trial.in_u[name] for trial in right])
        found[name] = {
            "rms": float(np.sqrt(np.mean(errors**2))),
            "p95": float(np.percentile(errors, 95)),
            "max": float(errors.max()),
            "rms_in_u": float(np.sqrt(np.mean(scores**2))),
            "covered_95": float(np.mean(scores <= COVERAGE)),
            "covered_95_interval": proportion_interval(int(np.sum(scores <= COVERAGE)), len(scores)),
            "mean": float(np.mean([trial.errors[name] for trial in right])),
        }
    return found


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", default="5000-5199", help="first-last")
    parser.add_argument("--no-inductance", action="store_true", help="leave the segment sums out")
    parser.add_argument("--dust", type=float, default=0.0, help="dirt on the winding; 1: as on the phantom's dies")
    parser.add_argument("--jpeg", type=int, help="save the pictures with this JPEG quality first")
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--json", type=Path, help="write every trial to this file")
    given = parser.parse_args(arguments)
    seeds = seed_range(given.seeds)
    with ProcessPoolExecutor(given.workers, initializer=cv2.setNumThreads, initargs=(1,)) as pool:
        trials = []
        one = partial(try_one, inductance=not given.no_inductance, dust=given.dust, jpeg=given.jpeg)
        for trial in pool.map(one, seeds):
            trials.append(trial)
            if trial.state != "right":
                print(f"{trial.state.upper()} {trial.seed}: {trial.drawn}; {trial.remark}", file=sys.stderr, flush=True)
    found = summary(trials)
    if given.json is not None:
        text = json.dumps({"summary": found, "trials": [asdict(trial) for trial in trials]}, indent=1)
        given.json.write_text(text, encoding="utf-8")
    print(f"{found['windings']} windings: {found['right']} right, {found['refused']} refused, {found['wrong']} wrong")
    for name, figures in found.items():
        if isinstance(figures, dict):
            unit = "" if name == "inductance" else " px"
            low, high = figures["covered_95_interval"]
            print(
                f"{name}: mean {figures['mean']:+.4f}, rms {figures['rms']:.4f}{unit}, "
                f"95 % below {figures['p95']:.4f}, "
                f"largest {figures['max']:.4f}; rms {figures['rms_in_u']:.2f} u, "
                f"{100 * figures['covered_95']:.1f} % within {COVERAGE} u ({100 * low:.0f} to {100 * high:.0f} %)"
            )
    return 1 if found["wrong"] else 0


if __name__ == "__main__":
    raise SystemExit(main())
