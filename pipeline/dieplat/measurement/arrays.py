"""Memory arrays: pitch, rotation, banks and the count of cells, read from the picture.

The way: coarse period vectors from the autocorrelation (arrays_period), fine ones by phase (arrays_phase), the
picture resampled so that a period is a whole number of samples, banks and counts from folded profiles (arrays_banks,
arrays_joined); the pitch by a model of the cell fitted to the picture's own pixels (arrays_model, arrays_fit), which
also says whether a period is one cell or two mirrored ones (arrays_cell).
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from shapely import affinity
from shapely.geometry.base import BaseGeometry

from dieplat.errors import UndecidedError
from dieplat.measurement import arrays_cell as cell
from dieplat.measurement import (
    arrays_counts,
    arrays_dirt,
    arrays_fit,
    arrays_joint,
    arrays_model,
    arrays_period,
    arrays_phase,
)
from dieplat.measurement.arrays_beyond import room_beside, said_of_room
from dieplat.measurement.arrays_blocks import Block, find_blocks, inner, largest, steps
from dieplat.measurement.arrays_frame import Frame, colours_of, grey_of, raster, resample
from dieplat.measurement.arrays_inside import NotFullError, said_of_inside
from dieplat.measurement.arrays_joined import PlacedBank, joined, said_of_sizes, said_of_steps
from dieplat.measurement.arrays_mirrored import cells_of, fine, tiles_in
from dieplat.measurement.arrays_places import lattice_of
from dieplat.measurement.arrays_start import WEAK, Start, starts
from dieplat.values import ArrayLattice, Bank

FloatArray = npt.NDArray[np.float32]
Matrix = npt.NDArray[np.float64]

SHARED_PX = 0.005 / math.sqrt(3.0)
"""Standard uncertainty of what all cells share: errors of 0.005 px at most, uniform within that (JCGM 100, 4.3.7).
On 130 axes of invented arrays 95 % were then right within 1.96 u (rms 0.87 u); with 0.005 px itself as the standard
uncertainty all within 2.0 u, and without this part 81 %."""
STRAYED = 0.3
"""Periods by which the parts of banks may move a bank's ends against one another: the phases of whole periods are
right to some hundredths of one, and half a period more or less is another lattice (the limit is a choice of ours, no
source)."""


@dataclass(frozen=True, slots=True, eq=False)
class _View:
    """A crop as it is looked at: `grey` for what is fitted, `seen` for finding banks, `colours` for telling cells."""

    grey: FloatArray
    seen: FloatArray
    colours: tuple[FloatArray, ...]
    mask: npt.NDArray[np.bool_]
    polygon: BaseGeometry


@dataclass(frozen=True, slots=True)
class _Wanted:
    """What the caller says: where the crop lies, cells in a period if known, and whether counts are asked for."""

    origin_px: tuple[float, float]
    per_period: tuple[int, int] | None
    counted: bool


def measure_array(
    image: npt.NDArray[np.generic],
    polygon: BaseGeometry,
    *,
    origin_px: tuple[float, float] = (0, 0),
    cells_per_period: tuple[int, int] | None = None,
    counted: bool = True,
) -> ArrayLattice:
    """Measure the lattice of a memory array inside a polygon drawn around it.

    Parameters
    ----------
    image : ndarray of shape (H, W) or (H, W, 3), any real dtype
        Crop of the mosaic.
    polygon : shapely polygon
        Outline in mosaic pixels; may include some periphery, straps, and several banks.
    origin_px : tuple of float
        Mosaic coordinate (x, y) of the crop's top-left corner.
    cells_per_period : tuple of int, optional
        How many cells the picture's period holds along x and y, 1 or 2 each, where somebody knows; else the picture
        must decide it.
    counted : bool
        Whether the counts matter. Where only a window of an array is looked at, nothing is refused or remarked for
        cells that are covered, missing or beyond it.

    Returns
    -------
    ArrayLattice
        Pitches of one cell in pixels with standard uncertainties (k = 1: the scatter of parts of the banks about
        one lattice, see `arrays_fit.fit_lattice`; the scale is not in it), rotation of the rows
        (positive from x towards y), banks and counts. `remarks` names what a reader should check.

    Raises
    ------
    UndecidedError
        If nothing repeats, a period is below the sampling limit, the picture leaves the cell or the count open, or
        a bank is no full rectangle of cells.

    Notes
    -----
    A picture whose cells are each their own mirror image looks the same as one of mirrored half cells. Such a
    period is decided by how alike its halves and its two mirror axes are, or refused.
    """
    grey = grey_of(image)
    local = affinity.translate(polygon, -origin_px[0], -origin_px[1])
    mask = raster(local, grey.shape)
    if mask.sum() < arrays_period.LEAST_PIXELS:
        raise UndecidedError(
            f"memory array: fewer than {arrays_period.LEAST_PIXELS} pixels lie inside the polygon; enlarge it"
        )
    view = _View(grey, grey, colours_of(image), mask, local)
    wanted = _Wanted(origin_px, cells_per_period, counted)
    try:
        return _tried(view, wanted)
    except NotFullError:
        raise
    except UndecidedError as error:
        refused = error
    for seen, share in _cleaned(view):
        try:
            found = _tried(replace(view, seen=seen), wanted)
        except NotFullError:
            raise
        except UndecidedError as error:
            refused = error
            continue
        remark = f"{100 * share:.2g} % of the picture is unlike the cells on every side (dirt) and does not count"
        return replace(found, remarks=(*found.remarks, remark))
    raise refused


def _tried(view: _View, wanted: _Wanted) -> ArrayLattice:
    """The array by the most trusted lattice that leads to a count; refused as by the first where none does."""
    refused: list[UndecidedError] = []
    for start in starts(view.seen, view.mask):
        try:
            found = _measure(view, start, wanted)
        except UndecidedError as error:
            if isinstance(error, NotFullError) and not refused:
                raise
            refused.append(error)
            continue
        if not refused:
            return found
        why = str(refused[0]).removeprefix("memory array: ").split(";")[0]
        remark = (
            f"the period that stands out most leads to no count ({why}); this is by the next that the picture shows"
        )
        return replace(found, remarks=(*found.remarks, remark))
    raise refused[0]


def _cleaned(view: _View) -> Iterator[tuple[FloatArray, float]]:
    """The picture without what is odd in it, and its share, by the first lattice and by what is fitted from there.

    Some cells on, the first lattice may be a pixel or two off, and all cells are then unlike their neighbours; but what
    is fitted is led astray by much dirt.
    """
    if view.grey.size > arrays_dirt.MOST_PX:
        return
    for fit in (False, True):
        try:
            start = next(starts(view.grey, view.mask))
            reciprocal = _lattice(view, start)[0] if fit else start.reciprocal
        except UndecidedError:
            return
        cleaned = arrays_dirt.without_dirt(view.grey, view.mask, *np.linalg.inv(reciprocal).T)
        if cleaned is not None:
            yield cleaned


def _measure(view: _View, start: Start, wanted: _Wanted) -> ArrayLattice:
    reciprocal, covariance = _lattice(view, start)
    frame = resample(view.seen, view.mask, view.polygon, reciprocal)
    blocks = find_blocks(frame)
    return _report(view, frame, blocks, reciprocal, covariance, start.strength, wanted)


def _lattice(view: _View, start: Start) -> tuple[Matrix, Matrix]:
    """Reciprocal vectors with the covariance of their relative change, from where to start."""
    grey, seen, mask, local = view.grey, view.seen, view.mask, view.polygon
    reciprocal, phase, flat = start.reciprocal, start.phase, start.flat
    for attempt in range(6):
        frame = resample(seen, mask, local, reciprocal)
        blocks = find_blocks(frame)
        tiles = tiles_in(grey, frame, largest(blocks))
        model = arrays_model.fit_model(grey, tiles, reciprocal, arrays_model.strongest(grey, tiles, reciprocal))
        parts = cell.parts_of(model.period(fine(frame)))
        if max(parts) > 1:
            # The coarse step took several periods for one.
            reciprocal = np.array(parts, dtype=np.float64)[:, None] * reciprocal
            phase = arrays_phase.demodulate(flat, reciprocal)
            continue
        rectangles = [inner(block, frame) for block in blocks]
        change = arrays_phase.fit_banks(
            arrays_phase.cell_phases(frame.picture, frame.samples, rectangles, phase.orders)
        )
        drift = _drift(change @ reciprocal, grey.shape)
        reciprocal = (np.eye(2) + change) @ reciprocal
        # Where resampling blurs the finest cells, only the picture's own pixels settle the pitch.
        if drift < 0.1 or attempt >= 3:
            reciprocal, covariance = _refined(grey, frame, rectangles, reciprocal)
            model = arrays_model.fit_model(grey, tiles, reciprocal, arrays_model.strongest(grey, tiles, reciprocal))
            parts = cell.parts_of(model.period(fine(frame)))
            if max(parts) > 1:
                reciprocal = np.array(parts, dtype=np.float64)[:, None] * reciprocal
                phase = arrays_phase.demodulate(flat, reciprocal)
                continue
            return reciprocal, covariance
    raise UndecidedError(arrays_fit.NOT_STRAIGHT)


def _refined(
    grey: FloatArray, frame: Frame, rectangles: Sequence[arrays_fit.Rectangle], reciprocal: Matrix
) -> tuple[Matrix, Matrix]:
    """The lattice by all pixels at once; of banks too large for that, or too noisy, by their parts.

    Raises
    ------
    UndecidedError
        If neither keeps to the lattice that the phases gave: parts of a few periods settle on any.
    """
    joint = arrays_joint.fit_jointly(grey, frame, rectangles, reciprocal)
    if joint is not None:
        return joint
    tiles = [arrays_fit.within(arrays_fit.tiles_of(frame, one), grey.shape) for one in rectangles]
    refined, covariance = arrays_fit.refine(grey, tiles, reciprocal)
    change = refined @ np.linalg.inv(reciprocal) - np.eye(2)
    if _over_banks(change, frame, rectangles) > STRAYED:
        raise UndecidedError(arrays_fit.NOT_STRAIGHT)
    joint = arrays_joint.fit_jointly(grey, frame, rectangles, refined)
    return (refined, covariance) if joint is None else joint


def _over_banks(change: Matrix, frame: Frame, rectangles: Sequence[arrays_fit.Rectangle]) -> float:
    """Periods by which the ends of the longest bank move against one another under a change of the lattice."""
    sides = np.array([(i1 - i0, j1 - j0) for i0, j0, i1, j1 in rectangles]) / frame.samples
    return float(np.abs(np.concatenate([sides * row for row in change])).max())


def _drift(change: Matrix, shape: tuple[int, ...]) -> float:
    """Periods by which the far corner moves under a change of the reciprocal vectors."""
    return float(np.abs(change @ np.array([shape[1], shape[0]], dtype=np.float64)).max())


def _report(
    view: _View,
    frame: Frame,
    blocks: list[Block],
    reciprocal: Matrix,
    covariance: Matrix,
    strength: float,
    wanted: _Wanted,
) -> ArrayLattice:
    n_x, n_y = frame.samples
    vectors, spread = _vectors(reciprocal, covariance)
    cell.refuse_leaning(vectors)
    size = np.hypot(vectors[0], vectors[1])
    spread = np.hypot(spread, _systematic(blocks, frame.samples))
    others: tuple[float, ...] = ()
    if wanted.per_period:
        (per_x, per_y), remarks = wanted.per_period, _stated(wanted.per_period)
    else:
        per_x, per_y, remarks, others = cells_of(view.grey, view.colours, frame, blocks, reciprocal, size)
    placed: list[PlacedBank] = []
    cell_x, cell_y = n_x / per_x, n_y / per_y
    across = arrays_counts.counts([block.across for block in blocks], cell_x, "x", counted=wanted.counted)
    down = arrays_counts.counts([block.down for block in blocks], cell_y, "y", counted=wanted.counted)
    for block, step, (columns, left, remark_a), (rows, top, remark_b) in zip(
        blocks, steps(frame, blocks), across, down, strict=True
    ):
        remarks += [text for text in (remark_a, remark_b) if text]
        moved = None if step is None else (step[0] / cell_x, step[1] / cell_y)
        reach, cut = block.reach(cell_x, cell_y), (block.across.cut, block.down.cut)
        placed.append(PlacedBank(left / cell_x, top / cell_y, columns, rows, reach, moved, cut))
    whole = joined(placed, counted=wanted.counted)
    parts, bounds = (
        [(b.left * cell_x, b.top * cell_y, b.right * cell_x, b.bottom * cell_y) for b in some]
        for some in (placed, whole)
    )
    if len(whole) < len(placed):
        # One bank that was seen as two gives a pitch over its whole length.
        vectors, spread = _vectors(*_refined(view.grey, frame, bounds, reciprocal))
        size = np.hypot(vectors[0], vectors[1])
        spread = np.hypot(spread, _systematic(blocks, frame.samples))
    if wanted.counted:
        # Dirt is to be seen here, even where banks were found without it.
        plain = frame if view.seen is view.grey else resample(view.grey, view.mask, view.polygon, reciprocal)
        cell_samples = round(cell_x), round(cell_y)
        # Parts of a bank may be out of step by what joins them still.
        remarks += said_of_inside([lattice_of(plain, part, cell_samples) for part in parts], wanted.origin_px)
        remarks += said_of_room(room_beside([lattice_of(plain, bank, cell_samples) for bank in bounds]))
        remarks += said_of_steps(whole) + said_of_sizes(whole)
    found = []
    for bank in whole:
        x0, y0 = frame.to_image(bank.left * cell_x, bank.top * cell_y) + wanted.origin_px
        x1, y1 = frame.to_image(bank.right * cell_x, bank.bottom * cell_y) + wanted.origin_px
        found.append(Bank((float(x0), float(y0), float(x1), float(y1)), bank.columns, bank.rows))
    pitch = size / (per_x, per_y)
    rotation, skew = _angles(vectors)
    if abs(skew) > 0.1:
        remarks.append(f"rows and columns are {90 + skew:.2f} degrees apart, not 90: the picture is sheared")
    if strength < WEAK:
        remarks.append("the cells stand out from noise only weakly")
    return ArrayLattice(
        pitch_x_px=float(pitch[0]),
        pitch_x_px_u=float(spread[0] / per_x),
        pitch_y_px=float(pitch[1]),
        pitch_y_px_u=float(spread[1] / per_y),
        rotation_deg=rotation,
        columns=_widest(found, 0),
        rows=_widest(found, 1),
        cells=sum(bank.columns * bank.rows for bank in found),
        banks=tuple(found),
        mirrored_x=per_x == 2,
        mirrored_y=per_y == 2,
        remarks=tuple(dict.fromkeys(remarks)),
        other_factors=others,
    )


def _stated(given: tuple[int, int]) -> list[str]:
    said = [f"{count} along {axis}" for count, axis in zip(given, "xy", strict=True)]
    return [f"cells in one optical period as stated, not as read from the picture: {said[0]}, {said[1]}"]


def _systematic(blocks: list[Block], samples: tuple[int, int]) -> Matrix:
    """Standard uncertainty of the period from what all cells share, in px: resampling and uneven light.

    A bend of SHARED_PX over a bank's length, as a slope of evenly spread points: sqrt(12) times it, divided by the
    length in periods.
    """
    across = math.sqrt(sum((block.across.longest() / samples[0]) ** 2 for block in blocks))
    down = math.sqrt(sum((block.down.longest() / samples[1]) ** 2 for block in blocks))
    return math.sqrt(12.0) * SHARED_PX / np.array([across, down])


def _widest(found: list[Bank], axis: int) -> int:
    """Greatest number of columns (axis 0) or rows (axis 1) in any row or column of banks."""
    totals: dict[int, int] = {}
    other = 1 - axis
    size = min(bank.bounds_px[other + 2] - bank.bounds_px[other] for bank in found)
    for bank in found:
        middle = (bank.bounds_px[other] + bank.bounds_px[other + 2]) / 2
        key = next((k for k in totals if abs(k - middle) < size / 2), round(middle))
        totals[key] = totals.get(key, 0) + (bank.columns if axis == 0 else bank.rows)
    return max(totals.values())


def _vectors(reciprocal: Matrix, covariance: Matrix) -> tuple[Matrix, Matrix]:
    """Period vectors as columns, and the standard uncertainty of their lengths by propagation (JCGM 100,
    5.1.2)."""
    vectors = np.linalg.inv(reciprocal)
    spread = []
    for k in (0, 1):
        unit = vectors[:, k] / np.hypot(*vectors[:, k])
        # A change D of the reciprocal vectors moves the period vectors A by -A D.
        gradient = np.zeros((2, 2))
        gradient[:, k] = -unit @ vectors
        spread.append(math.sqrt(max(float(gradient.ravel() @ covariance @ gradient.ravel()), 0.0)))
    return np.asarray(vectors, dtype=np.float64), np.array(spread, dtype=np.float64)


def _angles(vectors: Matrix) -> tuple[float, float]:
    """Rotation as the mean of both axes' angles, and how far their difference is from 90 degrees."""
    first = math.degrees(math.atan2(vectors[1, 0], vectors[0, 0]))
    second = math.degrees(math.atan2(-vectors[0, 1], vectors[1, 1]))
    return (first + second) / 2, second - first
