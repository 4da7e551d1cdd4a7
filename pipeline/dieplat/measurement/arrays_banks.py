"""Banks of an array along one axis, and the count of cells in each, from folded profiles.

A profile has the picture folded along the other axis: `profile[v, x]` is the mean of all samples at place
`v` of a
cell and column `x` of the lattice frame, in which a period is `n` samples. Along x, a window of one period is
compared with the cell's own pattern at every shift: a bank is where the likeness is high and the shift
constant.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from dieplat.errors import UndecidedError

FloatArray = npt.NDArray[np.float32]
BoolArray = npt.NDArray[np.bool_]

_HARMONICS = 10
_SAME_SHIFT = 0.12
"""Share of a period by which the shift may differ within a bank."""
_GONE = 0.22
_UPRIGHT, _UPRIGHT_CLEAR, _CLEAR = 0.15, 0.05, 50.0
"""Share of a cell's contrast along its columns from which the columns alone decide on a bank's edge: the second where
it is this many times what the bank's own cells differ by along their columns. On an invented array with 0.117 and 240
times, a strap's rim that is as bright as the cells moved the edge by 0.3 of a cell in all that is seen."""
_FOREIGN = 0.5
"""Share of a cell's variance that a column may miss the cell's pattern by before it is anything but a cell."""
_SLACK = 0.06
"""Share of a cell's contrast that an edge may gain or lose by blur and noise."""


@dataclass(frozen=True, slots=True)
class Run:
    """Samples start..stop (stop excluded) along an axis that belong to one bank; its cells begin `shift` samples after
    the frame's periods, up to a constant of all runs."""

    start: int
    stop: int
    shift: float = 0.0


@dataclass(frozen=True, slots=True)
class Extent:
    """A bank's edges in samples, each with the interval in which the picture cannot tell its place."""

    start: tuple[float, float]
    stop: tuple[float, float]
    start_cut: bool
    stop_cut: bool

    @property
    def cut(self) -> bool:
        """Whether the polygon cuts the bank at either end."""
        return self.start_cut or self.stop_cut

    def longest(self) -> float:
        """Greatest length in samples."""
        return self.stop[1] - self.start[0]

    def cells_between(self, cell: float) -> tuple[float, float]:
        """Least and greatest number of cells of `cell` samples that fit."""
        return (self.stop[0] - self.start[1]) / cell, (self.stop[1] - self.start[0]) / cell


def fold(picture: FloatArray, mask: FloatArray, n: int) -> tuple[FloatArray, BoolArray]:
    """Fold the rows of (H, W) by `n`; returns (n, W) means and which columns (W,) are covered.

    Columns that are not covered by the mask show the picture outside it.
    """
    height, width = picture.shape
    pad = (-height) % n
    total = np.pad(picture * mask, ((0, pad), (0, 0))).reshape(-1, n, width).sum(axis=0)
    count = np.pad(mask, ((0, pad), (0, 0))).reshape(-1, n, width).sum(axis=0)
    # A column seen only in a corner of the polygon has too few rows to speak for the bank.
    covered = count.min(axis=0) >= max(1.0, 0.35 * float(count.max()))
    profile = total / np.maximum(count, 1e-6)
    if not covered.all():
        whole = np.pad(picture[:, ~covered], ((0, pad), (0, 0))).reshape(-1, n, int((~covered).sum()))
        rows = np.bincount(np.arange(height) % n, minlength=n)
        profile[:, ~covered] = whole.sum(axis=0) / np.maximum(rows, 1)[:, None]
    return np.asarray(profile, dtype=np.float32), covered


def find_runs(profile: FloatArray, covered: BoolArray, n: int) -> list[Run]:
    """Find the banks along a folded profile; parts of one that a hair lies between come as one.

    Raises
    ------
    UndecidedError
        If no stretch of two periods repeats.
    """
    spectra = _window_spectra(_thin(profile), n)
    usable = _all_covered(covered, n)[: spectra.shape[0]]
    if usable.sum() < n:
        raise UndecidedError("memory array: fewer than two periods lie inside the polygon")
    template = _typical(spectra, usable, n)
    for _ in range(2):
        likeness, shift = _compare(spectra, template, n)
        likeness[~usable] = 0.0
        level = float(np.percentile(likeness[usable], 80))
        good = likeness > max(0.85 * level, 0.3)
        if not good.any():
            raise UndecidedError("memory array: the cells are too unlike one another to be told from noise")
        template = _mean_aligned(spectra[good], shift[good], n)
    return _whole(profile, covered, _runs_of(good, shift, n), n)


