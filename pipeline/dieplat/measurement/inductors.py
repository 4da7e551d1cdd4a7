"""Geometry of a planar inductor, from its picture or from its drawn centre line.

Conventions. `outer_um` and `inner_um` are flat-to-flat distances between the outermost and between the
innermost metal edges, each the mean over the sides; with them inner = outer - 2 n w - 2 (n - 1) s, for whole
and for broken numbers of turns and for spirals that drift as for those that step (S. S. Mohan, M. del Mar
Hershenson, S. P. Boyd, T. H. Lee, IEEE J. Solid-State Circuits 34(10), 1419-1424 (1999)). `turns` counts how
often the conductor goes round: its winding angle over 2 pi, leads left out.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import shapely
from shapely.geometry.base import BaseGeometry

from dieplat.errors import UndecidedError
from dieplat.measurement.inductor.bands import Columns, SideFit, find_bands, fit_sides, recentre
from dieplat.measurement.inductor.metal import separate_metal
from dieplat.measurement.inductor.path import inductor_from_path
from dieplat.measurement.inductor.shape import SHAPES, find_frame
from dieplat.measurement.inductor.unwrap import Frame
from dieplat.measurement.inductor.winding import Winding, count_turns, counts_filled
from dieplat.values import InductorGeometry

__all__ = ["inductor_from_path", "measure_inductor"]

REMEDY = "draw the conductor's centre line as a path of kind 'conductor' with its width_um"
SMALLEST_PX = 24


def measure_inductor(
    image: npt.NDArray[np.generic],
    polygon: BaseGeometry,
    *,
    um_per_px_x: float,
    um_per_px_y: float,
    origin_px: tuple[float, float] = (0.0, 0.0),
) -> InductorGeometry:
    """Measure a planar inductor inside an outline drawn loosely around it.

    Parameters
    ----------
    image : ndarray of shape (H, W) or (H, W, 3), uint8 or uint16 (or float)
        The crop of the mosaic that holds the outline.
    polygon : shapely Polygon
        The outline in mosaic pixels; its rim should lie on background.
    um_per_px_x, um_per_px_y : float
        Scale of both axes, micrometres.
    origin_px : tuple of float
        Mosaic coordinates (x, y) of the crop's top-left corner.

    Returns
    -------
    InductorGeometry
        With `method` "image". Standard uncertainties (k = 1) hold the scatter between the sides and a tenth
        of a pixel for each edge's own bias; the scale's uncertainty is not in them.

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
    height, width = image.shape[:2]
    if min(height, width) < SMALLEST_PX:
        raise UndecidedError(f"the outline is under {SMALLEST_PX} pixels wide")
    y, x = np.mgrid[:height, :width]
    inside = np.asarray(shapely.contains_xy(polygon, x + 0.5 + origin_px[0], y + 0.5 + origin_px[1]), dtype=bool)
    if inside.sum() < SMALLEST_PX**2:
        raise UndecidedError(f"the outline holds under {SMALLEST_PX} x {SMALLEST_PX} pixels of the picture")
    metal = separate_metal(image, inside)
    # All lengths are found in pixels that are square: of the geometric mean of both scales.
    um = float(np.sqrt(um_per_px_x * um_per_px_y))
    squeeze = (um_per_px_x / um, um_per_px_y / um)
    frame, reach = find_frame(metal, squeeze)
    soft = np.where(inside, metal.soft, 0.0).astype(np.float32)
    frame = recentre(soft, frame, reach)
    columns = find_bands(soft, frame, reach)
    winding = count_turns(columns)
    sides = fit_sides(columns)
    sizes = _sizes(columns, sides, winding)
    remarks = []
    if winding.symmetric is None:
        remarks.append("spiral or symmetric winding: not told by the picture")
    outer, outer_u, inner, inner_u, wide, wide_u, gap, gap_u = sizes
    centre = (frame.x / squeeze[0] + 0.5 + origin_px[0], frame.y / squeeze[1] + 0.5 + origin_px[1])
    return InductorGeometry(
        shape=SHAPES[frame.sides],  # type: ignore[arg-type]
        turns=winding.turns,
        outer_um=outer * um,
        inner_um=inner * um,
        width_um=wide * um,
        spacing_um=gap * um,
        method="image",
        turns_u=winding.turns_u,
        outer_um_u=outer_u * um,
        inner_um_u=inner_u * um,
        width_um_u=wide_u * um,
        spacing_um_u=gap_u * um,
        symmetric=winding.symmetric,
        centre_px=centre,
        rotation_deg=_rotation(frame),
        remarks=tuple(remarks),
    )


