"""How many whole cells every bank holds along one axis, by its edges and by what its neighbours hold."""

from __future__ import annotations

import math
from collections.abc import Sequence

from dieplat.errors import UndecidedError
from dieplat.measurement.arrays_banks import Extent

SLACK = 0.1
"""Cells by which a bank's edges may miss a whole number of them."""
MIDDLE = 0.15
"""Where several whole numbers fit, or are missed by less than `BESIDE`, the middle must lie this near to one: then both
ends look like the gap alike. At 0.26 and at 0.41 invented banks were counted a cell short."""
BESIDE = 0.2
"""Cells by which a bank's edges may miss a whole number that its neighbours hold; the next whole number must be missed
by twice as much. On invented arrays a strap's rim that looks like the cells' own pulled edges that far."""

Counted = tuple[int, float, str | None]


def counts(extents: Sequence[Extent], samples: float, axis: str, *, counted: bool = True) -> list[Counted]:
    """Whole cells of every bank, the place of its first edge, and a remark; a cell is `samples` long.

    Where they are not `counted`, the nearest whole number is taken.

    Raises
    ------
    UndecidedError
        If a bank's edges leave its count open, and its neighbours do not settle it.
    """
    if not counted:
        whole = [max(1, round(sum(extent.cells_between(samples)) / 2)) for extent in extents]
        return [(n, _first_edge(extent, n * samples), None) for n, extent in zip(whole, extents, strict=True)]
    found: list[Counted | UndecidedError] = []
    for extent in extents:
        try:
            found.append(_count(extent, samples, axis))
        except UndecidedError as error:
            found.append(error)
    sure = {one[0] for one in found if not isinstance(one, UndecidedError)}
    settled = []
    for extent, one in zip(extents, found, strict=True):
        if isinstance(one, UndecidedError):
            if len(sure) != 1:
                raise one
            settled.append(_as_beside(extent, samples, axis, next(iter(sure)), one))
        else:
            settled.append(one)
    return settled


def _as_beside(extent: Extent, samples: float, axis: str, count: int, error: UndecidedError) -> Counted:
    low, high = extent.cells_between(samples)

    def missed(cells: int) -> float:
        return max(low - cells, cells - high, 0.0)

    # A bank that the outline cuts through may hold any number.
    cut = extent.cut
    if cut or missed(count) > BESIDE:
        raise error
    if missed(count) > SLACK and 2 * missed(count) > min(missed(count - 1), missed(count + 1)):
        raise error
    remark = f"a bank spans {(low + high) / 2:.2f} cells along {axis}; counted as {count}, as many as all others hold"
    return count, _first_edge(extent, count * samples), remark


def _count(extent: Extent, samples: float, axis: str) -> tuple[int, float, str | None]:
    """Whole cells in an extent, the place of its first edge, and a remark."""
    low, high = extent.cells_between(samples)
    middle = (low + high) / 2
    near = range(max(1, math.floor(low) - 1), math.ceil(high) + 2)
    fitting = [k for k in near if low - SLACK <= k <= high + SLACK]
    remark = None
    if fitting:
        count = min(fitting, key=lambda k: abs(k - middle))
        # Edges may be pulled further than whole numbers are missed: what is only just missed is a rival.
        rivals = [k for k in near if low - BESIDE <= k <= high + BESIDE]
        if len(rivals) > 1 and abs(count - middle) > MIDDLE:
            raise UndecidedError(
                f"memory array: the ends of a bank along {axis} look like its gaps, so it holds "
                f"{rivals[0]} or {rivals[-1]} cells; draw the polygon with a small margin, or count by eye"
            )
    else:
        count = max(1, round(middle))
        if abs(middle - count) > 0.3:
            cause = "the polygon cuts through it" if extent.cut else "its edges are unclear"
            raise UndecidedError(
                f"memory array: a bank spans {middle:.2f} cells along {axis}, not a whole number ({cause}); "
                "draw the polygon a few pixels outside the cells"
            )
        remark = f"a bank spans {middle:.2f} cells along {axis}; counted as {count}"
    if extent.cut:
        remark = remark or f"the polygon ends on cells along {axis}; cells beyond it are not counted"
    first = _first_edge(extent, count * samples)
    return count, first, remark


def _first_edge(extent: Extent, length: float) -> float:
    low = max(extent.start[0], extent.stop[0] - length)
    high = min(extent.start[1], extent.stop[1] - length)
    return (low + high) / 2
