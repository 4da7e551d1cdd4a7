"""How near the measurements come to the truth: phantoms made, surveyed as by `dieplat survey`, and compared.

    python bench/phantom_figures.py                                  # ordinary, seeds 1 to 3
    python bench/phantom_figures.py --preset ordinary lens --seeds 1-20 --workers 2 --csv figures.csv
    python bench/phantom_figures.py --survey folder:results          # a phantom and a survey that are there
    python bench/phantom_figures.py --read figures.csv               # the tables of an earlier run

For every preset: a row a seed, totals over all seeds, and a line for each thing that is wrong, refused or
flagged. "in u" is the error over its stated standard uncertainty (k = 1): a sound statement has an rms near 1
and some 95 % within 1.96. A refusal is no error; a wrong number that nothing flags is.

Tile positions are compared after taking off the median difference, since the origin of the frame is free; the
difference itself is printed, since the drawn polygons stand in the true frame. Inductance is set against two
references, both computed from the true geometry: the current-sheet closed form (Mohan et al. 1999, see
dieplat.inductance.closed_forms) and the sum of partial inductances along the true centre line.
Nothing here is timed. One survey takes about half a minute; set OMP_NUM_THREADS=1 with several workers.
The exit status is 1 if anything was wrong, missing or failed.
"""

from __future__ import annotations

import argparse
import contextlib
import csv
import json
import math
import sys
import tempfile
from collections.abc import Iterator, Sequence
from concurrent.futures import Executor, Future, ProcessPoolExecutor, as_completed
from dataclasses import asdict, dataclass, fields, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from dieplat.annotations import load_regions
from dieplat.calibration import load_scale
from dieplat.errors import DieplatError
from dieplat.evening import run_survey
from dieplat.inductance import lane_network
from dieplat.inductance.closed_forms import current_sheet_nh
from dieplat.mosaicfile.read import open_mosaic
from dieplat.phantom import make_phantom
from dieplat.settings import load_settings
from dieplat.survey import measure_survey

WRONG_PX = 0.5
"""A tile further out than this is wrong: the seam would show and areas would move. So is an inductor's length
that is further out and not covered by its uncertainty."""

TURNS_WITHIN = 0.02
"""Turns come in quarters; nearer than this is the same number."""

FAR_U = 3.0
"""An error of more standard uncertainties than this is listed by itself."""

COVERAGE = 1.96
"""Standard uncertainties that hold 95 % of a normal distribution."""


@dataclass(frozen=True, slots=True)
class Figure:
    """One compared quantity.

    `state` is ok, wrong, flagged, refused, missing, failed, or note for a tile that is flagged but right.
    """

    preset: str
    seed: int
    group: str
    name: str
    quantity: str
    true: float | str | None = None
    measured: float | str | None = None
    error: float | None = None
    u: float | None = None
    in_u: float | None = None
    state: str = "ok"
    remark: str = ""


class Comparison:
    """Collects the figures of one phantom."""

    def __init__(self, preset: str, seed: int) -> None:
        self.preset = preset
        self.seed = seed
        self.figures: list[Figure] = []

    def add(self, group: str, name: str, quantity: str, **values: Any) -> None:
        self.figures.append(Figure(self.preset, self.seed, group, name, quantity, **values))

    def relative(
        self, group: str, name: str, quantity: str, true: float, measured: float, u: float | None, **more: Any
    ) -> None:
        """An error in percent of the truth, and in standard uncertainties where there is one."""
        in_u = None if not u else (measured - true) / u
        error = 100.0 * (measured / true - 1.0)
        self.add(group, name, quantity, true=true, measured=measured, error=error, u=u, in_u=in_u, **more)

    def exact(self, group: str, name: str, quantity: str, true: Any, measured: Any, *, within: float = 0.0) -> None:
        """A count or a word: right or wrong."""
        same = measured == true if isinstance(true, str) else abs(measured - true) <= within
        self.add(group, name, quantity, true=true, measured=measured, state="ok" if same else "wrong")


