"""Memory arrays, logic and fields of lines: rectangles of one texture."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from shapely.geometry import box as rectangle
from shapely.ops import unary_union

from dieplat.proposals.boxes import about, joined, parted, pieces_of, rectangles, refined
from dieplat.proposals.texture import (
    Repeats,
    Texture,
    dense_level,
    found_elsewhere,
    goes_on,
    lopsidedness,
    repeats_in_all,
)
from dieplat.proposals.values import Box, Image, Mask

LEAST_SIDE = 0.045
"""Fields are at least this part of the sheet's shorter side wide and high: drivers and buses are narrower."""
REPEATING = 0.6
"""Score of a window that repeats along both axes: cells have over 0.8, wiring by chance 0.3."""
WIDER_REPEATING = 0.85
"""The same on the sheet at half its size: there rows of analog parts reached 0.81 on invented dies, cells 0.9 and
more."""
IN_ALL = 0.3
"""Least score of a bank as one: meanders side by side reached 0.1, banks 0.8."""
GOING_ON = 0.3
"""Least agreement of what lies beyond a side of an array with its cells: drivers and ground reached 0.19 on invented
dies, banks half of which is dirt 0.4."""
PALE = 0.8
"""Edge density, in parts of what is asked of an array, from which a bank counts beside a denser one of its look, and an
array by itself that stands out."""
SURE, EMPTIER, BESIDE_PX = 1.07, 0.6, (4, 14)
"""An array of less than 1.07 of that density stands out: 4 to 14 px beyond two sides are under 0.6 of its edges, for
there is ground. Dummy metal, which reached 1.01 on invented dies, fills the room that blocks leave: what it ends at has
0.9 and more, on every side."""
ELSEWHERE = 0.25
"""Or it is nowhere else on the die: as much as this of its area may look like it. Dummy metal lies wherever there is
room: on 8 times the area of its largest rectangle, where pale arrays had 0.06."""
COVERED = 0.75
"""The median place of a bank has at least this part of its mean edge density: on 124 invented arrays it had 0.83 and
more, on plates with contacts, whose rims have most of the edges, up to 0.66."""
SPOTS = 1.6
"""Most skewness of a bank: cells had up to 1.23 on invented dies, contacts on an even plate 1.9 and more."""
HIDDEN = 0.75
"""Beyond a side of an array as much of it may lie hidden under dirt, in parts of its longer side."""
FILLED = 0.85
"""Banks fill at least this much of an array: the rest is straps."""
ONE_WAY = 0.80
"""Coherence from which a texture is made of lines along one way."""
FINGERS = 12
"""Lines along one way are a field from this many on."""
PATCH_PX, EVEN = 13, 0.4
"""Logic has edges across and edges along it everywhere: in small patches, of either the emptiest tenth has this part of
the usual one; so have its rows and columns."""
CROSSED = 5.0
"""Edges that a line across logic crosses at least: resistors and corners of buses have fewer one way."""
ONE_LOOK = 1.6
"""Most that quarters of logic differ in their means, in deviations within them: on invented dies they had up to 0.83,
drivers of an array with the ground beside them 2.8."""
GRAIN = 0.35
"""Contrast that is left after a blur of 1.5 px: of noise 1 / (2 sqrt(pi) 1.5) = 0.19 is, of wires more than half."""
GRID_PX = 4
"""Sheet pixels a cell of the maps in which dense fields are found."""


@dataclass(frozen=True, slots=True)
class Field:
    """A rectangle of one texture on the sheet, what it may be, and how sure that is."""

    kind: str
    box: Box
    confidence: float
    reason: str


