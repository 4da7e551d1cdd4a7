"""Bond pads along the sides of a die: how many, and how far apart."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely
from shapely.geometry.base import BaseGeometry

from dieplat.measurement.open_places import open_tiles
from dieplat.measurement.outlines import rings_of, shoelace
from dieplat.measurement.placement import Inputs
from dieplat.measurement.propagation import Measured, Quantity

Array = npt.NDArray[np.float64]

SIDES = ("right", "left", "bottom", "top")
EVEN = 0.02
"""Steps between neighbours that differ from their median by less than this part of it make an even row."""
RIM = 0.25
"""Pads further from the nearest side than this part of the die lie in its middle."""


@dataclass(frozen=True, slots=True, eq=False)
class Row:
    """Pads along one side: `pitch` between neighbours' centres (um), `even` if all steps are alike.

    There is no pitch below two, nor where they lie across tiles whose place is open.
    """

    side: str
    count: int
    pitch: Measured | None
    even: bool


def pad_rows(pads: Sequence[BaseGeometry], across: Array, die: BaseGeometry, inputs: Inputs) -> list[Row]:
    """Sort pads by the side of the die that they lie nearest to, and measure their pitch.

    Parameters
    ----------
    pads : sequence of Polygon or MultiPolygon
        In mosaic pixels.
    across : ndarray (2,)
        Unit vector of the die's width in micrometres.
    die : Polygon
    inputs : Inputs

    Returns
    -------
    list of Row
        Sides without pads are left out; pads away from all sides make a row "inside" without a pitch. In an even row
        the pitch is the distance of its outermost centres over the number of steps, so that one pad's outline hardly
        counts; in an uneven one it is the median step.
    """
    per_px = np.array([inputs.scale.um_per_px_x, inputs.scale.um_per_px_y])
    down = np.array([-across[1], across[0]])
    corners = np.asarray(die.convex_hull.exterior.coords)[:, :2] * per_px  # type: ignore[attr-defined]
    low, high = (corners @ np.stack([across, down]).T).min(axis=0), (corners @ np.stack([across, down]).T).max(axis=0)
    centres = np.array([[pad.centroid.x, pad.centroid.y] for pad in pads]).reshape(-1, 2) * per_px
    places = centres @ np.stack([across, down]).T
    gaps = np.stack([high[0] - places[:, 0], places[:, 0] - low[0], high[1] - places[:, 1], places[:, 1] - low[1]])
    size = (high - low)[[0, 0, 1, 1]]
    nearest = gaps.argmin(axis=0)
    inner = gaps.min(axis=0) > RIM * size[nearest]
    rows = []
    for number, side in enumerate(SIDES):
        axis = 1 if number < 2 else 0
        members = np.nonzero((nearest == number) & ~inner)[0]
        members = members[np.argsort(places[members, axis], kind="stable")]
        if len(members):
            direction = (across, down)[axis]
            rows.append(_row(side, [pads[int(i)] for i in members], places[members, axis], direction, inputs))
    if inner.any():
        rows.append(Row("inside", int(inner.sum()), None, False))
    return rows


def _row(side: str, pads: Sequence[BaseGeometry], places: Array, direction: Array, inputs: Inputs) -> Row:
    steps = np.diff(places)
    if len(steps) == 0:
        return Row(side, len(pads), None, False)
    layout = inputs.placement.layout
    if layout is not None and open_tiles(shapely.GeometryCollection(list(pads)), layout):
        return Row(side, len(pads), None, False)
    usual = float(np.median(steps))
    even = bool(np.all(np.abs(steps - usual) <= EVEN * usual))
    at = int(np.argsort(steps)[len(steps) // 2])
    first, last, count = (0, len(pads) - 1, len(steps)) if even else (at, at + 1, 1)
    span = _centre(pads[last], direction, inputs) - _centre(pads[first], direction, inputs)
    return Row(side, len(pads), inputs.measured(span / count, "um"), even)


def _centre(pad: BaseGeometry, direction: Array, inputs: Inputs) -> Quantity:
    """Place of a pad's centroid along a direction (um), with its vertices' errors; edges alike all round cancel."""
    scale = inputs.scale
    per_px = np.array([scale.um_per_px_x, scale.um_per_px_y])
    middle = np.array([pad.centroid.x, pad.centroid.y])
    along = per_px * direction
    quantity: Quantity = float(middle @ along)
    area = sum(ring.sign * shoelace(ring.points) for ring in rings_of(pad))
    for ring in rings_of(pad):
        gradient = ring.sign * _moment_gradient(ring.points - middle, along) / area
        quantity = quantity + inputs.moved(ring.points, gradient)
    quantity = quantity + float(middle[0] * along[0]) * (inputs.um_x / scale.um_per_px_x - 1.0)
    quantity = quantity + float(middle[1] * along[1]) * (inputs.um_y / scale.um_per_px_y - 1.0)
    return quantity + float(middle[1] * per_px[1] * direction[0]) * inputs.skew


def _moment_gradient(points: Array, along: Array) -> Array:
    """Derivatives by the vertices of the first moment, int (along . p) dA, of a ring about its own centroid.

    With s = along . p and the cross product c_i of vertices i and i + 1 the moment is sum((s_i + s_{i+1}) c_i) / 6.
    """
    after, before = np.roll(points, -1, axis=0), np.roll(points, 1, axis=0)
    s, s_after, s_before = points @ along, after @ along, before @ along
    cross = points[:, 0] * after[:, 1] - after[:, 0] * points[:, 1]
    cross_before = np.roll(cross, 1)
    turned_after = np.stack([after[:, 1], -after[:, 0]], axis=1)
    turned_before = np.stack([-before[:, 1], before[:, 0]], axis=1)
    return np.asarray(
        (
            along * (cross + cross_before)[:, None]
            + (s + s_after)[:, None] * turned_after
            + (s_before + s)[:, None] * turned_before
        )
        / 6.0
    )