def compare(truth: dict[str, Any], layout: dict[str, Any], measured: dict[str, Any]) -> list[Figure]:
    """Every figure of one survey against the truth of its phantom."""
    to = Comparison(truth["preset"], truth["seed"])
    _compare_tiles(to, truth, layout)
    _compare_scale(to, truth, measured["scale"])
    _compare_die(to, truth, measured["die"])
    blocks = {block["name"]: block for block in measured["blocks"]}
    for true in truth["blocks"]:
        if true["kind"] in ("die", "conductor"):  # a conductor's path is part of its inductor's own entry
            continue
        block = blocks.get(true["name"])
        if block is None:
            to.add("area", true["name"], "block", state="missing")
            continue
        reasons = " | ".join(text for text in measured["warnings"] if f"'{true['name']}'" in text)
        if true["area_um2"] is not None:
            to.relative("area", true["name"], "area", true["area_um2"], block["area_um2"], block["area_um2_u"])
        if "trace" in true and block["trace"] is not None:
            length = block["trace"]
            to.relative(
                "trace",
                true["name"],
                "length",
                true["trace"]["length_um"],
                length["length_um"],
                length["length_um_u"],
            )
        if "inductor" in true and true["kind"] == "rf_inductor":
            _compare_inductor(to, true, block["inductor"], truth["um_per_px"], reasons)
        if "array" in true:
            _compare_array(to, true, block["array"], reasons)
    return to.figures


def _compare_tiles(to: Comparison, truth: dict[str, Any], layout: dict[str, Any]) -> None:
    placed = {tile["name"]: tile for tile in layout["tiles"]}
    both = [tile for tile in truth["tiles"] if tile["name"] in placed]
    for tile in truth["tiles"]:
        if tile["name"] not in placed:
            to.add("tile", tile["name"], "position", state="missing", remark="not in the layout")
    true = np.array([[tile["x_px"], tile["y_px"]] for tile in both])
    found = np.array([[placed[t["name"]]["x_px"], placed[t["name"]]["y_px"]] for t in both])
    shift = np.median(found - true, axis=0)
    size = float(np.hypot(*shift))
    to.add("frame", "shift", "common shift", error=size, remark=f"({shift[0]:+.3f}, {shift[1]:+.3f}) px")
    for tile, want, got in zip(both, true + shift, found, strict=True):
        entry = placed[tile["name"]]
        off = got - want
        distance = float(np.hypot(*off))
        flagged = entry["ambiguous"] or entry["placed_by"] != "overlap"
        state = ("flagged" if flagged else "wrong") if distance > WRONG_PX else ("note" if flagged else "ok")
        others = [math.dist(want, place) for place in entry["alternatives"]]
        remark = f"placed by {entry['placed_by']}, {'' if entry['ambiguous'] else 'not '}ambiguous"
        if others:
            remark += f", nearest alternative {min(others):.2f} px from the truth"
        for axis, index in (("x", 0), ("y", 1)):
            u = entry[f"{axis}_px_u"]
            to.add(
                "tile axis",
                tile["name"],
                axis,
                true=float(want[index]),
                measured=float(got[index]),
                error=float(off[index]),
                u=u,
                in_u=float(off[index]) / u if u else None,
                state=state,
            )
        to.add("tile", tile["name"], "position", error=distance, state=state, remark=remark)


def _compare_scale(to: Comparison, truth: dict[str, Any], scale: dict[str, Any]) -> None:
    for axis in ("x", "y"):
        key = f"um_per_px_{axis}"
        to.relative("scale", axis, "um per px", truth[key], scale[key], scale[f"{key}_u"])


def _compare_die(to: Comparison, truth: dict[str, Any], die: dict[str, Any] | None) -> None:
    if die is None:
        to.add("die", "Die", "size", state="missing")
        return
    for key in ("width_um", "height_um", "area_um2"):
        to.relative("die", "Die", key, truth["die"][key], die[key], die[f"{key}_u"])