def find_memories(
    pixels: Image, texture: Texture, found: Repeats, taken: Mask, *, repeating: float = REPEATING
) -> list[Field]:
    """Rectangles in which cells repeat along both axes; banks of the same cells that lie side by side are one."""
    if found.score.size == 0:
        return []
    step, short = found.step, min(pixels.shape[:2])
    strong = found.score > repeating
    offset = found.half - 0.5 * step
    least = max(2, round((LEAST_SIDE * short - 0.5 * found.half) / step))
    level = dense_level(texture)
    banks: list[tuple[Box, float, float]] = []
    for cell in rectangles(strong, least_side=least):
        rough = Box(*(value * step + offset for value in (cell.x0, cell.y0, cell.x1, cell.y1)))
        box = refined(rough, pixels, texture, reach=round(1.2 * found.half))
        if _share(taken, box) > 0.1 or box.short < LEAST_SIDE * short:
            continue
        # Contacts and dummy metal repeat as well, but leave most of the ground bare.
        edges = texture.energy[box.cut()]
        density, bank = float(edges.mean()) / level, pixels[box.cut()]
        covered = np.median(edges) > COVERED * edges.mean() and lopsidedness(bank) < SPOTS
        if density > PALE and covered and repeats_in_all(bank) > IN_ALL:
            banks.append((box, float(np.median(found.score[cell.cut()])), density))
    groups: list[tuple[Box, float, float, int]] = []
    gap = round(1.5 * found.half)
    for box, score, density, count in _together(pixels, banks, gap):
        reach = round(HIDDEN * max(box.width, box.height))
        whole = _gone_on(pixels, box, refined(box, pixels, texture, reach=reach, gap=gap))
        groups.append((whole if _share(taken, whole) <= 0.1 else box, score, density, count))
    fields, side = [], round(0.9 * found.half)
    for box, score, density, count in _largest(groups):
        if density < SURE and emptier_sides(texture, box) < 2 and found_elsewhere(pixels, box, side) > ELSEWHERE:
            continue
        confidence = 0.45 + 0.25 * min(score, 1.2) + 0.2 * min(density - 1.0, 1.0)
        parts = f" in {count} banks" if count > 1 else ""
        reason = f"cells repeat along both axes{parts} (autocorrelation {min(score, 1.0):.2f})"
        fields.append(Field("memory_array", box, min(confidence, 0.95), reason))
    return fields


def _together(pixels: Image, banks: list[tuple[Box, float, float]], gap: float) -> list[tuple[Box, float, float, int]]:
    """Join banks of the same look, up to `gap` apart, where banks fill the rectangle about two of them."""
    groups = [(box, score, density, 1) for box, score, density in banks]
    again = True
    while again:
        again = False
        for i in range(len(groups)):
            for j in range(i):
                one, other = groups[i], groups[j]
                both = about(one[0], other[0])
                if max(_apart(one[0], other[0])) >= gap or not alike(pixels, one[0], other[0]):
                    continue
                whole = {
                    _level(pixels, one[0], other[0]),
                    _level(pixels, other[0], one[0]),
                    *(bank[0] for bank in banks),
                }
                if _covered(both, whole) > FILLED:
                    joint = (both, min(one[1], other[1]), max(one[2], other[2]), one[3] + other[3])
                    groups = [group for k, group in enumerate(groups) if k not in (i, j)] + [joint]
                    again = True
                    break
            if again:
                break
    return groups


def _gone_on(pixels: Image, box: Box, wider: Box) -> Box:
    """An array with those of its sides moved out to a wider box's up to which its cells go on."""
    inside = pixels[box.cut()]

    def followed(added: Box, *, turned: bool, before: bool) -> bool:
        """Whether the cells go on in what lies on one side, looked at as if it were the right one."""
        pair = [part.transpose(1, 0, 2) if turned else part for part in (inside, pixels[added.cut()])]
        pair = [part[:, ::-1] if before else part for part in pair]
        return min(pair[1].shape[:2]) > 0 and goes_on(pair[0], pair[1]) > GOING_ON

    left, right = Box(wider.x0, box.y0, box.x0, box.y1), Box(box.x1, box.y0, wider.x1, box.y1)
    above, below = Box(box.x0, wider.y0, box.x1, box.y0), Box(box.x0, box.y1, box.x1, wider.y1)
    return Box(
        left.x0 if followed(left, turned=False, before=True) else box.x0,
        above.y0 if followed(above, turned=True, before=True) else box.y0,
        right.x1 if followed(right, turned=False, before=False) else box.x1,
        below.y1 if followed(below, turned=True, before=False) else box.y1,
    )


def _largest(groups: list[tuple[Box, float, float, int]]) -> list[tuple[Box, float, float, int]]:
    """Without parts of one that were seen by themselves too."""
    groups.sort(key=lambda group: -group[0].area)
    kept: list[tuple[Box, float, float, int]] = []
    for group in groups:
        if all(group[0].shared(larger[0]) < 0.5 * group[0].area for larger in kept):
            kept.append(group)
    return kept


def emptier_sides(texture: Texture, box: Box) -> int:
    """Beyond how many sides of a box there are far fewer edges than in it."""
    strength = np.sqrt(texture.xx + texture.yy)
    near, far = BESIDE_PX
    beside = (
        Box(box.x0 - far, box.y0, box.x0 - near, box.y1),
        Box(box.x1 + near, box.y0, box.x1 + far, box.y1),
        Box(box.x0, box.y0 - far, box.x1, box.y0 - near),
        Box(box.x0, box.y1 + near, box.x1, box.y1 + far),
    )
    parts = [strength[part.cut()] for part in beside]
    limit = EMPTIER * float(strength[box.cut()].mean())
    return sum(part.size > 0 and float(part.mean()) < limit for part in parts)


