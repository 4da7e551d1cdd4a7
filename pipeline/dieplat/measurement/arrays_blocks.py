"""The banks of an array as blocks of whole cells in a picture resampled to its lattice."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from dieplat.errors import UndecidedError
from dieplat.measurement import arrays_banks as banks
from dieplat.measurement.arrays_frame import Frame

FloatArray = npt.NDArray[np.float32]
Matrix = npt.NDArray[np.float64]

ALIKE = 0.8
"""Correlation of two banks' mean periods from which the step between them counts (a choice of ours, no source)."""
_FINER = 8


@dataclass(frozen=True, slots=True)
class Block:
    """One bank: where it lies along both axes, in samples of the frame."""

    across: banks.Extent
    down: banks.Extent

    def reach(self, cell_x: float, cell_y: float) -> tuple[float, float, float, float]:
        """The farthest that it may reach (left, top, right, bottom), in cells of so many samples."""
        across, down = self.across, self.down
        return across.start[0] / cell_x, down.start[0] / cell_y, across.stop[1] / cell_x, down.stop[1] / cell_y


def find_blocks(frame: Frame) -> list[Block]:
    """Find the banks: along x in the most regular band of rows, then along y, then both again with all
    rows."""
    n_x, n_y = frame.samples
    picture, mask = frame.picture, frame.mask
    band = _regular_band(picture, mask, n_x, n_y)
    first = max(banks.find_runs(*banks.fold(picture[band], mask[band], n_y), n_x), key=lambda r: r.stop - r.start)
    columns = slice(first.start, first.stop)
    down_runs = banks.find_runs(*banks.fold(picture[:, columns].T, mask[:, columns].T, n_x), n_y)
    blocks = []
    for down in down_runs:
        rows = slice(down.start, down.stop)
        profile, covered = banks.fold(picture[rows], mask[rows], n_y)
        across_runs = banks.find_runs(profile, covered, n_x)
        for across in across_runs:
            extent_x = banks.find_extent(profile, covered, across, across_runs, n_x)
            columns = slice(across.start, across.stop)
            turned, turned_covered = banks.fold(picture[:, columns].T, mask[:, columns].T, n_x)
            extent_y = banks.find_extent(turned, turned_covered, down, down_runs, n_y)
            if extent_x.longest() > 1.5 * n_x and extent_y.longest() > 1.5 * n_y:
                blocks.append(Block(extent_x, extent_y))
    if not blocks:
        raise UndecidedError("memory array: no block of at least two cells by two stands out inside the polygon")
    return blocks


def steps(frame: Frame, blocks: list[Block]) -> list[tuple[float, float] | None]:
    """Samples (x, y) by which every bank's cells lie behind those of the largest, modulo a period; None where its
    mean period is hardly that of the largest."""
    first = np.fft.fft2(_mean_period(frame, largest(blocks)))
    found: list[tuple[float, float] | None] = []
    for block in blocks:
        waves = np.fft.fft2(_mean_period(frame, block))
        size = np.sqrt((np.abs(first) ** 2).sum() * (np.abs(waves) ** 2).sum()) or 1e-12
        likeness = _finer(waves * np.conj(first)) * first.size / size
        row, column = np.unravel_index(int(np.argmax(likeness)), likeness.shape)
        alike = float(likeness[row, column]) > ALIKE
        step = _top(likeness[row], int(column)) / _FINER, _top(likeness[:, column], int(row)) / _FINER
        found.append(step if alike else None)
    return found


def _top(values: Matrix, place: int) -> float:
    """Where the parabola through a greatest value and its neighbours, around the ends, is highest."""
    before, here, after = (float(values[(place + k) % len(values)]) for k in (-1, 0, 1))
    bend = before - 2.0 * here + after
    return place + (0.5 * (before - after) / bend if bend < 0.0 else 0.0)


def _mean_period(frame: Frame, block: Block) -> Matrix:
    """What varies over a bank's mean period (n_y, n_x), in the frame's phase."""
    mean = frame.mean_period(*inner(block, frame))
    return np.asarray(mean - mean.mean(), dtype=np.float64)


def _finer(spectrum: npt.NDArray[np.complex128]) -> Matrix:
    """The inverse transform of a spectrum (n_y, n_x) at `_FINER` places a sample."""
    pads = [_FINER * n // 2 - n // 2 for n in spectrum.shape]
    wide = np.pad(
        np.fft.fftshift(spectrum), [(pad, (_FINER - 1) * n - pad) for pad, n in zip(pads, spectrum.shape, strict=True)]
    )
    return np.asarray(np.fft.ifft2(np.fft.ifftshift(wide)).real * _FINER**2, dtype=np.float64)


def _regular_band(picture: FloatArray, mask: FloatArray, n_x: int, n_y: int) -> slice:
    """Choose the band of a few periods' height in which the rows repeat best along x."""
    height = min(4 * n_y, picture.shape[0])
    best, choice = -1.0, slice(0, height)
    starts = np.unique(np.linspace(0, picture.shape[0] - height, 24).astype(int))
    for start in starts:
        rows = slice(int(start), int(start) + height)
        folded, covered = banks.fold(picture[rows], mask[rows], n_y)
        if covered.sum() < 3 * n_x:
            continue
        moved = covered[n_x:] & covered[:-n_x]
        a, b = folded[:, n_x:][:, moved], folded[:, :-n_x][:, moved]
        score = float(((a - a.mean()) * (b - b.mean())).sum()) / max(float(folded.shape[0]), 1.0)
        if score > best:
            best, choice = score, rows
    return choice


def inner(block: Block, frame: Frame) -> tuple[int, int, int, int]:
    """Samples (i0, j0, i1, j1) that surely belong to a bank."""
    height, width = frame.picture.shape
    return (
        max(0, math.ceil(block.across.start[1])),
        max(0, math.ceil(block.down.start[1])),
        min(width, math.floor(block.across.stop[0])),
        min(height, math.floor(block.down.stop[0])),
    )


def largest(blocks: list[Block]) -> Block:
    return max(blocks, key=lambda block: block.across.longest() * block.down.longest())