def _compare_inductor(
    to: Comparison, true: dict[str, Any], found: dict[str, Any] | None, um_per_px: float, reasons: str
) -> None:
    want, name = true["inductor"], true["name"]
    if found is None:
        to.add("inductor", name, "geometry", state="refused", remark=reasons)
        return
    to.add("inductor", name, "method", measured=found["method"], remark=reasons)
    to.exact("inductor", name, "turns", want["turns"], found["turns"], within=TURNS_WITHIN)
    to.exact("inductor", name, "shape", want["shape"], found["shape"])
    for key in ("outer_um", "inner_um", "width_um", "spacing_um"):
        off, u = found[key] - want[key], found[f"{key}_u"]
        wrong = abs(off) > WRONG_PX * um_per_px and (not u or abs(off) > FAR_U * u)
        to.add(
            "inductor",
            name,
            key.replace("_um", "_px"),
            true=want[key] / um_per_px,
            measured=found[key] / um_per_px,
            error=off / um_per_px,
            u=None if u is None else u / um_per_px,
            in_u=off / u if u else None,
            state="wrong" if wrong else "ok",
        )
    sheet = current_sheet_nh(want["shape"], want["turns"], want["outer_um"], want["inner_um"])
    line = np.asarray(want["path_um"], dtype=np.float64)
    summed = lane_network(line, want["width_um"], found["thickness_um"], across=5).shared()
    value, u = found["inductance_nh"], found["inductance_nh_u"]
    own_sheet = found["estimates"]["current_sheet"]
    to.relative("inductor", name, "L, best against sheet", sheet, value, None)
    to.relative("inductor", name, "L, sheet against sheet", sheet, own_sheet, None)
    to.relative("inductor", name, "L, best against sum", summed, value, u)


def _compare_array(to: Comparison, true: dict[str, Any], found: dict[str, Any] | None, reasons: str) -> None:
    want, name = true["array"], true["name"]
    if found is None:
        to.add("array", name, "lattice", state="refused", remark=reasons)
        return
    for key in ("pitch_x_um", "pitch_y_um"):
        off = abs(found[key] / want[key] - 1.0) > 0.02
        to.relative("array", name, key, want[key], found[key], found[f"{key}_u"], state="wrong" if off else "ok")
    for key in ("columns", "rows", "cells", "banks"):
        if found[key] is None:
            to.add("array", name, key, true=want[key], state="flagged", remark=reasons)
        else:
            to.exact("array", name, key, want[key], found[key])


def survey_one(preset: str, seed: int, keep: Path | None) -> list[Figure]:
    """Make a phantom, survey it, compare; a survey that stops is a figure too."""
    with contextlib.ExitStack() as stack:
        base = keep or Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="figures_")))
        folder, results = base / f"{preset}_{seed}", base / f"{preset}_{seed}_out"
        try:
            make_phantom(folder, seed=seed, preset=preset)
            run_survey(load_settings(folder), results)
        except DieplatError as error:
            return [Figure(preset, seed, "survey", "", "run", state="failed", remark=str(error))]
        return compare_folders(folder, results)


def compare_folders(folder: Path, results: Path) -> list[Figure]:
    """Compare a finished survey with the phantom it was made from."""
    texts = (folder / "truth.json", results / "layout.json", results / "measurements.json")
    truth, layout, measured = (json.loads(path.read_text(encoding="utf-8")) for path in texts)
    return [*compare(truth, layout, measured), *_compare_without_paths(truth, results)]