def _level(pixels: Image, one: Box, other: Box) -> Box:
    """A bank made as long as the one beside it where what is added looks like it: a scratch may have cut it short."""
    across, down = _apart(one, other)
    if across > down:
        longer = Box(one.x0, min(one.y0, other.y0), one.x1, max(one.y1, other.y1))
        added = [Box(one.x0, longer.y0, one.x1, one.y0), Box(one.x0, one.y1, one.x1, longer.y1)]
    else:
        longer = Box(min(one.x0, other.x0), one.y0, max(one.x1, other.x1), one.y1)
        added = [Box(longer.x0, one.y0, one.x0, one.y1), Box(one.x1, one.y0, longer.x1, one.y1)]
    return longer if all(part.short < 3.0 or alike(pixels, one, part) for part in added) else one


def _covered(whole: Box, parts: Iterable[Box]) -> float:
    """Part of a rectangle that others cover together."""
    shape = unary_union([rectangle(part.x0, part.y0, part.x1, part.y1) for part in parts])
    seen = rectangle(whole.x0, whole.y0, whole.x1, whole.y1).intersection(shape)
    return float(seen.area) / max(whole.area, 1e-9)


def _apart(one: Box, other: Box) -> tuple[float, float]:
    """Gap between two boxes along x and along y, negative where they overlap."""
    return (
        max(one.x0, other.x0) - min(one.x1, other.x1),
        max(one.y0, other.y0) - min(one.y1, other.y1),
    )


