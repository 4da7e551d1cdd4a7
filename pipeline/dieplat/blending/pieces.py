"""The mosaic in pieces that any process can make by itself, each to the pixels that `compose.compose_bands` gives.

What a tile becomes depends on those painted before it, through its seams: a seam is sought in what is painted, and one
that moves a little where it begins may take another way to its end. So the work has three steps, and files on storage
that all processes see are what they hand on.

1. Every tile's part of the mosaic is resampled (`make_part`).
2. Every tile's seams are sought once those of the tiles about it that are painted earlier are known (`find_seams`):
   with their seams, what they paint under it is painted anew. `Pieces.generations` says which go side by side.
3. With all seams known, any rectangle of the mosaic is painted for itself (`paint_piece`).

A mixed pixel depends on what is painted up to `mix.REACH_PX` away from it, each of those on others as far away that
were painted earlier, and so on: what is painted is wider by that than what is wanted (`Pieces.margin_px`).
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from dieplat.blending.compose import part_jobs, seams_of, surroundings
from dieplat.blending.mix import REACH_PX, mix_over
from dieplat.blending.place import Box
from dieplat.blending.resample import TileJob, render_tile
from dieplat.blending.seam import Seam
from dieplat.blending.seam_loops import View, view_of
from dieplat.files import replacing_path
from dieplat.values import Correction, Layout, Lens, TileSet

Pixels = npt.NDArray[Any]
Ints = npt.NDArray[np.int64]

_LENS_FIELDS = ("k1", "k2", "norm_px")


@dataclass(frozen=True, slots=True, eq=False)
class Pieces:
    """All that it takes to make any part of a mosaic, the tiles in the order of painting.

    jobs : one for every tile, their parts cut to the mosaic. boxes (n, 4) : these parts (x0, y0, x1, y1).
    width_px, height_px : size of the mosaic. margin_px : how far about a rectangle all must be painted so that the
    rectangle itself is as in the whole mosaic.
    """

    jobs: tuple[TileJob, ...]
    boxes: Ints
    width_px: int
    height_px: int
    margin_px: int

    def meeting(self, box: Box) -> list[int]:
        """The tiles of which something lies in a rectangle, in the order of painting."""
        # They are sorted by their upper edges.
        stop = int(np.searchsorted(self.boxes[:, 1], box.y1))
        some = self.boxes[:stop]
        meets = (some[:, 0] < box.x1) & (some[:, 2] > box.x0) & (some[:, 3] > box.y0)
        full = (some[:, 2] > some[:, 0]) & (some[:, 3] > some[:, 1])
        return [int(number) for number in np.flatnonzero(meets & full)]

    def box(self, number: int) -> Box:
        """Where a tile's part lies."""
        x0, y0, x1, y1 = self.boxes[number].tolist()
        return Box(x0, y0, x1, y1)

    @property
    def part_bytes(self) -> int:
        """What all parts take, as plain pixels."""
        areas = (self.boxes[:, 2] - self.boxes[:, 0]) * (self.boxes[:, 3] - self.boxes[:, 1])
        return int(areas.sum()) * self.jobs[0].shape[2] * np.dtype(self.jobs[0].dtype).itemsize

    def generations(self) -> list[list[int]]:
        """The tiles in groups; the seams of a tile depend on those of tiles in earlier groups only."""
        rank = np.zeros(len(self.jobs), dtype=np.int64)
        for number in range(len(self.jobs)):
            earlier = [other for other in self.meeting(self.box(number).grown(self.margin_px)) if other < number]
            rank[number] = max((rank[other] + 1 for other in earlier), default=0)
        return [np.flatnonzero(rank == generation).tolist() for generation in range(int(rank.max(initial=-1)) + 1)]


