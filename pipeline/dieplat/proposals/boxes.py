"""From maps to rectangles: the largest ones first, then each side moved to where the texture changes."""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

from dieplat.compiled import compiled
from dieplat.proposals.texture import Texture
from dieplat.proposals.values import Box, Floats, Image, Mask

MERGED = 0.88
"""Two boxes are one when the mask covers this much of the rectangle about both."""
STREET = 0.5
"""A row or column of the mask that is less full than this is a street, which parts blocks."""
BARE, STREET_PX = 0.5, 3
"""A street is at least so many pixels wide, and its mean gradient (`parted`: that along it) is under this part of the
usual one."""
LINE_PX, DOT_PX = 2, 5
"""Dummy metal in a street stands in rows of up to 5 px, with bare lines of 2 px and more between."""
STRAP_PX = 6
"""Between two pieces a bare line of up to so many pixels is a strap."""
BAND_PX, BANDS = 10, 9
"""A column is looked at in bands of so many pixels at least, and so many at most: dirt reaches a few of them."""
SMOOTH_PX = 5
"""Columns that are averaged before their distance from the inside is taken."""
FAR = 2.0
"""Distance from the inside, in deviations of the inside's own columns, from which a column is no part of it."""

INNER_PX, OUTER_PX, STEP_PX = 3, 7, 3
"""Smoothing and gradients blur a side: the step itself lies from 3 px within to 7 px beyond where they put it, and is 3
px wide at most."""


@compiled
def largest_rectangle(mask: npt.NDArray[np.uint8]) -> tuple[int, int, int, int]:
    """(x0, y0, x1, y1) of the largest all-true rectangle, ends excluded; four zeros where nothing is true.

    Row by row with the heights of the columns above and a stack (a classic; from memory).
    """
    rows, columns = mask.shape
    height = np.zeros(columns + 1, dtype=np.int64)
    starts = np.zeros(columns + 2, dtype=np.int64)
    heights = np.zeros(columns + 2, dtype=np.int64)
    best, x0, y0, x1, y1 = 0, 0, 0, 0, 0
    for row in range(rows):
        for column in range(columns):
            height[column] = height[column] + 1 if mask[row, column] else 0
        top = 0
        for column in range(columns + 1):
            start = column
            while top > 0 and heights[top - 1] >= height[column]:
                top -= 1
                start = starts[top]
                area = heights[top] * (column - start)
                if area > best:
                    best, x0, x1 = area, start, column
                    y0, y1 = row + 1 - heights[top], row + 1
            starts[top], heights[top] = start, height[column]
            top += 1
    return x0, y0, x1, y1


def rectangles(mask: Mask, *, least_side: int) -> list[Box]:
    """Cover a mask with rectangles; parts narrower than `least_side` are left out.

    Small holes (dirt) are filled before; neighbours that a fault in the mask has parted are joined again.
    """
    found, filled = pieces_of(mask, least_side=least_side)
    return [box for box in joined(found, filled) if box.short >= least_side]


