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
import json
import sys
import tempfile
from collections.abc import Iterator, Sequence
from concurrent.futures import Executor, Future, ProcessPoolExecutor, as_completed
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2

from dieplat.annotations import load_regions
from dieplat.calibration import load_scale
from dieplat.errors import DieplatError
from dieplat.evening import run_survey
from dieplat.mosaicfile.read import open_mosaic
from dieplat.phantom import make_phantom
from dieplat.settings import load_settings
from dieplat.survey import measure_survey
from phantom_comparison import Comparison, Figure, compare, compare_inductor, read_csv, write_csv
from phantom_tables import print_preset
from seed_range import seed_range


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
            compare_inductor(to, entry, found[entry["name"]], truth["um_per_px"], reasons[entry["name"]])
    return [replace(figure, group="inductor alone") for figure in to.figures]


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
    jobs = [
        (preset, seed)
        for preset in given.preset
        for seed in [seed for text in given.seeds for seed in seed_range(text)]
    ]
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
