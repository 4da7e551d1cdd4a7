"""The first stage model: likely steps from thumbnails, told apart at full size where several are likely."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from concurrent.futures import Executor
from functools import lru_cache

import numpy as np

from dieplat.registration.correlate import Spectrum, coarse_offsets
from dieplat.registration.overlap import view_overlap
from dieplat.registration.overview import Overview, thumb_factor
from dieplat.registration.pixels import PixelCache
from dieplat.registration.stage import Candidates, Steps, likely_steps, sample_evenly
from dieplat.values.offsets import StageModel
from dieplat.values.tiles import TileSet
from dieplat.work import map_in_order

OtherSteps = tuple[tuple[float, float] | None, tuple[float, float] | None]
"""A rival of the step from column to column, and of that from row to row, where there is one."""

FULL_SIZE_SAMPLE = 6
OPEN_LEAD_PER_PAIR = 60.0
"""Lead in nats a pair below which two likely steps stay open. Pairs that lie in a memory favour one step or another by
some 50 nats each, all alike; pairs that see its rim favour the true one by a thousand (phantoms)."""
PAIRS_AT_A_TIME = 2
HOPELESS = 2.0
"""A step that is behind by so many times the lead that decides is not looked at in further pairs, where wrong steps win
some tens of nats at the most (phantoms)."""
THUMB_SCATTER_PX = 3.0
"""Scatter of stage steps expected at first, in thumbnail pixels."""
STEP_PEAKS = 24
"""Places of a pair that may be its step: a memory's banks alone offer a dozen."""
SPECTRA_HELD = 24
STAGE_SAMPLE = 24
"""Pairs of each direction that the first stage model rests on; those of a set of 25 tiles are no more."""


def first_model(
    tile_set: TileSet,
    views: Mapping[str, Overview],
    pairs: Sequence[tuple[int, int]],
    overlap: float | None,
    cache: PixelCache,
    executor: Executor | None,
) -> tuple[StageModel, OtherSteps]:
    """The first stage model: likely steps from thumbnails, told apart at full size where several are likely.

    Also gives the rival of either step that the pictures cannot tell from it, or None.
    """
    tiles = tile_set.tiles
    factor = thumb_factor(tile_set.width_px)
    in_rows = sample_evenly([p for p in pairs if tiles[p[0]].row == tiles[p[1]].row], STAGE_SAMPLE)
    in_columns = sample_evenly([p for p in pairs if tiles[p[0]].row != tiles[p[1]].row], STAGE_SAMPLE)

    # Some at a time: they are ten times as large as what they are made of.
    @lru_cache(maxsize=SPECTRA_HELD)
    def spectrum(tile: int) -> Spectrum:
        return Spectrum(views[tiles[tile].name].thumb)

    shape = views[tiles[0].name].thumb.shape

    def candidates(sample: Sequence[tuple[int, int]]) -> list[Candidates]:
        work = map_in_order(
            lambda p: coarse_offsets(spectrum(p[0]), spectrum(p[1]), peaks=STEP_PEAKS), sample, executor=executor
        )
        return [[c for c in pair if _fits_overlap(c, shape, overlap)] for pair in work]

    steps, drops = likely_steps(candidates(in_rows), candidates(in_columns), shape=shape, spread_px=THUMB_SCATTER_PX)
    size = (tile_set.height_px, tile_set.width_px)
    reach = math.ceil(2.5 * THUMB_SCATTER_PX * factor)
    step, other_step = _best_at_full_size(steps, in_rows, factor, size, reach, cache, executor)
    # Every other change of row goes with the backlash: what was counted as one step reaches twice as far.
    drop, other_drop = _best_at_full_size(drops, in_columns, factor, size, 2 * reach, cache, executor)
    sigma = THUMB_SCATTER_PX * factor
    model = StageModel(step, drop, (0.0, 0.0), (sigma, sigma), len(in_rows) + len(in_columns))
    return model, (other_step, other_drop)


def _best_at_full_size(
    steps: Steps,
    sample: Sequence[tuple[int, int]],
    factor: float,
    size: tuple[int, int],
    reach_px: int,
    cache: PixelCache,
    executor: Executor | None,
) -> tuple[tuple[float, float], tuple[float, float] | None]:
    """Of several likely steps, the one about which full-size overlaps agree best, and a rival if it stays open.

    Repeating blocks look alike in thumbnails; the grain and dust of the full picture tell them apart.
    """
    scaled = [(x * factor, y * factor) for x, y, _ in steps]
    if len(scaled) == 1:
        return scaled[0], None
    some = sample_evenly(sample, FULL_SIZE_SAMPLE)
    decisive = OPEN_LEAD_PER_PAIR * len(some)

    def support(question: tuple[int, tuple[int, int]]) -> float:
        view = view_overlap(question[1], cache, scaled[question[0]], size, (reach_px, reach_px))
        return view.support() if view is not None else 0.0

    seen = np.zeros(len(scaled))
    left = np.arange(len(scaled))
    for start in range(0, len(some), PAIRS_AT_A_TIME):
        asked = [(int(step), pair) for step in left for pair in some[start : start + PAIRS_AT_A_TIME]]
        for (step, _), found in zip(asked, map_in_order(support, asked, executor=executor), strict=True):
            seen[step] += found
        left = left[seen[left] > seen.max() - HOPELESS * decisive]
        if len(left) == 1:
            break
    best, second = np.argsort(seen)[::-1][:2]
    return scaled[best], None if seen[best] - seen[second] > decisive else scaled[second]


def _fits_overlap(candidate: tuple[float, float, float], shape: tuple[int, int], overlap: float | None) -> bool:
    if overlap is None:
        return True
    along = max(abs(candidate[0]) / shape[1], abs(candidate[1]) / shape[0])
    return abs(along - (1 - overlap)) < max(0.08, 0.5 * overlap)
