"""Geometry of a planar inductor, from its picture or from its drawn centre line.

Conventions. `outer_um` and `inner_um` are flat-to-flat distances between the outermost and between the
innermost metal edges, each the mean over the sides; with them inner = outer - 2 n w - 2 (n - 1) s, for whole
and for broken numbers of turns and for spirals that drift as for those that step (S. S. Mohan, M. del Mar
Hershenson, S. P. Boyd, T. H. Lee, IEEE J. Solid-State Circuits 34(10), 1419-1424 (1999)). `turns` counts how
often the conductor goes round: its winding angle over 2 pi, leads left out. Of a round spiral that drifts inwards all
the way, the outer diameter is the mean over its outermost turn; the inductance is summed along the centre line found,
so that it does not depend on that choice.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import shapely
from shapely.geometry.base import BaseGeometry

from dieplat.errors import UndecidedError
from dieplat.measurement.inductor.bands import Columns, find_bands, find_islands, mean_bands, recentre, seen_on
from dieplat.measurement.inductor.bars import blur_of, fit_sides, sizes
from dieplat.measurement.inductor.ends import CentreLine, crossing_line, polygon_line
from dieplat.measurement.inductor.joints import find_joints
from dieplat.measurement.inductor.metal import Image, Mask, separate_metal
from dieplat.measurement.inductor.path import inductor_from_path
from dieplat.measurement.inductor.round_line import round_line
from dieplat.measurement.inductor.shape import SHAPES, find_frame
from dieplat.measurement.inductor.surroundings import keep_winding
from dieplat.measurement.inductor.taper import piece_widths, taper_words
from dieplat.measurement.inductor.tracks import straight_pieces, track
from dieplat.measurement.inductor.unwrap import Frame
from dieplat.measurement.inductor.walk import Walk, follow
from dieplat.values import InductorGeometry

__all__ = ["inductor_from_path", "measure_inductor"]

REMEDY = "draw the conductor's centre line as a path of kind 'conductor' with its width_um"
SMALLEST_PX = 24
# An outline drawn onto the outermost edge hides it: this much around is looked at as well.
AROUND_PX = 8.0
# How far the mean count of bands may be from the turns, in sides (circles: quarters).
MOST_OFF_SIDES, ROUND_SIDES = 0.5, 4


def measure_inductor(
    image: npt.NDArray[np.generic],
    polygon: BaseGeometry,
    *,
    um_per_px_x: float,
    um_per_px_y: float,
    origin_px: tuple[float, float] = (0.0, 0.0),
) -> InductorGeometry:
    """Measure a planar inductor inside an outline drawn loosely around it.

    The metal is told from the ground, what is not winding is left out, and the conductor is followed through all
    its bands from end to end. Only where that succeeds in one way is anything stated.

    Parameters
    ----------
    image : ndarray of shape (H, W) or (H, W, 3), uint8 or uint16 (or float)
        The crop of the mosaic that holds the outline, with some ground around it.
    polygon : shapely Polygon
        The outline in mosaic pixels.
    um_per_px_x, um_per_px_y : float
        Scale of both axes, micrometres.
    origin_px : tuple of float
        Mosaic coordinates (x, y) of the crop's top-left corner.

    Returns
    -------
    InductorGeometry
        With `method` "image" and the centre line in `path_um`. Standard uncertainties (k = 1) are those of the
        picture: the scatter between the sides and what is left of the edges' bias; the scale's is not in them.

    Raises
    ------
    UndecidedError
        If the picture does not decide shape or count; the message asks for a conductor path.
    """
    try:
        return _measure(np.asarray(image), polygon, um_per_px_x, um_per_px_y, origin_px)
    except UndecidedError as error:
        raise UndecidedError(f"{error}; {REMEDY}") from error


def _measure(
    image: npt.NDArray[np.generic],
    polygon: BaseGeometry,
    um_per_px_x: float,
    um_per_px_y: float,
    origin_px: tuple[float, float],
) -> InductorGeometry:
    inside = _inside(image, polygon, origin_px)
    metal = separate_metal(image, inside)
    # All lengths are found in pixels that are square: of the geometric mean of both scales.
    um = float(np.sqrt(um_per_px_x * um_per_px_y))
    squeeze = (um_per_px_x / um, um_per_px_y / um)
    winding = keep_winding(metal, squeeze)
    frame, reach = find_frame(winding, squeeze)
    frame = recentre(winding.soft, frame, reach)
    columns = find_bands(winding.soft, metal.dark, frame, reach)
    sides = fit_sides(seen_on(columns, winding.sharp))
    walk, line = _followed(columns, winding.soft, blur_of(sides))
    size = sizes(columns, sides, line.turns, symmetric=walk.symmetric, off=metal.off)
    remarks = [*line.remarks, *taper_words(size, line.turns, um)]
    if metal.by_colour:
        remarks.append(
            "metal and background are about equally bright and were told apart by colour, which this picture keeps "
            "less sharply, as JPEG and cameras with one chip do: its edges are less certain and may all be off together"
        )
    if winding.ringed:
        remarks.append("a ring of metal lies around it; it is not part of the winding and was not counted")
    corner = np.array([0.5, 0.5]) + origin_px
    line_px = line.points / squeeze + corner
    return InductorGeometry(
        shape=SHAPES[frame.sides],  # type: ignore[arg-type]
        turns=line.turns,
        outer_um=size.outer.value * um,
        inner_um=size.inner.value * um,
        width_um=size.width.value * um,
        spacing_um=size.spacing.value * um,
        method="image",
        turns_u=line.turns_u,
        outer_um_u=size.outer.u * um,
        inner_um_u=size.inner.u * um,
        width_um_u=size.width.u * um,
        spacing_um_u=size.spacing.u * um,
        symmetric=walk.symmetric,
        centre_px=(frame.x / squeeze[0] + corner[0], frame.y / squeeze[1] + corner[1]),
        rotation_deg=_rotation(frame),
        path_um=tuple((float(x), float(y)) for x, y in line_px * [um_per_px_x, um_per_px_y]),
        remarks=tuple(remarks),
        guard_ring=winding.ringed,
        ends_um_u=float(np.hypot(*line.ends_u)) * um,
        first_end_part=(line.ends_u[0] / float(np.hypot(*line.ends_u))) ** 2,
        piece_widths_um=tuple(w * um for w in piece_widths(line.points, frame, size, line.turns)),
    )


def _inside(image: npt.NDArray[np.generic], polygon: BaseGeometry, origin_px: tuple[float, float]) -> Mask:
    height, width = image.shape[:2]
    if min(height, width) < SMALLEST_PX:
        raise UndecidedError(f"the outline is under {SMALLEST_PX} pixels wide")
    y, x = np.mgrid[:height, :width]
    at = (x + 0.5 + origin_px[0], y + 0.5 + origin_px[1])
    if np.asarray(shapely.contains_xy(polygon, *at)).sum() < SMALLEST_PX**2:
        raise UndecidedError(f"the outline holds under {SMALLEST_PX} x {SMALLEST_PX} pixels of the picture")
    return np.asarray(shapely.contains_xy(polygon.buffer(AROUND_PX), *at), dtype=bool)


def _followed(columns: Columns, soft: Image, blur_px: float) -> tuple[Walk, CentreLine]:
    islands = find_islands(columns)
    walk = follow(islands, find_joints(columns, islands))
    way = track(columns, islands, walk)
    if columns.frame.sides and walk.symmetric:
        line = crossing_line(columns, way, soft)
    elif columns.frame.sides:
        line = polygon_line(columns, straight_pieces(columns, way), soft, way.sense)
    else:
        line = round_line(columns, way, soft, symmetric=walk.symmetric, blur_px=blur_px)
    if walk.symmetric:
        rings = max(one.bands for one in islands)
        return walk, CentreLine(line.points, float(rings), 0.01, line.ends_u, line.remarks)
    # Leads, vias and steps move the mean count by up to a quarter of a side; a side that was missed, by a whole one.
    if abs(mean_bands(columns) + line.short - line.turns) > MOST_OFF_SIDES / (columns.frame.sides or ROUND_SIDES):
        raise UndecidedError("the sides that were followed and the bands that are seen give different counts of turns")
    return walk, line


def _rotation(frame: Frame) -> float:
    """Direction of the side normal nearest the x axis, degrees, from x towards y; 0 for a circle."""
    if not frame.sides:
        return 0.0
    turn = 360.0 / frame.sides
    return float((np.degrees(frame.normal) + turn / 2) % turn - turn / 2)