def _thin(profile: FloatArray, rows: int = 32) -> FloatArray:
    if profile.shape[0] <= rows:
        return profile
    edges = np.linspace(0, profile.shape[0], rows + 1).astype(int)
    sums = np.add.reduceat(profile, edges[:-1], axis=0)
    return np.asarray(sums / np.diff(edges)[:, None], dtype=np.float32)


def _window_spectra(profile: FloatArray, n: int) -> npt.NDArray[np.complex64]:
    """Fourier coefficients 1.. of every window of one period, with phases tied to the frame: (X, V, K)."""
    width = profile.shape[1]
    orders = np.arange(1, min(_HARMONICS, n // 2 - 1) + 1)
    wave = np.exp(-2j * np.pi * np.outer(np.arange(width), orders) / n)
    running = np.cumsum(profile.T[:, :, None].astype(np.float64) * wave[:, None, :], axis=0)
    running = np.concatenate([np.zeros_like(running[:1]), running])
    return np.asarray((running[n:] - running[:-n]) / n, dtype=np.complex64)


def _all_covered(covered: BoolArray, n: int) -> BoolArray:
    running = np.concatenate([[0], np.cumsum(covered)])
    return np.asarray(running[n:] - running[:-n] == n)


def _scores(spectra: npt.NDArray[np.complex64], template: npt.NDArray[np.complex64], n: int) -> FloatArray:
    """Normalised likeness of windows (X, V, K) with a template (V, K) at all n shifts: (X, n)."""
    cross = np.einsum("xvk,vk->xk", spectra, template.conj())
    size = np.sqrt((np.abs(spectra) ** 2).sum(axis=(1, 2)) * (np.abs(template) ** 2).sum())
    full = np.zeros((len(spectra), n // 2 + 1), dtype=np.complex128)
    full[:, 1 : 1 + cross.shape[1]] = cross
    # irfft halves: 2 Re(sum) / n; the shift s means template(x - s).
    return np.asarray(np.fft.irfft(full, n, axis=1) * n / 2 / np.maximum(size, 1e-12)[:, None], dtype=np.float32)


def _typical(spectra: npt.NDArray[np.complex64], usable: BoolArray, n: int) -> npt.NDArray[np.complex64]:
    """Pick the window that is most like all others, at whatever shift."""
    places = np.flatnonzero(usable)
    places = places[:: max(1, len(places) // 60)]
    trial = spectra[places]
    sums = []
    for one in trial:
        best = np.sort(_scores(trial, one, n).max(axis=1))
        sums.append(float(best[len(best) // 2 :].mean()))
    return np.asarray(trial[int(np.argmax(sums))])


def _compare(
    spectra: npt.NDArray[np.complex64], template: npt.NDArray[np.complex64], n: int
) -> tuple[FloatArray, npt.NDArray[np.int64]]:
    score = _scores(spectra, template, n)
    ratio = np.sqrt((np.abs(spectra) ** 2).sum(axis=(1, 2)) / max(float((np.abs(template) ** 2).sum()), 1e-12))
    # A strap may repeat like the cells do, but hardly with the same contrast.
    alike = score.max(axis=1) * np.minimum(1.0, 1.3 * np.minimum(ratio, 1 / np.maximum(ratio, 1e-6)))
    return np.asarray(alike, dtype=np.float32), np.asarray(score.argmax(axis=1), dtype=np.int64)


def _mean_aligned(
    spectra: npt.NDArray[np.complex64], shift: npt.NDArray[np.int64], n: int
) -> npt.NDArray[np.complex64]:
    orders = np.arange(1, spectra.shape[2] + 1)
    turn = np.exp(2j * np.pi * np.outer(shift, orders) / n)
    return np.asarray((spectra * turn[:, None, :]).mean(axis=0), dtype=np.complex64)


def _whole(profile: FloatArray, covered: BoolArray, runs: list[Run], n: int) -> list[Run]:
    """Runs in step with one another, of which either sees its cells go on into the other, as one.

    A strap as wide as whole periods leaves its banks in step as well, but neither's cells go on across it.
    """
    found: list[Run] = []
    for run in runs:
        if found and _apart(found[-1].shift, run.shift, n) <= max(_SAME_SHIFT * n, 1.0):
            last = found[-1]
            ends = find_extent(profile, covered, last, runs, n).stop[0]
            begins = find_extent(profile, covered, run, runs, n).start[1]
            if begins <= ends:
                found[-1] = Run(last.start, run.stop, last.shift)
                continue
        found.append(run)
    return found


def _apart(a: float, b: float, n: int) -> float:
    """Samples between two shifts, which count modulo a period."""
    return abs((a - b + n / 2) % n - n / 2)


def _runs_of(good: BoolArray, shift: npt.NDArray[np.int64], n: int) -> list[Run]:
    limit = max(_SAME_SHIFT * n, 1.0)

    found: list[tuple[int, int, float]] = []
    start: int | None = None
    for x in range(len(good) + 1):
        inside = x < len(good) and bool(good[x])
        if start is not None and (not inside or _apart(float(shift[x]), float(shift[start]), n) > limit):
            found.append((start, x, float(np.median(shift[start:x]))))
            start = None
        if inside and start is None:
            start = x
    merged: list[tuple[int, int, float]] = []
    for item in found:
        if merged and _apart(merged[-1][2], item[2], n) <= limit and item[0] - merged[-1][1] < 0.3 * n:
            merged[-1] = (merged[-1][0], item[1], merged[-1][2])
        else:
            merged.append(item)
    # A window of one period that stays put for half a period more has seen the pattern repeat.
    runs = [Run(a, b + n - 1, place) for a, b, place in merged if b - a >= 0.5 * n]
    if not runs:
        raise UndecidedError("memory array: no stretch of two cells repeats inside the polygon")
    return runs


def find_extent(profile: FloatArray, covered: BoolArray, run: Run, others: list[Run], n: int) -> Extent:
    """Find both edges of a bank by how much of each cell's contrast is still there.

    Along the edge, alpha(x) is the share of the cell's pattern against the outside at column x; summed with
    the
    pattern's own contrast as weight it says how much of the last cell is present, whatever the outside looks
    like.
    """
    width = profile.shape[1]
    before = max([other.stop for other in others if other.stop <= run.start + n and other != run], default=0)
    after = min([other.start for other in others if other.start >= run.stop - n and other != run], default=width)
    stop, stop_cut = _edge(profile, covered, run, after, n)
    mirrored = Run(width - run.stop, width - run.start)
    start, start_cut = _edge(profile[:, ::-1], covered[::-1], mirrored, width - before, n)
    return Extent((width - start[1], width - start[0]), stop, start_cut, stop_cut)


def _edge(
    profile: FloatArray, covered: BoolArray, run: Run, next_start: int, n: int
) -> tuple[tuple[float, float], bool]:
    """Right edge of a run: its interval in samples and whether the polygon cuts the bank there.

    A hair may end the run some cells early: where cells are still seen a period on, the next one is looked at too.
    """
    template = _local_template(profile, run, n)
    limit = _covered_until(covered, run.stop - 1)
    farthest = min(limit, max(next_start + n // 4, run.stop))
    upright = template - template.mean(axis=0)
    flat = _upright_decides(profile, template, upright, run, n)
    if flat:
        # A strap beside the bank is the same in every row of cells: what varies along a column is the cells'
        # alone, and outside it is zero whatever the strap's brightness and blur.
        profile, template = profile - profile.mean(axis=0), upright
    stop = run.stop
    while True:
        outside = None if flat else _outside(profile, template, replace(run, stop=stop), farthest, n)
        against = 0.0 if flat else float(template.mean()) if outside is None else outside[:, None]
        reach = min(stop + n, farthest)
        edge, cut = _edge_before(profile, template, against, run, (reach, limit), n)
        if cut or edge[1] < stop + n or stop + n >= farthest:
            return edge, cut
        stop += n


def _edge_before(
    profile: FloatArray, template: FloatArray, against: FloatArray | float, run: Run, ends: tuple[int, int], n: int
) -> tuple[tuple[float, float], bool]:
    """Right edge of a run of cells like the template, up to a place, with `against` what lies beyond.

    ends : that place, and where the polygon ends.
    """
    reach, limit = ends
    begin = max(run.start, run.stop - 2 * n)
    columns = np.arange(begin, reach + n)
    pattern = template[:, columns % n]
    difference = pattern - against
    # Outside may also be like nothing known, at a fixed cost; else a bright strap would make all that is dark
    # pass for cells.
    foreign = _FOREIGN * float(template.var())
    contrast = np.minimum((difference**2).mean(axis=0), foreign)
    part = profile[:, begin : begin + len(columns)]
    every = contrast[: part.shape[1]]
    cells = ((part - pattern[:, : part.shape[1]]) ** 2).mean(axis=0)
    other = np.minimum(((part - against) ** 2).mean(axis=0), foreign)
    # How much nearer each column is to the cells than to the outside.
    nearer = np.clip(other - cells, -every, every)
    beyond = slice(reach - begin, reach - begin + n // 2)
    goes_on = float(nearer[beyond].sum()) > 0
    a_period = float(contrast[:n].sum())
    seen = nearer[: reach - begin]
    low, high = _change(seen, _SLACK * a_period, _GONE * a_period)
    last = slice(-max(n // 6, 1), None)
    if reach == limit and goes_on and float(seen[last].sum()) > 0:
        # Still the cells' pattern where the polygon ends: the polygon is the edge.
        return (begin + low, float(limit) + 0.5), True
    return (begin + low, begin + high), False


def _upright_decides(profile: FloatArray, template: FloatArray, upright: FloatArray, run: Run, n: int) -> bool:
    """Whether what varies along the cells' columns is enough to tell where they end."""
    power = float((upright**2).mean())
    columns = np.arange(max(run.start, run.stop - 3 * n), run.stop - n)
    part = profile[:, columns]
    scatter = float(((part - part.mean(axis=0) - upright[:, columns % n]) ** 2).mean()) if len(columns) else np.inf
    least = _UPRIGHT_CLEAR if power > _CLEAR * scatter else _UPRIGHT
    return power > least * float(template.var())


def _change(nearer: FloatArray, slack: float, gone: float) -> tuple[float, float]:
    """Where the cells end: the places that explain all columns as well as the best one, up to `slack`.

    With the sum of `nearer` up to a place as its merit (least squares with one step), cells that are blurred,
    shifted a little or dim near the edge still count as cells. Beyond the place where the sum has fallen by
    `gone`, likeness is by chance or another bank's.
    """
    merit = np.concatenate([[0.0], np.cumsum(nearer.astype(np.float64))])
    fallen = np.flatnonzero(np.maximum.accumulate(merit) - merit > gone)
    if len(fallen):
        merit = merit[: fallen[0] + 1]
    good = np.flatnonzero(merit >= merit.max() - slack)
    level = float(merit.max()) - slack
    first, final = int(good[0]), int(good[-1])
    low, high = float(first), float(final)
    if first > 0:
        low -= (merit[first] - level) / (merit[first] - merit[first - 1])
    if final + 1 < len(merit):
        high += (merit[final] - level) / (merit[final] - merit[final + 1])
    return low, high


def _local_template(profile: FloatArray, run: Run, n: int) -> FloatArray:
    """Mean cell (V, n) of the last whole periods of a run, by frame phase, so that slow shading drops out."""
    stop = run.stop - n // 4
    periods = max(1, min(8, (stop - run.start) // n))
    columns = np.arange(stop - periods * n, stop)
    if columns[0] < 0:
        columns = np.arange(max(run.start, 0), max(run.start, 0) + n)
        periods = 1
    mean = profile[:, columns].reshape(profile.shape[0], periods, n).mean(axis=1)
    template = np.empty_like(mean)
    template[:, columns[:n] % n] = mean
    return np.asarray(template, dtype=np.float32)


def _covered_until(covered: BoolArray, place: int) -> int:
    gaps = np.flatnonzero(~covered[place:])
    return int(place + gaps[0]) if len(gaps) else len(covered)


def _outside(profile: FloatArray, template: FloatArray, run: Run, limit: int, n: int) -> FloatArray | None:
    """Typical column beyond the run, or None when the cells' pattern goes on to the end.

    A run overhangs its bank a little, so the columns are chosen by how badly the cells' pattern fits them.
    """
    low, high = max(run.start, run.stop - n // 3), min(limit, run.stop + 2 * n)
    if high - low < 2:
        return None
    columns = np.arange(low, high)
    misfit = ((profile[:, low:high] - template[:, columns % n]) ** 2).mean(axis=0)
    wide = min(max(2, n // 6), len(columns))
    smooth = np.convolve(misfit, np.ones(wide) / wide, mode="same")
    if smooth.max() < 0.25 * float(((template - template.mean()) ** 2).mean()):
        return None
    return np.asarray(np.median(profile[:, columns[smooth > 0.5 * smooth.max()]], axis=1), dtype=np.float32)
