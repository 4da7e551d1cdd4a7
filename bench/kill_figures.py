"""Stitch, survey and publish killed at random times, and run again: what was lost, what differs.

    python bench/kill_figures.py --kills 100 --folder /tmp/kills

Each command is killed so often; every other time the results of an earlier run with another scale lie there. The
page's server is killed by `DIEPLAT_KILLS=100 pytest tests/annotate/test_killed.py`.
"""

from __future__ import annotations

import argparse
import os
import random
import shutil
import sys
from collections import Counter
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).parents[1] / "tests" / "robustness"))

import bad_inputs
import killed


def run_bench() -> None:
    """Arguments in, a line for every command and every fault out."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--kills", type=int, default=100)
    parser.add_argument("--commands", nargs="+", choices=killed.COMMANDS, default=list(killed.COMMANDS))
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--folder", type=Path, required=True)
    given = parser.parse_args()
    shutil.rmtree(given.folder, ignore_errors=True)
    base = given.folder / "base"
    base.mkdir(parents=True)
    bad_inputs.make_base(base)
    for command in given.commands:
        whole = killed.undisturbed(base, given.folder / f"whole {command}", command)
        before = given.folder / f"earlier {command}"
        earlier = killed.make_earlier(base, before, command, whole)
        rng = random.Random(f"kills of {command}, {given.seed}")
        faults, seen = 0, Counter[str]()
        for number in range(given.kills):
            start, known = (before, earlier) if number % 2 else (base, None)
            wrong = killed.killed_once(rng, start, given.folder / "work", command, whole, earlier=known, seen=seen)
            faults += bool(wrong)
            for line in wrong:
                print(f"{command}, kill {number}: {line}", flush=True)
        met = ", ".join(f"{count} {what}" for what, count in seen.items())
        print(f"{command}: {given.kills} kills over {whole.seconds:.1f} s, {faults} with faults; {met}", flush=True)


if __name__ == "__main__":
    run_bench()