def _compare_without_paths(truth: dict[str, Any], results: Path) -> list[Figure]:
    """Inductors that came with a drawn path, measured once more from the picture alone."""
    to = Comparison(truth["preset"], truth["seed"])
    scale = load_scale(results / "scale.json")
    regions = load_regions(results / "blocks.geojson", um_per_px=(scale.um_per_px_x, scale.um_per_px_y))
    drawn = {entry["name"].removesuffix(" winding") for entry in truth["blocks"] if entry["kind"] == "conductor"}
    kept = tuple(region for region in regions.regions if region.name in drawn)
    if not kept:
        return []
    with open_mosaic(results / "mosaic.ome.tif") as mosaic:
        measured = measure_survey(mosaic, replace(regions, regions=kept), scale).to_dict()
    found = {block["name"]: block["inductor"] for block in measured["blocks"]}
    reasons = {name: " | ".join(t for t in measured["warnings"] if f"'{name}'" in t) for name in drawn}
    for entry in truth["blocks"]:
        if entry["name"] in found:
            _compare_inductor(to, entry, found[entry["name"]], truth["um_per_px"], reasons[entry["name"]])
    return [replace(figure, group="inductor alone") for figure in to.figures]


def read_csv(path: Path) -> list[Figure]:
    """The figures of an earlier run."""
    numbers = ("error", "u", "in_u")
    with path.open(newline="", encoding="utf-8") as handle:
        return [
            Figure(
                **{
                    key: (float(text) if key in numbers else int(text) if key == "seed" else text)
                    if text or key in ("name", "remark")
                    else None
                    for key, text in row.items()
                }  # type: ignore[arg-type]
            )
            for row in csv.DictReader(handle)
        ]


class Table:
    """The figures of some phantoms, picked by group, quantity and state."""

    def __init__(self, figures: Sequence[Figure]) -> None:
        self.figures = figures

    def pick(self, group: str, *quantities: str) -> list[Figure]:
        return [f for f in self.figures if f.group == group and (not quantities or f.quantity in quantities)]

    def errors(self, group: str, *quantities: str) -> list[float]:
        return [f.error for f in self.pick(group, *quantities) if f.error is not None]

    def count(self, group: str, *quantities: str, state: str) -> int:
        return sum(f.state == state for f in self.pick(group, *quantities))

    def right_of(self, group: str, *quantities: str) -> str:
        """Right answers of all, refusals apart, as in 3/4 r1."""
        names = {(f.seed, f.name) for f in self.pick(group)}
        refused = {(f.seed, f.name) for f in self.pick(group) if f.state == "refused"}
        wrong = {(f.seed, f.name) for f in self.pick(group, *quantities) if f.state in ("wrong", "flagged")}
        right = len(names - refused - wrong)
        return f"{right}/{len(names)}" + (f" r{len(refused)}" if refused else "") if names else "-"

    def in_u(self, group: str, *quantities: str) -> list[float]:
        return [f.in_u for f in self.pick(group, *quantities) if f.in_u is not None]

    def sound_axes(self) -> list[Figure]:
        """Tile positions that were offered as sure: the flagged ones say themselves that they are not."""
        return [f for f in self.pick("tile axis") if f.state in ("ok", "wrong")]

    def row(self) -> list[str]:
        off = self.errors("tile")
        axes = [f.in_u for f in self.sound_axes() if f.in_u is not None]
        return [
            str(len(self.pick("tile"))),
            _number(_rms(off)),
            _number(max(off, default=None)),
            _share(axes),
            str(self.count("tile", "position", state="wrong")),
            "+".join(str(self.count("tile", "position", state=state)) for state in ("flagged", "note")),
            _number(_largest(self.errors("frame"))),
            _number(_largest(self.errors("scale"))),
            _number(_largest(self.in_u("scale"))),
            _number(_largest(self.errors("area"))),
            _number(_rms(self.in_u("area"))),
            _share(self.in_u("area")),
            _number(_largest(self.errors("die", "width_um", "height_um"))),
            _number(_largest(self.in_u("die", "width_um", "height_um"))),
            self.right_of("inductor", "turns"),
            self.right_of("inductor", "shape"),
            _number(_largest(self.errors("inductor", "width_px"))),
            _number(_largest(self.errors("inductor", "spacing_px"))),
            _number(_largest(self.errors("inductor", "L, best against sheet"))),
            _number(_largest(self.errors("inductor", "L, best against sum"))),
            _number(_largest(self.in_u("inductor", "L, best against sum"))),
            self.right_of("inductor alone", "turns", "shape"),
            self.right_of("array", "pitch_x_um", "pitch_y_um", "columns", "rows", "cells", "banks"),
            _number(_largest(self.errors("array", "pitch_x_um", "pitch_y_um"))),
        ]


