"""How often the stated 95 % intervals cover the truth: die size, block areas, sums, shares, unassigned area.

    python bench/coverage_figures.py                                   # 500 surveys of each kind, ordinary phantoms
    python bench/coverage_figures.py --surveys 1-100 --workers 2 --csv coverage.csv
    python bench/coverage_figures.py --found --surveys 1001-1060       # dies that nobody drew, in pictures
    python bench/coverage_figures.py --photographed --surveys 1-500    # tiles made, stitched, calibrated, measured
    python bench/coverage_figures.py --read coverage.csv               # the tables of an earlier run

With --photographed, 3 x 3 small tiles and a micrometer are drawn and go through the stages; presets take turns, and
those without a lens get one too small to be taken out. All else is a whole survey but for stitching and pictures: the
die, its blocks and every tile's place come from a phantom, the scale from the lines of a micrometer, read with an error
each and fitted as those of a picture are (with --pictures: from the phantom's own picture of it, at several times the
cost). What a survey does not know is put in as the program states it:

    micrometer      a true pitch about the nominal one, by the stated tolerance (the phantom does that)
    axes            um_per_px_y over um_per_px_x, and the angle between the axes, about square by SQUARE_U_REL
    tile positions  errors with the covariance of the network of overlaps, each overlap known to PAIR_U_PX
    distortion      a radial term left in the tiles, uniform within what registration leaves alone
    drawing         "drawn": every vertex half a pixel off (standard deviation), all edges together a quarter of a pixel
                    to either side. "exact": the polygons of the truth, and a survey told so (vertex and edge u of 0)

With --found the mosaic is a picture, of dies of 3 x 3 small tiles (each tile's part of it off as above, blurred, with
noise), blocks are exact and the die's outline is what the survey finds. Dies that are not found are named.

Blocks of one survey share its scale, so coverage is the mean over surveys, and +- its standard error over surveys.
Nothing here is timed; a survey takes about a second and a half, with --found about five, with
--photographed about twenty.
"""

from __future__ import annotations

import argparse
import csv
import math
import sys
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Executor, ProcessPoolExecutor
from dataclasses import astuple, fields
from pathlib import Path

import cv2
import numpy as np

from photographed_surveys import survey_photographed
from seed_range import seed_range
from simulated_surveys import survey_both, survey_found
from survey_truth import Figure

WIDTHS = (16, 9, 8, 9, 10, 10)


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
    parser.add_argument("--preset", help="a preset of dieplat phantom (ordinary; with --photographed: all in turn)")
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--pictures", action="store_true", help="measure the phantom's picture of the micrometer")
    parser.add_argument("--found", action="store_true", help="find the die in a picture instead of drawing it")
    parser.add_argument("--photographed", action="store_true", help="from tiles and pictures, as an evening does it")
    parser.add_argument("--csv", type=Path, help="write every figure to this file")
    parser.add_argument("--read", type=Path, help="print the tables of an earlier run's CSV file")
    given = parser.parse_args(arguments)
    if given.read is not None:
        print_tables(read_csv(given.read))
        return 0
    seeds = [seed for text in given.surveys for seed in seed_range(text)]
    survey = survey_photographed if given.photographed else survey_found if given.found else survey_both
    preset = given.preset or ("all" if given.photographed else "ordinary")
    figures: list[Figure] = []
    with ProcessPoolExecutor(given.workers, initializer=cv2.setNumThreads, initargs=(1,)) as pool:
        surveys = run_all(survey, seeds, preset, given.pictures, pool if given.workers > 1 else None)
        for done, more in enumerate(surveys if given.csv is None else kept(given.csv, surveys), 1):
            figures += more
            print(f"{done}/{len(seeds)}", file=sys.stderr, flush=True)
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


def kept(path: Path, surveys: Iterable[list[Figure]]) -> Iterator[list[Figure]]:
    """The figures of each survey, one row a figure written as they come: a run that is stopped leaves what it has."""
    with path.open("w", newline="", encoding="utf-8") as handle:
        writer = csv.writer(handle)
        writer.writerow([field.name for field in fields(Figure)])
        for figures in surveys:
            writer.writerows(astuple(figure) for figure in figures)
            handle.flush()
            yield figures


if __name__ == "__main__":
    raise SystemExit(main())
