"""How near proposed blocks come to those that were drawn.

    python bench/proposal_figures.py --seeds 7000-7009
    python bench/proposal_figures.py --preset radio memory --seeds 7000-7004 --look inverted mapped

Presets take turns from seed to seed, and so do looks: colours as drawn, grey, inverted, and mapped (a random mixing of
the channels with a random tone curve each). A die of `--grid` tiles is drawn as a mosaic without tiles: at every
`--step`-th pixel, turned as its tiles would show it, blurred, with noise. That is what level 1 of a real mosaic's
pyramid has; fine cells have 3.5 to 7.5 px there.

Printed are, for every kind, intersection over union of each true block with the best proposal of its kind: least and
mean, how many are under the limit, and how many were not found (under 0.3); proposals that match no block of their
kind, by kind ("other" apart, since it claims nothing); and how far the die's corners are off. A pad is missed when
under 0.5.
Set OMP_NUM_THREADS=1. The exit status is 1 if a limit was not kept.
"""

from __future__ import annotations

import argparse
import time
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field

import cv2
import numpy as np
import numpy.typing as npt
from shapely.geometry import Polygon

from dieplat.phantom.make import plan_phantom
from dieplat.phantom.render import DieRaster
from dieplat.phantom.scenario import scenario_for
from dieplat.phantom.truth import Truth
from dieplat.proposals import Proposal, propose_blocks

Picture = npt.NDArray[np.uint8]
LIMITS = {"memory_array": 0.9, "rf_inductor": 0.9, "logic": 0.8, "io_pad": 0.5}
DIE_PX = 2.0
FOUND = 0.3
PRESETS = ("ordinary", "radio", "lantern", "memory")
LOOKS = ("drawn", "grey", "inverted", "mapped")
MARGIN_PX = 24


class Drawn:
    """A picture in memory, read like a mosaic."""

    def __init__(self, picture: Picture) -> None:
        self.picture = picture
        self.height_px, self.width_px = picture.shape[:2]

    def read(self, x0: int, y0: int, x1: int, y1: int, level: int = 0) -> Picture:
        """Columns x0..x1 and rows y0..y1."""
        return self.picture[max(y0, 0) : y1, max(x0, 0) : x1].copy()


@dataclass
class Totals:
    """What was found, over all dies."""

    overlaps: dict[str, list[float]] = field(default_factory=lambda: defaultdict(list))
    false: dict[str, list[float]] = field(default_factory=lambda: defaultdict(list))
    die_px: list[float] = field(default_factory=list)


def draw(truth: Truth, step: int) -> Picture:
    """The mosaic at every `step`-th pixel, with noise."""
    um = truth.frame.um_per_px_x * step
    raster = DieRaster(truth.die, um)
    high, wide = (int(np.ceil(size / um)) + 2 * MARGIN_PX for size in (truth.die.height_um, truth.die.width_um))
    flat = np.ascontiguousarray(np.moveaxis(raster.window(-MARGIN_PX, -MARGIN_PX, high, wide), 0, -1))
    width, height = truth.width_px // step, truth.height_px // step
    corners = np.array([[0.0, 0.0], [width, 0.0], [0.0, height]])
    on_die = np.stack(truth.frame.to_die(*(corners * step).T), axis=1)
    turn = cv2.getAffineTransform(np.float32(corners - 0.5), np.float32(on_die / um + MARGIN_PX - 0.5))
    flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
    seen = cv2.warpAffine(flat, turn, (width, height), flags=flags, borderMode=cv2.BORDER_REFLECT)
    seen = 255.0 * cv2.GaussianBlur(seen, (0, 0), 0.5 / step + 0.1)
    noise = np.random.default_rng([truth.seed, 77]).normal(0.0, 2.0, seen.shape)
    return np.clip(seen + noise, 0, 255).round().astype(np.uint8)


def look_of(picture: Picture, look: str, seed: int) -> Picture:
    """The same die in other colours."""
    if look == "grey":
        return cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY)
    if look == "inverted":
        return 255 - picture
    if look == "mapped":
        rng = np.random.default_rng([seed, 78])
        mix = rng.normal(size=(3, 3))
        mix /= np.abs(mix).sum(axis=1, keepdims=True)
        mixed = np.clip((picture / 255.0 - 0.5) @ mix.T + 0.5, 0.0, 1.0) ** rng.uniform(0.5, 1.8, 3)
        return (255.0 * mixed).astype(np.uint8)
    return picture