HEADINGS = (
    "seed", "tiles", "rms px", "max px", "<1.96u", "wrong", "flag", "frame", "scl %", "scl u", "area %",
    "area u", "<1.96u", "die %", "die u", "turns", "shape", "w px", "s px", "L/sh %", "L/sum %", "L u",
    "alone", "arrays", "pitch %",
)  # fmt: skip

LEGEND = (
    "largest absolute errors unless rms; wrong: tiles off by more than 0.5 px and not flagged; flag: flagged "
    "and off + flagged though right; frame: common shift, px; turns, shape, arrays: right/all, rN refused; "
    "alone: inductors with a drawn path measured without it; "
    "L/sh, L/sum: best estimate against current sheet and segment sum on the true geometry"
)


def print_preset(preset: str, figures: Sequence[Figure]) -> None:
    """One table with its totals, and the things to look at."""
    seeds = sorted({f.seed for f in figures})
    rows = [[str(seed), *Table([f for f in figures if f.seed == seed]).row()] for seed in seeds]
    whole = Table(figures)
    rows.append(["all", *whole.row()])
    print(f"\n{preset}: {len(seeds)} phantoms")
    _print_rows([list(HEADINGS), *rows])
    print(LEGEND)
    for title, group, quantities in (
        ("tile positions", "tile axis", ()),
        ("scale", "scale", ()),
        ("block areas", "area", ()),
        ("die sides and area", "die", ()),
        ("traces", "trace", ()),
        (
            "inductor diameters, width, spacing",
            "inductor",
            ("outer_px", "inner_px", "width_px", "spacing_px"),
        ),
        ("inductance against the segment sum", "inductor", ("L, best against sum",)),
        ("array pitch", "array", ("pitch_x_um", "pitch_y_um")),
    ):
        values = whole.in_u(group, *quantities)
        if group == "tile axis":
            values = [f.in_u for f in whole.sound_axes() if f.in_u is not None]
        if values:
            print(
                f"  {title}: {len(values)} values, rms {_number(_rms(values))} u, "
                f"largest {_number(_largest(values))} u, within 1.96 u {_share(values)}"
            )
    for quantity in ("L, best against sheet", "L, sheet against sheet", "L, best against sum"):
        values = whole.errors("inductor", quantity)
        if values:
            print(f"  {quantity}: mean {np.mean(values):+.2f} %, largest {_number(_largest(values))} %")
    for figure in figures:
        far = figure.in_u is not None and abs(figure.in_u) > FAR_U
        if figure.group != "tile axis" and (far or figure.state not in ("ok", "note")):
            print("  " + _describe(figure))


def _describe(figure: Figure) -> str:
    state = "far" if figure.state in ("ok", "note") else figure.state
    parts = [f"{state.upper()} seed {figure.seed} {figure.group} {figure.name}: {figure.quantity}"]
    if figure.measured is not None or figure.true is not None:
        parts.append(f"true {_plain(figure.true)}, measured {_plain(figure.measured)}")
    if figure.error is not None:
        parts.append(f"error {figure.error:+.3g}")
    if figure.in_u is not None:
        parts.append(f"{figure.in_u:+.2f} u")
    if figure.remark:
        parts.append(figure.remark)
    return "; ".join(parts)


def _plain(value: float | str | None) -> str:
    return f"{value:.6g}" if isinstance(value, float | int) else str(value)


def _print_rows(rows: list[list[str]]) -> None:
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    for row in rows:
        print(" ".join(cell.rjust(width) for cell, width in zip(row, widths, strict=True)))


