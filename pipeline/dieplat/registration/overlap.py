"""What is measured where two tiles overlap, each thing once: this run's answers and an earlier one's are alike."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt

from dieplat.registration.correlate import Image
from dieplat.registration.optics import offsets_along
from dieplat.registration.pair import measure_pair, settled, support_near
from dieplat.registration.pixels import PixelCache, Rows, Strips
from dieplat.registration.stage import is_clear
from dieplat.values.offsets import Hypothesis, PairOffsets


@dataclass(frozen=True, slots=True, eq=False)
class Measured:
    """A pair's offsets and, where asked for, those of windows along its overlap (see `optics.offsets_along`)."""

    offsets: PairOffsets
    along: npt.NDArray[np.float64] | None = None


def measure_overlap(
    pair: tuple[int, int],
    *,
    cache: PixelCache,
    predicted: tuple[float, float],
    shape: tuple[int, int],
    search: tuple[int, int],
    with_windows: bool = False,
) -> Measured:
    """Every plausible offset of a pair near a prediction; of clear pairs also how it changes along the overlap."""
    view = view_overlap(pair, cache, predicted, shape, search)
    if view is None:
        return Measured(PairOffsets(*pair, (), predicted))
    offsets = PairOffsets(*pair, view.hypotheses(), predicted)
    if not with_windows or not is_clear(offsets):
        return Measured(offsets)
    return Measured(offsets, view.windows(offsets, shape))


def view_overlap(
    pair: tuple[int, int],
    cache: PixelCache,
    predicted: tuple[float, float],
    shape: tuple[int, int],
    search: tuple[int, int],
) -> PairView | None:
    """The overlap to search, or None if there is next to none."""
    # A coarse grid of places to search about: a stage model that changes by a hair asks the same question again, and
    # finds its answer kept. An eighth of the search is small against it.
    steps = [max(1, width // 4) for width in search]
    about = steps[0] * round(predicted[0] / steps[0]), steps[1] * round(predicted[1] / steps[1])
    overlap_x, overlap_y = shape[1] - abs(about[0]), shape[0] - abs(about[1])
    # At least half of the overlap stays as the template, however uncertain the stage is.
    bounded = (min(search[0], overlap_x // 4), min(search[1], overlap_y // 4))
    return PairView(pair, cache, about, bounded) if min(bounded) >= 1 else None


def _as_row(h: Hypothesis) -> list[float]:
    """As numbers that JSON can keep; what is not known is negative."""
    likeness = [-1.0 if value is None else value for value in (h.misfit_pct, h.unlike)]
    return [h.dx_px, h.dy_px, h.correlation, h.cost, *map(float, h.cov_px2), *likeness]


def _from_row(row: Sequence[float]) -> Hypothesis:
    dx, dy, correlation, cost, xx, xy, yy, *likeness = row
    misfit, unlike = (None if value < 0 else value for value in likeness)
    return Hypothesis(dx, dy, correlation, cost, (xx, xy, yy), misfit, unlike)


class PairView:
    """The strips of a pair, cut when first needed, and what is measured on them, as rows of numbers."""

    def __init__(
        self, pair: tuple[int, int], cache: PixelCache, about: tuple[int, int], search: tuple[int, int]
    ) -> None:
        self._pair, self._cache, self._about, self._search = pair, cache, about, search

    @cached_property
    def _strips(self) -> Strips:
        return self._cache.strips(*self._pair, self._about, self._search)

    def hypotheses(self) -> tuple[Hypothesis, ...]:
        """What `pair.measure_pair` gives."""
        rows = self._cache.remembered("offsets", self._pair, [self._about, self._search], self._measure)
        return tuple(_from_row(row) for row in rows)

    def _measure(self) -> Rows:
        x, y = self._strips.b_from_a
        about = self._about[0] + x, self._about[1] + y
        found = measure_pair(self._strips.a, self._strips.b, predicted_px=about, search_px=self._search)
        places = [replace(h, dx_px=h.dx_px - x, dy_px=h.dy_px - y) for h in found]
        return [_as_row(h) for h in settled(places, self._shared)]

    def _shared(self, offset_px: tuple[int, int]) -> tuple[Image, Image] | None:
        shared = self._cache.shared(*self._pair, offset_px)
        return None if shared is None else (shared.a, shared.b)

    def support(self) -> float:
        """What `pair.support_near` gives."""

        def measure() -> Rows:
            strips, (x, y) = self._strips, self._strips.b_from_a
            about = self._about[0] + x, self._about[1] + y
            return [[support_near(strips.a, strips.b, predicted_px=about, search_px=self._search)]]

        rows = self._cache.remembered("support", self._pair, [self._about, self._search], measure)
        return float(rows[0][0])

    def windows(self, offsets: PairOffsets, shape: tuple[int, int]) -> npt.NDArray[np.float64]:
        """What `optics.offsets_along` gives."""

        def measure() -> Rows:
            best = offsets.hypotheses[0]
            shared = self._cache.shared(*self._pair, (round(best.dx_px), round(best.dy_px)))
            if shared is None:
                return []
            rows: Rows = offsets_along(shared.a, shared.b, offsets, corner_px=shared.a_px, shape=shape).tolist()
            return rows

        rows = self._cache.remembered("windows", self._pair, [self._about, self._search], measure)
        return np.array(rows, dtype=np.float64)