def overlap(one: Polygon, other: Polygon) -> float:
    """Intersection over union."""
    shared = one.intersection(other).area
    return float(shared / (one.area + other.area - shared))


def judge(truth: Truth, step: int, proposals: Sequence[Proposal], totals: Totals) -> str:
    """Add a die to the totals; words on what is under its limit or false."""
    matched: set[int] = set()
    words = []
    for block in truth.die.blocks:
        if block.kind not in (*LIMITS, "die"):
            continue
        shape = Polygon(truth.outline_px(block) / step)
        each = [(overlap(shape, p.polygon), k) for k, p in enumerate(proposals) if p.kind == block.kind]
        best, number = max(each, default=(0.0, -1))
        matched |= {number} if best > FOUND else set()
        if block.kind == "die":
            there = np.array(proposals[number].polygon.exterior.coords) if number >= 0 else np.full((1, 2), np.inf)
            off = max(float(np.hypot(*(there - corner).T).min()) for corner in np.array(shape.exterior.coords)[:4])
            totals.die_px.append(off)
            words += [f"die off by {off:.1f} px"] if off > DIE_PX else []
            continue
        totals.overlaps[block.kind].append(best)
        if best < LIMITS[block.kind]:
            words.append(f"{block.name} {best:.2f}")
    for k, proposal in enumerate(proposals):
        if k not in matched:
            totals.false[proposal.kind].append(proposal.confidence)
            if proposal.kind != "other":
                words.append(f"no {proposal.kind} ({proposal.confidence:.2f}): {proposal.polygon.centroid.wkt}")
    return "; ".join(words)


def report(totals: Totals) -> bool:
    """Print the totals; whether all limits were kept."""
    kept = max(totals.die_px) <= DIE_PX
    print(f"die corners: largest {max(totals.die_px):.2f} px, of {len(totals.die_px)} dies")
    for kind, limit in LIMITS.items():
        values = np.array(totals.overlaps[kind])
        if len(values):
            under, lost = int((values < limit).sum()), int((values < FOUND).sum())
            kept = kept and under == 0
            print(
                f"{kind}: {len(values)} blocks, least {values.min():.3f}, mean {values.mean():.3f}, "
                f"under {limit:g}: {under}, not found: {lost}"
            )
    for kind, confidences in sorted(totals.false.items()):
        print(f"matching no {kind}: {len(confidences)}, confidence {min(confidences):.2f} to {max(confidences):.2f}")
    return kept


def seed_list(text: str) -> list[int]:
    """ "7000-7004" or "7000,7003"."""
    if "-" in text:
        first, last = (int(part) for part in text.split("-"))
        return list(range(first, last + 1))
    return [int(part) for part in text.split(",")]


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--preset", nargs="+", default=list(PRESETS))
    parser.add_argument("--look", nargs="+", choices=LOOKS, default=list(LOOKS))
    parser.add_argument("--seeds", type=seed_list, default=seed_list("7000-7009"))
    parser.add_argument("--grid", default="3x4", help="rows x columns of tiles of 800 x 600 px that the die fills")
    parser.add_argument("--step", type=int, default=2)
    given = parser.parse_args(arguments)
    cv2.setNumThreads(1)
    rows, columns = (int(part) for part in given.grid.split("x"))
    totals = Totals()
    for number, seed in enumerate(given.seeds):
        preset = given.preset[number % len(given.preset)]
        look = given.look[(number // len(given.preset) + number) % len(given.look)]
        scenario = scenario_for(preset, rows=rows, columns=columns, tile_width_px=800, tile_height_px=600)
        truth = plan_phantom(scenario, seed=seed, preset=preset)
        picture = look_of(draw(truth, given.step), look, seed)
        start = time.process_time()
        proposals = propose_blocks(Drawn(picture))
        cpu_s = time.process_time() - start
        words = judge(truth, given.step, proposals, totals)
        print(f"{seed} {preset:9} {look:9} {len(proposals):3} proposals {cpu_s:5.1f} s  {words}", flush=True)
    return 0 if report(totals) else 1


if __name__ == "__main__":
    raise SystemExit(main())