def pieces_of(mask: Mask, *, least_side: int) -> tuple[list[Box], Mask]:
    """The rectangles before any are joined, the largest first, and the mask without small holes."""
    filled = _without_holes(mask, least_side * least_side // 2)
    left = filled.astype(np.uint8).copy()
    found: list[Box] = []
    for _ in range(60):
        x0, y0, x1, y1 = largest_rectangle(left)
        if (x1 - x0) * (y1 - y0) < least_side * least_side // 2:
            break
        left[y0:y1, x0:x1] = 0
        if min(x1 - x0, y1 - y0) >= 2:
            found.append(Box(x0, y0, x1, y1))
    return found, filled


def _without_holes(mask: Mask, largest: int) -> Mask:
    """Holes of up to `largest` cells filled."""
    count, labels, stats, _ = cv2.connectedComponentsWithStats((~mask).astype(np.uint8), connectivity=4)
    small = np.zeros(count, dtype=bool)
    small[1:] = stats[1:, cv2.CC_STAT_AREA] <= largest
    return np.asarray(mask | small[labels])


def joined(boxes: list[Box], mask: Mask) -> list[Box]:
    """Join boxes, pair by pair, as long as the mask fills the rectangle about two of them and no street parts it."""
    boxes = list(boxes)
    again = True
    while again:
        again = False
        for i in range(len(boxes)):
            for j in range(i):
                both = about(boxes[i], boxes[j])
                part = mask[both.cut()]
                if part.mean() >= MERGED and min(part.mean(axis=0).min(), part.mean(axis=1).min()) > STREET:
                    boxes = [box for k, box in enumerate(boxes) if k not in (i, j)] + [both]
                    again = True
                    break
            if again:
                break
    return boxes


def parted(box: Box, texture: Texture, least: float) -> list[Box]:
    """Cut a box along the streets that cross it from side to side; pieces narrower than `least` are left out.

    A street is a run of rows (columns) along which little changes: their mean gradient along themselves is under `BARE`
    of the usual one. Lines that run along a street, such as those of a ring or a bus, so are part of it; rows of dummy
    metal between bare lines are, too.
    """
    for turned in (False, True):
        along = (texture.yy if turned else texture.xx)[box.cut()]
        profile = np.sqrt(along).mean(axis=0 if turned else 1)
        if len(profile) < 3:
            return []
        bare = np.concatenate([[False], profile < BARE * np.median(profile), [False]])
        ends = np.flatnonzero(bare[1:] != bare[:-1]).reshape(-1, 2)
        lines = [(int(a), int(b)) for a, b in ends if b - a >= LINE_PX]
        streets = [(a, b) for a, b in _runs(lines, DOT_PX) if b - a >= STREET_PX]
        if not streets:
            continue
        start = round(box.x0 if turned else box.y0)
        cuts = [0, *(value for street in streets for value in street), len(profile)]
        pieces = [(start + a, start + b) for a, b in zip(cuts[::2], cuts[1::2], strict=True) if b - a > STRAP_PX]
        # Pieces that only a narrow bare line parts are one: it is a strap, no street.
        pieces = [(a, b) for a, b in _runs(pieces, STRAP_PX) if b - a >= least]
        boxes = [Box(a, box.y0, b, box.y1) if turned else Box(box.x0, a, box.x1, b) for a, b in pieces]
        if boxes == [box]:
            continue
        return [part for piece in boxes for part in parted(piece, texture, least)]
    return [box] if box.short >= least else []


def _runs(pieces: list[tuple[int, int]], gap: int) -> list[tuple[int, int]]:
    """Intervals in order, those joined that lie up to `gap` apart."""
    whole: list[tuple[int, int]] = []
    for a, b in pieces:
        if whole and a - whole[-1][1] <= gap:
            whole[-1] = (whole[-1][0], b)
        else:
            whole.append((a, b))
    return whole


def about(one: Box, other: Box) -> Box:
    """The rectangle about two boxes."""
    return Box(min(one.x0, other.x0), min(one.y0, other.y0), max(one.x1, other.x1), max(one.y1, other.y1))


def refined(box: Box, pixels: Image, texture: Texture, *, reach: int, gap: int | None = None) -> Box:
    """Move every side by up to `reach` to where columns (rows) stop looking like those inside.

    Their look is means and spreads of the channels and of the gradient, the medians over bands along the side; their
    distance from the inside counts in deviations of the inside. A side lies where the sum of (FAR - distance), from
    inside out, is greatest, and not beyond `gap` of them that all look otherwise; then at the step nearby.
    """
    stack = np.concatenate([pixels, np.sqrt(texture.xx)[..., None], np.sqrt(texture.yy)[..., None]], axis=2)
    height, width = pixels.shape[:2]
    gap = gap or reach
    x0, x1 = _sides(stack, box, reach, gap, width)
    turned = _sides(stack.transpose(1, 0, 2), Box(box.y0, box.x0, box.y1, box.x1), reach, gap, height)
    return Box(x0, turned[0], x1, turned[1])


def _looks(part: Image) -> Floats:
    """Means and spreads of every column and channel, (columns, 2 channels): the medians of those of bands."""
    count = min(max(part.shape[0] // BAND_PX, 1), BANDS)
    bands = np.array_split(part, count, axis=0)
    means, spreads = (np.median([of(band, axis=0) for band in bands], axis=0) for of in (np.mean, np.std))
    return np.concatenate([means, spreads], axis=1).astype(np.float64)


def _sides(stack: Image, box: Box, reach: int, gap: int, size: int) -> tuple[float, float]:
    a, b = round(box.x0), round(box.x1)
    trim = 0.1 * box.height
    rows = slice(max(int(box.y0 + trim), 0), max(int(box.y1 - trim), int(box.y0 + trim) + 1))
    low, high = max(a - reach, 0), min(b + reach, size)
    columns = _looks(stack[rows, low:high])
    plain = _looks(stack[rows, low:high, :-2])
    kernel = np.ones(SMOOTH_PX) / SMOOTH_PX
    padded = np.pad(columns, ((SMOOTH_PX // 2, SMOOTH_PX // 2), (0, 0)), mode="edge")
    columns = np.stack([np.convolve(line, kernel, mode="valid") for line in padded.T], axis=1)
    inset = min(reach, (b - a) // 4)
    start, stop = a - low + inset, b - low - inset
    if stop - start < 4:
        return box.x0, box.x1
    inside = columns[start:stop]
    middle = np.median(inside, axis=0)
    spread = 1.4826 * np.median(np.abs(inside - middle), axis=0) + 0.03 * float(np.abs(middle).mean()) + 0.02
    before, after = (
        _last_alike(_distances(outer, within, spread, 2 * reach), gap)
        for outer, within in ((columns[:start][::-1], inside[::-1]), (columns[stop:], inside))
    )
    first = stop - _at_the_step(plain[:stop][::-1], stop - start + before, 2 * reach)
    last = start + _at_the_step(plain[start:], stop - start + after, 2 * reach)
    return low + first, low + last


def _at_the_step(columns: Floats, edge: int, count: int) -> float:
    """Where columns, from inside out, change nearest to `edge`, or `edge` where no change is clear.

    A column's distance from the inside is that from the nearest of the last `count` columns in it, so that every part
    of a cell counts as inside. The change is half-way to the first columns that are farther than those are apart.
    """
    inside, nearby = columns[max(edge - INNER_PX - count, 0) : edge - INNER_PX], edge - INNER_PX
    if nearby < 2 * SMOOTH_PX:
        return float(edge)
    apart = np.linalg.norm(inside[:, None] - inside[None], axis=2)
    number = np.arange(len(inside))
    apart[np.abs(number[:, None] - number[None]) <= 1] = np.inf
    usual = float(np.percentile(apart.min(axis=1), 90.0))
    there = columns[nearby : edge + OUTER_PX]
    distance = np.linalg.norm(there[:, None] - inside[None], axis=2).min(axis=1)
    beyond = np.flatnonzero(distance > 3.0 * usual)
    if not len(beyond):
        return float(edge)
    half = 0.5 * float(distance[beyond[0] : beyond[0] + STEP_PX].max())
    after = int(np.argmax(distance >= half))
    before = distance[after - 1] if after else 0.0
    return float(nearby + after + 0.5 - (distance[after] - half) / max(distance[after] - before, 1e-9))


def _distances(columns: Floats, within: Floats, spread: Floats, count: int) -> Floats:
    """How far columns, from inside out, are from the last `count` alike before them: deviations, at most `3 FAR`.

    Light and films change slowly all over a die, by more within a block than its columns scatter.
    """
    last = within[-count:]
    middle = np.median(last, axis=0)
    distances = np.empty(len(columns))
    for number, column in enumerate(columns):
        distances[number] = (np.abs(column - middle) / spread).max()
        if distances[number] <= FAR:
            last = np.concatenate([last[1:], column[None]])
            middle = np.median(last, axis=0)
    return np.minimum(distances, 3.0 * FAR)


def _last_alike(distance: Floats, gap: int) -> int:
    """How many columns from inside out still belong to the inside, by their distance from it."""
    unlike = np.convolve(distance > FAR, np.ones(gap), mode="valid") if len(distance) >= gap else np.zeros(0)
    ends = np.flatnonzero(unlike > gap - 0.5)
    total = np.cumsum(FAR - distance[: ends[0] if len(ends) else None])
    return int(np.argmax(total)) + 1 if len(total) and total.max() > 0 else 0