def pieces_of(tile_set: TileSet, layout: Layout, correction: Correction) -> Pieces:
    """Plan a mosaic.

    Raises
    ------
    MosaicError
        If the layout names a tile that is not in the set.
    """
    mosaic = Box(0, 0, layout.width_px, layout.height_px)
    jobs = []
    for job in part_jobs(tile_set, layout, correction):
        part = (job.part or job.box).cut(mosaic)
        jobs.append(replace(job, part=Box(part.x0, part.y0, max(part.x0, part.x1), max(part.y0, part.y1))))
    boxes = np.array([job.part for job in jobs], dtype=np.int64).reshape(-1, 4)
    pieces = Pieces(tuple(jobs), boxes, layout.width_px, layout.height_px, REACH_PX)
    return replace(pieces, margin_px=_margin(pieces))


def _margin(pieces: Pieces) -> int:
    """`REACH_PX` for every tile of the longest chain in which each tile's mixes may look at the one before.

    All of a chain lie within the margin of its last tile, so it is no longer than the number of tiles there.
    """
    most = 1
    while True:
        near = max(
            (len(pieces.meeting(pieces.box(number).grown(most * REACH_PX))) for number in range(len(pieces.jobs))),
            default=1,
        )
        if near <= most:
            return most * REACH_PX
        most = near


def save_pieces(pieces: Pieces, folder: Path) -> Path:
    """Write a plan into `folder`, where its steps will put their files too; gives the plan's path.

    The name holds a digest, so that a process which has read a plan of that name need not read it again.
    """
    first = pieces.jobs[0]
    lens = [] if first.lens is None else [getattr(first.lens, name) for name in _LENS_FIELDS]
    temporary = folder / "plan.npz"
    np.savez(
        temporary,
        paths=np.array([str(job.path) for job in pieces.jobs]),
        places=np.array([(job.x_px, job.y_px) for job in pieces.jobs]),
        gains=np.array([job.gains for job in pieces.jobs]),
        boxes=pieces.boxes,
        inverse_flat=first.inverse_flat,
        lens=np.array(lens, dtype=np.float64),
        dtype=np.array(first.dtype),
        numbers=np.array([*first.shape, first.flat_spacing, pieces.width_px, pieces.height_px, pieces.margin_px]),
    )
    with temporary.open("rb") as handle:
        digest = hashlib.file_digest(handle, "sha256").hexdigest()
    return temporary.rename(folder / f"plan_{digest[:32]}.npz")


@lru_cache(maxsize=1)
def load_pieces(plan: Path) -> Pieces:
    """Read a plan."""
    with np.load(plan, allow_pickle=False) as kept:
        height, width, channels, spacing, width_px, height_px, margin_px = kept["numbers"].tolist()
        lens = Lens(*kept["lens"].tolist()) if len(kept["lens"]) else None
        inverse_flat, boxes, dtype = kept["inverse_flat"], kept["boxes"], str(kept["dtype"])
        jobs = tuple(
            TileJob(
                path=Path(path),
                shape=(height, width, channels),
                dtype=dtype,
                x_px=x,
                y_px=y,
                inverse_flat=inverse_flat,
                gains=gains,
                lens=lens,
                flat_spacing=spacing,
                part=Box(*box),
            )
            for path, (x, y), gains, box in zip(
                kept["paths"].tolist(), kept["places"].tolist(), kept["gains"], boxes.tolist(), strict=True
            )
        )
    return Pieces(jobs, boxes, width_px, height_px, margin_px)


def make_part(plan: Path, number: int) -> None:
    """Resample a tile and write its part of the mosaic beside the plan.

    Raises
    ------
    PictureError
        If the tile cannot be read after all.
    """
    pieces = load_pieces(plan)
    if pieces.box(number).is_empty:
        return
    patch = render_tile(pieces.jobs[number])
    with replacing_path(_part_path(plan, number)) as temporary:
        np.save(temporary, patch.pixels)


def find_seams(plan: Path, number: int) -> None:
    """Find a tile's seams with those painted before it, and write them beside the plan."""
    pieces = load_pieces(plan)
    box = pieces.box(number)
    if box.is_empty:
        return
    painted = [pieces.box(other) for other in pieces.meeting(box) if other < number]
    seams: list[Seam] = []
    if painted:
        canvas = _Canvas(pieces, box)
        canvas.paint(plan, before=number)
        seams = seams_of(canvas.under(box), _part(plan, number), box=box, painted=painted)
    table = [(*seam.box, seam.runs_down, seam.after, len(seam.at_px)) for seam in seams]
    with replacing_path(_seams_path(plan, number)) as temporary:
        np.savez(
            temporary,
            table=np.array(table, dtype=np.int64).reshape(-1, 7),
            at_px=np.concatenate([np.zeros(0), *(seam.at_px for seam in seams)]),
        )