def _number(value: float | None) -> str:
    return "-" if value is None else f"{value:.3g}" if abs(value) < 100.0 else f"{value:.0f}"


def _rms(values: Sequence[float]) -> float | None:
    return float(np.sqrt(np.mean(np.square(values)))) if values else None


def _largest(values: Sequence[float]) -> float | None:
    return max(map(abs, values), default=None)


def _share(in_u: Sequence[float]) -> str:
    return f"{100.0 * np.mean(np.abs(in_u) <= COVERAGE):.0f}%" if in_u else "-"


def write_csv(path: Path, figures: Sequence[Figure]) -> None:
    """One row a figure."""
    with path.open("w", newline="", encoding="utf-8") as handle:
        writer = csv.DictWriter(handle, [field.name for field in fields(Figure)])
        writer.writeheader()
        writer.writerows(asdict(figure) for figure in figures)


def run_all(jobs: Sequence[tuple[str, int]], *, keep: Path | None, executor: Executor | None) -> Iterator[list[Figure]]:
    """The figures of one phantom after the other, in whatever order they finish."""
    if executor is None:
        for preset, seed in jobs:
            yield survey_one(preset, seed, keep)
        return
    waiting: dict[Future[list[Figure]], tuple[str, int]] = {
        executor.submit(survey_one, preset, seed, keep): (preset, seed) for preset, seed in jobs
    }
    for future in as_completed(waiting):
        yield future.result()


def parse_seeds(texts: Sequence[str]) -> list[int]:
    """Seeds as numbers or ranges: 3 5-8 gives 3, 5, 6, 7, 8."""
    seeds: list[int] = []
    for text in texts:
        first, _, last = text.partition("-")
        seeds.extend(range(int(first), int(last or first) + 1))
    return seeds


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--preset", nargs="+", default=["ordinary"], help="presets of dieplat phantom")
    parser.add_argument("--seeds", nargs="+", default=["1-3"], help="seeds or ranges, such as 1-20")
    parser.add_argument("--workers", type=int, default=1, help="processes; a survey runs in one")
    parser.add_argument("--csv", type=Path, help="write every figure to this file")
    parser.add_argument("--keep", type=Path, help="leave phantoms and results in this folder")
    parser.add_argument("--read", type=Path, nargs="+", help="print the figures of earlier runs' CSV files")
    parser.add_argument("--survey", nargs="+", help="finished ones instead, as phantom_folder:results_folder")
    given = parser.parse_args(arguments)
    if given.keep is not None:
        given.keep.mkdir(parents=True, exist_ok=True)
    jobs = [(preset, seed) for preset in given.preset for seed in parse_seeds(given.seeds)]
    figures: list[Figure] = []
    if given.read:
        figures = [figure for path in given.read for figure in read_csv(path)]
    elif given.survey:
        for pair in given.survey:
            folder, _, results = pair.partition(":")
            figures.extend(compare_folders(Path(folder), Path(results)))
    else:
        with contextlib.ExitStack() as stack:
            pool = None
            if given.workers > 1:
                pool = stack.enter_context(
                    ProcessPoolExecutor(given.workers, initializer=cv2.setNumThreads, initargs=(1,))
                )
            for done, more in enumerate(run_all(jobs, keep=given.keep, executor=pool), 1):
                figures.extend(more)
                print(f"{done}/{len(jobs)}: {more[0].preset} {more[0].seed}", file=sys.stderr, flush=True)
                if given.csv is not None:
                    write_csv(given.csv, figures)  # after each, so that an interrupted run leaves what it has
    figures.sort(key=lambda f: (f.preset, f.seed))
    if given.csv is not None:
        write_csv(given.csv, figures)
    for preset in dict.fromkeys(f.preset for f in figures):
        print_preset(preset, [f for f in figures if f.preset == preset])
    bad = any(f.state in ("wrong", "missing", "failed") for f in figures)
    return 1 if bad else 0


if __name__ == "__main__":
    raise SystemExit(main())