def _rotation(frame: Frame) -> float:
    """Direction of the side normal nearest the x axis, degrees, from x towards y; 0 for a circle."""
    if not frame.sides:
        return 0.0
    turn = 360.0 / frame.sides
    return float((np.degrees(frame.normal) + turn / 2) % turn - turn / 2)


def _sizes(columns: Columns, sides: list[SideFit], winding: Winding) -> tuple[float, ...]:
    """Outer, inner, width, spacing in square pixels, each followed by its standard uncertainty."""
    filled, turns = counts_filled(columns), winding.turns
    if len(sides) < 0.5 * columns.frame.sectors:
        raise UndecidedError("too few sides show undisturbed bands to measure them")
    wide, wide_u = _mean([s.width_px for s in sides])
    many = [s for s in sides if s.bands > 1]
    if not many:
        raise UndecidedError("no side shows two bands, so the spacing is not seen")
    gap, gap_u = _mean([s.pitch_px - s.width_px for s in many])
    depth = 2 * turns * wide + 2 * (turns - 1) * gap
    depth_u = float(np.hypot(2 * turns * wide_u, 2 * (turns - 1) * gap_u))
    if winding.symmetric:
        # Its rings are whole but for port and crossings: a side that shows fewer bands is one of these.
        sides = [s for s in sides if s.bands == round(turns)]
        if len(sides) < 2:
            raise UndecidedError("too few sides show all bands")
    edges = np.array([s.outer_px for s in sides])
    # A side on which the winding steps inwards does not show the full diameter; a drifting one has no other.
    low = edges < np.median(edges) - 0.2 * (wide + gap)
    steps = bool(np.median(np.abs(edges - np.median(edges))) < 0.07 * (wide + gap))
    kept = edges[~low] if steps and low.mean() < 0.3 else edges
    if not steps and not columns.frame.sides:
        kept = np.array([s.outer_over_all_px for s in sides])
    outer, outer_u = _mean(list(2 * kept), every=not winding.symmetric)
    inner, inner_u = outer - depth, float(np.hypot(outer_u, depth_u))
    # An independent check of the count: the innermost edges, a side on which the conductor ends by its part.
    part = np.array([filled[columns.sector == s.sector].mean() - s.bands for s in sides])
    seen = 2 * np.array([s.inner_px for s in sides]) - 2 * part * (wide + gap)
    if abs(float(np.median(seen) if winding.symmetric else seen.mean()) - inner) > 0.35 * (wide + gap) + 1.0:
        raise UndecidedError("the diameters do not agree with the count of turns")
    return outer, outer_u, inner, inner_u, wide, wide_u, gap, gap_u


def _mean(values: list[float], *, every: bool = False) -> tuple[float, float]:
    """Mean and its standard uncertainty; values three deviations off the median only count if `every`."""
    data = np.array(values)
    off = np.abs(data - np.median(data))
    kept = data if every else data[off <= 3 * 1.4826 * np.median(off) + 0.05]
    scatter = kept.std(ddof=1) / np.sqrt(len(kept)) if len(kept) > 1 else 0.3
    return float(kept.mean()), float(np.hypot(scatter, 0.1))
