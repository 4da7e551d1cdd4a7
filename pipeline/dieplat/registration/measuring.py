"""Every pair of a set measured: some as widely as the first stage model asks for, the others as theirs allow."""

from __future__ import annotations

import math
import zlib
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace

import numpy as np

from dieplat.registration.overlap import Measured, measure_overlap
from dieplat.registration.pixels import PixelCache
from dieplat.registration.stage import Grid, fit_model, is_clear, sample_evenly
from dieplat.values.offsets import StageModel
from dieplat.values.tiles import TileSet
from dieplat.work import Progress, Spread, Tick, map_in_order

Pairs = Sequence[tuple[int, int]]

WIDE_SIGMAS = 3.5
AGAIN_SIGMAS = 6.0
BLOCKS = 12
"""Blocks of two by two tiles whose pairs are measured first."""
FEWEST_CLEAR = 12
"""Clear pairs among them that a narrower search may rest on."""
LEAST_SHARE = 0.6
"""Less likeness than this part of what clear pairs have at the median, and a pair is searched widely after all."""
RIM_SHARE = 0.25
"""So near to the end of a narrow search, as a part of its width, a pair may belong beyond."""
LENS_SAMPLE = 60
BLOCK = 4
"""Pairs that begin in one block of so many tiles by as many are one job of another process, which decodes its tiles."""
HELD = 2 * BLOCK + 2
"""Tiles that such a job holds: two rows of its block."""
STRAY_FACTOR = 6.0
USUAL_MISFIT_PCT = 0.5
USUAL_UNLIKE = 0.003
"""A place is none where so many times more of the pictures' coarse variance is left than of other places of its set,
and than these, as such and as a share. Where one picture is out of focus by 3 px, a true place leaves up to 1 % in
amplitude where it leaves 0.5 % of the variance, or 2 % of this where it leaves 0.4 % in amplitude; repeating blocks
that look alike leave 2.4 % and 3 % or more (phantoms)."""


