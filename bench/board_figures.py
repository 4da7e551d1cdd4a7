"""Lengths of printed antennas on invented board photographs, against their truth.

    python bench/board_figures.py                     # 100 boards, some three minutes
    python bench/board_figures.py --seeds 500-519 --width-px 1600

Every board is photographed by hand: tilted some 5 degrees, bent by its lens, with points set to half a pixel. Each is
measured as drawn and with the conductor's middle found on the picture. Printed: errors, the share of stated 95 %
intervals that hold the truth, the median of the stated uncertainties.
"""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path

import numpy as np

from dieplat.annotations import load_regions
from dieplat.phantom.board import BoardPlan, make_board
from dieplat.survey.board import measure_board
from dieplat.tiles.read import read_picture
from seed_range import seed_range

ASKED_PERCENT = 0.3
COVERED = 1.96


def errors_of(seed: int, folder: Path, plan: BoardPlan) -> list[tuple[float, float]]:
    """(error, stated standard uncertainty) in percent: as drawn, on the middle."""
    truth = make_board(folder, seed=seed, plan=plan, replace=True)["traces"][0]["length_um"]
    picture, regions = read_picture(folder / "board.jpg"), load_regions(folder / "board.geojson")
    found = [measure_board(regions, picture, find_middle=middle).traces[0] for middle in (False, True)]
    return [(100 * (trace.length_um / truth - 1), 100 * trace.length_um_u / truth) for trace in found]


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", type=seed_range, default=range(100), help="such as 0-99")
    parser.add_argument("--width-px", type=int, default=3200, help="width of the photographs; a phone's has 4000")
    given = parser.parse_args()
    plan = BoardPlan(size_px=(given.width_px, given.width_px * 3 // 4))
    with tempfile.TemporaryDirectory() as name:
        table = np.array([errors_of(seed, Path(name), plan) for seed in given.seeds])
    print(f"{len(table)} boards of {given.width_px} px rms %  largest %  within {ASKED_PERCENT} %  in 95 %  stated u %")
    for row, what in enumerate(("as drawn", "on the middle")):
        error, u = table[:, row].T
        inside = f"{100 * np.mean(np.abs(error) <= ASKED_PERCENT):8.0f} %"
        held = f"{100 * np.mean(np.abs(error) <= COVERED * u):7.1f}"
        print(f"{what:20} {error.std():6.3f} {np.abs(error).max():10.3f} {inside:>12} {held} {np.median(u):11.3f}")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
