"""Whether a period of the picture is one cell or two mirrored ones, as an array's banks show it.

The largest bank answers; where another one plainly shows otherwise, as dirt on either makes it, nobody knows.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from dieplat.errors import UndecidedError
from dieplat.measurement import arrays_cell as cell
from dieplat.measurement import arrays_fit, arrays_model
from dieplat.measurement.arrays_blocks import Block, inner
from dieplat.measurement.arrays_frame import Frame

FloatArray = npt.NDArray[np.float32]
Matrix = npt.NDArray[np.float64]
Answer = tuple[int, str | None]

FINE = 24
"""Least samples of a mean period, so that every order of the model is there."""
ASKED = 4
"""Banks that are asked, the largest ones (a choice of ours, no source)."""
LEAST_TILES = 2
"""Tiles of a bank that may contradict another: two halves that share none say how steady its cells are
(a choice of ours, no source)."""


def cells_of(
    grey: FloatArray,
    colours: Sequence[FloatArray],
    frame: Frame,
    blocks: Sequence[Block],
    reciprocal: Matrix,
    size: Matrix,
) -> tuple[int, int, list[str], tuple[float, ...]]:
    """Cells a period along x and along y, remarks, and by what the count changes if what they doubt is so.

    grey, colours : (H, W) each; reciprocal : (2, 2); size : the period (2,) in pixels.

    Raises
    ------
    UndecidedError
        If the largest bank leaves it open, or another one plainly shows otherwise.
    """
    ranked = sorted(blocks, key=lambda block: -block.across.longest() * block.down.longest())
    planes = (grey, tuple(colours))
    answer_x, answer_y = (
        _answer(along, size[axis], blocks, axis, frame)
        for axis, along in enumerate(_periods(planes, frame, ranked[0], reciprocal))
    )
    for other in ranked[1:ASKED]:
        if len(tiles_in(grey, frame, other)) < LEAST_TILES:
            continue
        try:
            shown = _periods(planes, frame, other, reciprocal)
        except UndecidedError:
            continue
        for axis, first in enumerate((answer_x, answer_y)):
            _refuse_otherwise(first, shown[axis], size[axis], blocks, axis, frame)
    remarks = [text for _, text in (answer_x, answer_y) if text]
    return answer_x[0], answer_y[0], remarks, cell.other_factors(answer_x, answer_y)


def _refuse_otherwise(
    first: Answer, shown: cell.Periods, size_px: float, blocks: Sequence[Block], axis: int, frame: Frame
) -> None:
    try:
        cells, remark = _answer(shown, size_px, blocks, axis, frame)
    except UndecidedError:
        return
    if remark is None and cells != first[0]:
        raise UndecidedError(
            f"memory array: along {'xy'[axis]} one bank shows cells that are mirrored in turn and another does not, as "
            "dirt may make it; measure the banks one by one"
        )


def _answer(shown: cell.Periods, size_px: float, blocks: Sequence[Block], axis: int, frame: Frame) -> Answer:
    samples = frame.samples[axis]
    spans = [(block.across, block.down)[axis].cells_between(samples) for block in blocks]
    return cell.cells_a_period(shown, size_px, spans, "xy"[axis])


def _periods(
    planes: tuple[FloatArray, tuple[FloatArray, ...]], frame: Frame, block: Block, reciprocal: Matrix
) -> tuple[cell.Periods, cell.Periods]:
    """A bank's mean periods, turned so that each is judged along x and along y."""
    grey, colours = planes
    tiles = tiles_in(grey, frame, block)
    orders = arrays_model.strongest(grey, tiles, reciprocal)
    halves = (tiles, tiles[: len(tiles) // 2] or tiles, tiles[len(tiles) // 2 :])
    models = [arrays_model.fit_model(grey, some, reciprocal, orders) for some in halves]
    whole, one, other = (model.period(fine(frame)) for model in models)
    cell.refuse_stripes(whole)
    low, low_one, low_other = (model.low(reciprocal).period(fine(frame)) for model in models)
    coloured = [
        [arrays_model.fit_model(plane, some, reciprocal, orders).period(fine(frame)) for some in halves]
        for plane in colours
    ]
    along_x, along_y = (
        cell.Periods(
            turned(whole),
            cell.steadiness(turned(one), turned(other)),
            turned(low),
            cell.steadiness(turned(low_one), turned(low_other)),
            tuple((turned(all_), cell.steadiness(turned(a), turned(b))) for all_, a, b in coloured),
        )
        for turned in (np.asarray, np.transpose)
    )
    return along_x, along_y


def tiles_in(grey: FloatArray, frame: Frame, block: Block) -> list[arrays_model.Tile]:
    """Tiles of the picture (H, W) that surely belong to a bank."""
    return arrays_fit.within(arrays_fit.tiles_of(frame, inner(block, frame)), grey.shape)


def fine(frame: Frame) -> tuple[int, int]:
    """Samples of a mean period that is judged by its symmetry."""
    return max(frame.samples[0], FINE), max(frame.samples[1], FINE)