def alike(pixels: Image, one: Box, other: Box) -> bool:
    """Whether two boxes have nearly the same levels: the same cells under the same light."""
    looks = []
    for box in (one, other):
        part = pixels[box.cut()]
        looks.append(np.concatenate([part.mean(axis=(0, 1)), part.std(axis=(0, 1))]))
    return bool(
        np.abs(looks[0] - looks[1]).max() < 0.35 * max(float(looks[0][len(looks[0]) // 2 :].max()), 0.05) + 0.15
    )


def find_dense(pixels: Image, texture: Texture, found: Sequence[Repeats], taken: Mask) -> list[Field]:
    """Rectangles full of edges: irregular ones are logic; lines along one way are told as such."""
    height, width = pixels.shape[:2]
    short = min(height, width)
    size = (width // GRID_PX, height // GRID_PX)

    def coarse(part: Image) -> Image:
        cut = np.ascontiguousarray(part[: size[1] * GRID_PX, : size[0] * GRID_PX], dtype=np.float32)
        return np.asarray(cv2.resize(cut, size, interpolation=cv2.INTER_AREA), dtype=np.float32)

    energy, coherence = coarse(texture.energy), coarse(texture.coherence)
    free = coarse(taken.astype(np.float32)) < 0.5
    dense = energy > dense_level(texture, taken)
    least = LEAST_SIDE * short
    lines = cv2.morphologyEx((coherence > ONE_WAY).astype(np.uint8), cv2.MORPH_OPEN, np.ones((5, 5), np.uint8)).astype(
        bool
    )
    # What is known already is no part of a dense field beside it.
    bare = replace(texture, xx=np.where(taken, 0.0, texture.xx), yy=np.where(taken, 0.0, texture.yy))
    candidates: list[Field] = []
    for one_way in (False, True):
        closed = dense & free & (lines == one_way)
        least_cells = max(3, round(least / GRID_PX))
        pieces, filled = pieces_of(closed, least_side=least_cells)
        pieces = [piece for piece in pieces if piece.short >= least_cells]

        def fields_of(cell: Box, one_way: bool = one_way) -> list[Field]:
            whole = Box(*(float(value * GRID_PX) for value in (cell.x0, cell.y0, cell.x1, cell.y1)))
            # Streets bound wired blocks; what lies beyond one is a piece of its own.
            boxes = (
                [refined(whole, pixels, texture, reach=4 * GRID_PX)]
                if one_way
                else _outlined(whole.grown(4 * GRID_PX, width, height), bare, least)
            )
            boxes = [box for box in boxes if _share(taken, box) <= 0.1 and box.short >= least]
            told = [
                _finger_field(texture, box) if one_way else _logic_field(pixels, texture, found, box) for box in boxes
            ]
            return [field for field in told if field is not None]

        for cell in joined(pieces, filled):
            whole = fields_of(cell)
            # What was joined across a step of the outline is no one rectangle, but its pieces may be.
            parts = [] if whole else [piece for piece in pieces if piece != cell and piece.shared(cell) == piece.area]
            candidates += [*whole, *(field for part in parts for field in fields_of(part))]
    candidates.sort(key=lambda field: -field.box.area)
    fields: list[Field] = []
    for field in candidates:
        if all(field.box.shared(other.box) < 0.3 * min(field.box.area, other.box.area) for other in fields):
            fields.append(field)
    return fields


def _outlined(box: Box, texture: Texture, least: float) -> list[Box]:
    """The pieces between streets, their sides moved to where edges begin once more without what lay beside them."""
    pieces = parted(box, texture, least)
    return [part for piece in pieces for part in parted(piece, texture, least)]


def _logic_field(pixels: Image, texture: Texture, found: Sequence[Repeats], box: Box) -> Field | None:
    rows, columns = box.cut()
    across, down = texture.xx[rows, columns], texture.yy[rows, columns]
    strength = np.sqrt(across + down)
    evenness = _evenness(strength)
    # Where bands of lines cross, as at a corner of a ring, edges are everywhere too, but not both ways.
    if min(_evenness(np.sqrt(across)), _evenness(np.sqrt(down))) < EVEN:
        return None
    # Lines of writing have bare ground above and below.
    if min(_fullness(strength), _fullness(strength.T)) < EVEN:
        return None
    along = float(across.sum()), float(down.sum())
    mixed = min(along) / max(max(along), 1e-9)
    repeat = max(_median_score(one, box) for one in found)
    inner = np.ascontiguousarray(pixels[rows, columns])
    if float(cv2.GaussianBlur(inner, (0, 0), 1.5).std()) < GRAIN * float(inner.std()):
        return None
    if min(_crossed(strength), _crossed(strength.T)) < CROSSED:
        return None
    if max(_unlike(inner), _unlike(inner.transpose(1, 0, 2))) > ONE_LOOK:
        return None
    if mixed < 0.12 or repeat > REPEATING:
        return None
    confidence = 0.35 + 0.35 * min(evenness / 0.7, 1.0) + 0.15 * min(mixed / 0.4, 1.0) - 0.3 * max(repeat - 0.3, 0.0)
    reason = f"dense edges both ways (evenness {evenness:.2f}) that do not repeat"
    return Field("logic", box, float(np.clip(confidence, 0.1, 0.85)), reason)


def _evenness(strength: Image) -> float:
    """Edges in the emptiest tenth of small patches, as a part of the median patch's; 0 where there are few patches."""
    middles = slice(PATCH_PX // 2, None, PATCH_PX)
    patches = cv2.blur(np.ascontiguousarray(strength), (PATCH_PX, PATCH_PX))[middles, middles]
    if patches.size < 9:
        return 0.0
    return float(np.percentile(patches, 10.0) / max(float(np.median(patches)), 1e-9))


def _fullness(strength: Image) -> float:
    """Edges along the emptiest tenth of rows, as a part of the median row's."""
    rows = strength.mean(axis=1)
    return float(np.percentile(rows, 10.0) / max(float(np.median(rows)), 1e-9))


def _unlike(part: Image) -> float:
    """How far quarters (the upper, ..., the lowest) differ in the means of a channel, in deviations within them."""
    quarters = [quarter.reshape(-1, part.shape[2]) for quarter in np.array_split(part, 4, axis=0)]
    means = np.array([quarter.mean(axis=0) for quarter in quarters])
    within = np.sqrt(np.mean([quarter.var(axis=0) for quarter in quarters], axis=0))
    return float((np.ptp(means, axis=0) / np.maximum(within, 1e-9)).max())


def _crossed(strength: Image) -> float:
    """How many edges a row crosses, on average."""
    high = strength > 0.6 * float(strength.mean())
    return float(np.count_nonzero(high[:, 1:] & ~high[:, :-1])) / max(len(high), 1)


def _finger_field(texture: Texture, box: Box) -> Field | None:
    rows, columns = box.cut()
    xx, yy = texture.xx[rows, columns], texture.yy[rows, columns]
    upright = float(xx.sum()) > float(yy.sum())
    profile = np.sqrt(xx if upright else yy).mean(axis=0 if upright else 1)
    # A line has two edges.
    high = profile > 0.5 * float(np.percentile(profile, 90.0))
    lines = 0.5 * float(np.count_nonzero(high[1:] & ~high[:-1]))
    if lines < FINGERS:
        return None
    reason = f"about {lines:.0f} straight lines side by side: perhaps a power switch, perhaps resistors"
    return Field("other", box, 0.3, reason)


def _median_score(found: Repeats, box: Box) -> float:
    step, offset = found.step, found.half - 0.5 * found.step
    inner = Box(box.x0 - offset, box.y0 - offset, box.x1 - offset, box.y1 - offset)
    part = found.score[inner.cut(step)]
    return float(np.median(part)) if part.size else 0.0


def _share(mask: Mask, box: Box) -> float:
    part = mask[box.cut()]
    return float(part.mean()) if part.size else 1.0