@dataclass(frozen=True, slots=True)
class _Survey:
    """What all pairs are measured with."""

    grid: Grid
    shape: tuple[int, int]
    bent: frozenset[tuple[int, int]]
    cache: PixelCache
    executor: Executor | None

    def measure(
        self, pairs: Pairs, model: StageModel, widths: tuple[int, int], tick: Tick | None = None
    ) -> list[Measured]:
        """Offsets of pairs within `widths` (x, y) of where a model expects them, in the pairs' order."""

        predicted = {pair: model.predict(*self.grid[pair[0]], *self.grid[pair[1]]) for pair in pairs}
        if isinstance(self.executor, Spread):
            return self._measure_apart(self.executor, pairs, predicted, widths, tick)
        question = _Question(self.cache, predicted, self.shape, widths, self.bent)
        self.cache.expect(pairs)
        return list(map_in_order(question.answer, pairs, executor=self.executor, progress=tick))

    def _measure_apart(
        self,
        executor: Spread,
        pairs: Pairs,
        predicted: Mapping[tuple[int, int], tuple[float, float]],
        widths: tuple[int, int],
        tick: Tick | None,
    ) -> list[Measured]:
        """The same in other processes, each job a block of the grid."""
        blocks: dict[tuple[int, int], list[tuple[int, int]]] = {}
        for pair in pairs:
            row, column = self.grid[pair[0]]
            blocks.setdefault((row // BLOCK, column // BLOCK), []).append(pair)

        def questions() -> Iterator[_Question]:
            for block in blocks.values():
                cache = self.cache.only({tile for pair in block for tile in pair}, capacity=HELD)
                bent = self.bent.intersection(block)
                yield _Question(cache, {pair: predicted[pair] for pair in block}, self.shape, widths, bent)

        found: dict[tuple[int, int], Measured] = {}
        for answers in map_in_order(_Question.answers, questions(), executor=executor):
            for answer in answers:
                found[answer.offsets.a, answer.offsets.b] = answer
                if tick is not None:
                    tick(0, 0)
        return [found[pair] for pair in pairs]


@dataclass(frozen=True, slots=True)
class _Question:
    """What is asked of some pairs, each with where its offset is expected."""

    cache: PixelCache
    predicted: Mapping[tuple[int, int], tuple[float, float]]
    shape: tuple[int, int]
    widths: tuple[int, int]
    bent: frozenset[tuple[int, int]]

    def answer(self, pair: tuple[int, int]) -> Measured:
        """The offsets of one of them."""
        found = measure_overlap(
            pair,
            cache=self.cache,
            predicted=self.predicted[pair],
            shape=self.shape,
            search=self.widths,
            with_windows=pair in self.bent,
        )
        self.cache.done(pair)
        return found

    def answers(self) -> list[Measured]:
        """The offsets of all."""
        self.cache.expect(list(self.predicted))
        return [self.answer(pair) for pair in self.predicted]


def measure_pairs(
    tile_set: TileSet,
    grid: Grid,
    pairs: Pairs,
    model: StageModel,
    cache: PixelCache,
    executor: Executor | None,
    progress: Progress | None,
) -> tuple[StageModel, list[Measured]]:
    """Measure every pair about the model; refit the model; measure again where the first search was off.

    The first model comes from thumbnails and scatters as widely as these can tell. Pairs spread over the set are
    searched so widely; their own model then says how far the others need be. What a narrow search leaves open in any
    way (no place, more than one, one at its rim or less alike than others) is searched widely too, so that every place
    that the stage might have gone to is weighed.
    """
    survey = _Survey(
        grid,
        (tile_set.height_px, tile_set.width_px),
        frozenset(sample_evenly(pairs, LENS_SAMPLE)),
        cache,
        executor,
    )
    measured = _first_pass(survey, pairs, model, Tick(progress, len(pairs)))
    refined = fit_model([pair.offsets for pair in measured], grid, model)
    again = []
    for index, pair in enumerate(measured):
        offset = pair.offsets
        predicted = refined.predict(*grid[offset.a], *grid[offset.b])
        moved = max(abs(predicted[0] - offset.predicted_px[0]), abs(predicted[1] - offset.predicted_px[1]))
        if not offset.hypotheses or moved > 2 * max(refined.sigma_px):
            again.append(index)
    redone = survey.measure([pairs[i] for i in again], refined, _widths(refined, AGAIN_SIGMAS))
    for index, pair in zip(again, redone, strict=True):
        if pair.offsets.hypotheses:
            measured[index] = pair
    measured = without_strays(measured)
    final = fit_model([pair.offsets for pair in measured], grid, refined)
    return final, [
        replace(pair, offsets=replace(o, predicted_px=final.predict(*grid[o.a], *grid[o.b])))
        for pair in measured
        for o in (pair.offsets,)
    ]


def without_strays(measured: Sequence[Measured]) -> list[Measured]:
    """The pairs without places at which the pictures differ far more than is usual in their set.

    Repeating blocks correlate well where one lies on its neighbour, and nothing else may be near to tell. But there is
    something between them or on them that differs, more than noise, and not in sharpness alone.
    """
    clear = [pair.offsets.hypotheses[0] for pair in measured if is_clear(pair.offsets)]
    misfits = [h.misfit_pct for h in clear if h.misfit_pct is not None]
    shares = [h.unlike for h in clear if h.unlike is not None]
    if not misfits:
        return list(measured)
    misfit = max(float(np.median(misfits)), USUAL_MISFIT_PCT) * math.sqrt(STRAY_FACTOR)
    unlike = max(float(np.median(shares)), USUAL_UNLIKE) * STRAY_FACTOR
    kept = []
    for pair in measured:
        o = pair.offsets
        good = [h for h in o.hypotheses if (h.misfit_pct or 0.0) < misfit or (h.unlike or 0.0) < unlike]
        if len(good) < len(o.hypotheses):
            least = min((h.cost for h in good), default=0.0)
            good = [replace(h, cost=h.cost - least) for h in good]
            pair = Measured(replace(o, hypotheses=tuple(good)), pair.along if o.hypotheses[0] in good else None)
        kept.append(pair)
    return kept


def _first_pass(survey: _Survey, pairs: Pairs, model: StageModel, tick: Tick) -> list[Measured]:
    wide = _widths(model, WIDE_SIGMAS)
    chosen = set(spread_pairs(survey.grid, pairs))
    first = [pair for pair in pairs if pair in chosen]
    rest = [pair for pair in pairs if pair not in chosen]
    found: dict[tuple[int, int], Measured] = dict(
        zip(first, survey.measure(first, model, wide, tick), strict=True),
    )
    clear = [pair.offsets for pair in found.values() if is_clear(pair.offsets)]
    refined = fit_model(clear, survey.grid, model)
    narrow = _widths(refined, WIDE_SIGMAS)
    # Where few pairs are clear the others are hardly so either, and would be searched twice.
    if len(clear) < max(FEWEST_CLEAR, len(first) / 2) or max(n / w for n, w in zip(narrow, wide, strict=True)) > 0.75:
        found.update(zip(rest, survey.measure(rest, model, wide, tick), strict=True))
        return [found[pair] for pair in pairs]
    usual = float(np.median([offsets.hypotheses[0].correlation for offsets in clear]))
    found.update(zip(rest, survey.measure(rest, refined, narrow, tick), strict=True))
    open_pairs = [pair for pair in rest if not _settled(found[pair], narrow, usual)]
    found.update(_wider(found, open_pairs, survey.measure(open_pairs, refined, wide)))
    return [found[pair] for pair in pairs]


def _settled(pair: Measured, widths: tuple[int, int], usual: float) -> bool:
    """Whether a narrow search found the one place that there can be."""
    offsets = pair.offsets
    if len(offsets.hypotheses) != 1:
        return False
    only = offsets.hypotheses[0]
    away = abs(only.dx_px - offsets.predicted_px[0]), abs(only.dy_px - offsets.predicted_px[1])
    inside = all(a <= (1 - RIM_SHARE) * width for a, width in zip(away, widths, strict=True))
    return inside and only.correlation >= LEAST_SHARE * usual


def _wider(
    found: Mapping[tuple[int, int], Measured], pairs: Pairs, redone: Sequence[Measured]
) -> dict[tuple[int, int], Measured]:
    """What the wide search gave, unless only the narrow one, whose template is larger, found anything."""
    return {pair: wide if wide.offsets.hypotheses else found[pair] for pair, wide in zip(pairs, redone, strict=True)}


def _widths(model: StageModel, sigmas: float) -> tuple[int, int]:
    across, down = (8 * math.ceil(sigmas * max(sigma, 2.0) / 8) for sigma in model.sigma_px)
    return across, down


def spread_pairs(grid: Grid, pairs: Pairs) -> list[tuple[int, int]]:
    """The pairs within some blocks of two by two tiles; all, where there are few or no such blocks.

    Which blocks is drawn from their places alone: a set that grows keeps most of them, and what is remembered of their
    pairs stays of use.
    """
    tile = {cell: index for index, cell in enumerate(grid)}
    blocks = []
    for row, column in grid:
        corners = [tile.get((row + down, column + right)) for down in (0, 1) for right in (0, 1)]
        if None not in corners:
            blocks.append((zlib.crc32(f"{row},{column}".encode()), frozenset(corners)))
    drawn = [corners for _, corners in sorted(blocks, key=lambda block: block[0])[:BLOCKS]]
    chosen = [pair for pair in pairs if any(pair[0] in corners and pair[1] in corners for corners in drawn)]
    return chosen if len(drawn) == BLOCKS else list(pairs)
