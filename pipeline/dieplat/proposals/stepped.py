"""Blocks with steps in their outline: rectangles of one texture that touch, as one polygon."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from shapely.geometry import Polygon, box
from shapely.geometry.base import BaseGeometry
from shapely.ops import unary_union

from dieplat.proposals.boxes import BARE, STREET_PX, about
from dieplat.proposals.fields import Field, alike
from dieplat.proposals.values import Box, Floats, Image

SEAM_PX = 4.0
"""Rectangles of one block lie this near to one another: finding them moves their sides by a pixel or two."""
TOUCHING = 0.5
"""Part of the shorter one's side along which they touch."""
RECTANGLE = 0.95
"""From this part of the rectangle about all of them on they are that rectangle."""
LOOK_PX = 10
"""How far to either side of a seam a street is looked for."""


@dataclass(frozen=True, slots=True, eq=False)
class Stepped:
    """A field and its outline (N, 2) on the sheet, four corners or more."""

    field: Field
    outline: Floats


def with_steps(fields: Sequence[Field], pixels: Image, strength: Image) -> list[Stepped]:
    """Join fields of one kind that touch and look alike, with no street between them."""
    groups: list[list[Field]] = [[field] for field in fields]
    again = True
    while again:
        again = False
        for i in range(len(groups)):
            for j in range(i):
                pairs = [(one, other) for one in groups[i] for other in groups[j]]
                if any(_one_block(one, other, pixels, strength) for one, other in pairs):
                    groups = [g for k, g in enumerate(groups) if k not in (i, j)] + [groups[j] + groups[i]]
                    again = True
                    break
            if again:
                break
    return [_stepped(group) for group in groups]


def _one_block(one: Field, other: Field, pixels: Image, strength: Image) -> bool:
    if one.kind != other.kind or one.kind == "other":
        return False
    across = max(one.box.x0, other.box.x0) - min(one.box.x1, other.box.x1)
    down = max(one.box.y0, other.box.y0) - min(one.box.y1, other.box.y1)
    # They lie side by side along the axis in which they overlap least.
    if across >= down:
        gap, shared, least = across, -down, min(one.box.height, other.box.height)
        middle = 0.5 * (max(one.box.x0, other.box.x0) + min(one.box.x1, other.box.x1))
        seam = Box(middle - LOOK_PX, max(one.box.y0, other.box.y0), middle + LOOK_PX, min(one.box.y1, other.box.y1))
    else:
        gap, shared, least = down, -across, min(one.box.width, other.box.width)
        middle = 0.5 * (max(one.box.y0, other.box.y0) + min(one.box.y1, other.box.y1))
        seam = Box(max(one.box.x0, other.box.x0), middle - LOOK_PX, min(one.box.x1, other.box.x1), middle + LOOK_PX)
    if gap > SEAM_PX or shared < TOUCHING * least:
        return False
    part = strength[seam.cut()]
    if part.size == 0:
        return False
    usual = min(float(np.median(strength[field.box.cut()].mean(axis=int(across < down)))) for field in (one, other))
    profile = part.mean(axis=0 if across >= down else 1)
    bare = np.convolve(profile < BARE * usual, np.ones(STREET_PX), mode="valid") >= STREET_PX
    return not bare.any() and alike(pixels, one.box, other.box)


def _stepped(group: Sequence[Field]) -> Stepped:
    largest = max(group, key=lambda field: field.box.area)
    whole = largest.box
    for field in group:
        whole = about(whole, field.box)
    shape = _closed([field.box for field in group])
    if len(group) == 1 or shape is None or shape.area > RECTANGLE * whole.area:
        kept = Field(largest.kind, whole, min(field.confidence for field in group), largest.reason)
        return Stepped(kept, whole.corners())
    outline = np.asarray(shape.exterior.coords)[:-1]
    reason = f"{largest.reason}; {len(group)} rectangles that touch"
    kept = Field(largest.kind, whole, min(field.confidence for field in group), reason)
    return Stepped(kept, outline)


def _closed(boxes: Sequence[Box]) -> Polygon | None:
    """The union of rectangles, seams closed, slivers and notches narrower than a seam taken away."""
    across, down = ([getattr(b, name) for b in boxes for name in names] for names in (("x0", "x1"), ("y0", "y1")))
    x, y = _levelled(across), _levelled(down)
    shape: BaseGeometry = unary_union([box(x[b.x0], y[b.y0], x[b.x1], y[b.y1]) for b in boxes])
    reach = 0.5 * SEAM_PX + 0.01
    for move in (reach, -2.0 * reach, reach):
        shape = shape.buffer(move, join_style="mitre")
    plain = shape.simplify(0.05)
    return plain if isinstance(plain, Polygon) and not plain.interiors else None


def _levelled(places: Sequence[float]) -> dict[float, float]:
    """Sides that lie within a seam of one another, at their mean."""
    chains: list[list[float]] = []
    for place in sorted(set(places)):
        if chains and place - chains[-1][0] <= SEAM_PX:
            chains[-1].append(place)
        else:
            chains.append([place])
    return {place: float(np.mean(chain)) for chain in chains for place in chain}