def paint_piece(plan: Path, piece: Box) -> Pixels:
    """A rectangle of the mosaic, (h, w) or (h, w, 3), 0 where no tile lies; all seams must be known."""
    pieces = load_pieces(plan)
    canvas = _Canvas(pieces, piece)
    canvas.paint(plan, before=len(pieces.jobs))
    return canvas.cut_out(piece)


def _part_path(plan: Path, number: int) -> Path:
    return plan.with_name(f"part_{number}.npy")


def _seams_path(plan: Path, number: int) -> Path:
    return plan.with_name(f"seams_{number}.npz")


def _part(plan: Path, number: int) -> View:
    """A tile's part of the mosaic, of which only what is looked at is read from the disk."""
    mapped: Pixels = np.load(_part_path(plan, number), mmap_mode="c")
    return view_of(np.asarray(mapped))


def _seams(plan: Path, number: int) -> Iterator[Seam]:
    with np.load(_seams_path(plan, number), allow_pickle=False) as kept:
        table, at_px = kept["table"].tolist(), kept["at_px"]
    start = 0
    for *box, runs_down, after, length in table:
        yield Seam(Box(*box), at_px[start : start + length], bool(runs_down), bool(after))
        start += length


class _Canvas:
    """A rectangle of the mosaic and the margin about it."""

    def __init__(self, pieces: Pieces, wanted: Box) -> None:
        self._pieces = pieces
        self._channels = pieces.jobs[0].shape[2]
        self._box = wanted.grown(pieces.margin_px).cut(Box(0, 0, pieces.width_px, pieces.height_px))
        high, wide = self._box.y1 - self._box.y0, self._box.x1 - self._box.x0
        self._rows: Pixels = np.zeros((high, wide * self._channels), pieces.jobs[0].dtype)

    def paint(self, plan: Path, *, before: int) -> None:
        """Paint all tiles with a number below `before`; their seams must be known."""
        for number in self._pieces.meeting(self._box):
            box = self._pieces.box(number)
            clip = self._clip(box)
            if number >= before or clip.is_empty:
                continue
            painted = [self._pieces.box(other) for other in self._pieces.meeting(box) if other < number]
            below, open_sides = surroundings(box, painted, (self._pieces.width_px, self._pieces.height_px))
            mix_over(
                self.under(box),
                _part(plan, number),
                seams=list(_seams(plan, number)),
                covered=below,
                open_sides=open_sides,
                clip=clip,
            )

    def under(self, box: Box) -> View:
        """What lies under a tile, of which only the part on the canvas may be looked at."""
        y0, x0 = box.y0 - self._box.y0, box.x0 - self._box.x0
        return View(self._rows, y0, x0, box.y1 - box.y0, box.x1 - box.x0, self._channels)

    def cut_out(self, box: Box) -> Pixels:
        """A copy of the pixels in a rectangle."""
        here = box.moved(-self._box.x0, -self._box.y0)
        shape = (len(self._rows), -1) if self._channels == 1 else (len(self._rows), -1, self._channels)
        return np.ascontiguousarray(self._rows.reshape(shape)[here.cut_out])

    def _clip(self, box: Box) -> Box:
        """What of a tile can be painted, in its own pixels: its mixes must not look beyond the canvas."""
        kept = box.cut(self._box)
        x0, y0 = (low + REACH_PX * (low > own) for low, own in zip(kept[:2], box[:2], strict=True))
        x1, y1 = (high - REACH_PX * (high < own) for high, own in zip(kept[2:], box[2:], strict=True))
        return Box(x0, y0, x1, y1).moved(-box.x0, -box.y0)
