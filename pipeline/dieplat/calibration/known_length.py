"""A scale from a line drawn along something of known length, where there is no picture of a micrometer."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from dieplat.calibration.scale import axes_unseen, check_scale
from dieplat.errors import ScaleError
from dieplat.values import Scale, ScalePart

END_U_PX = 0.5
"""Each coordinate of an end that is set by hand (common practice, no source)."""

SOURCE = "drawn along a known length"


def scale_from_length(
    line_px: npt.ArrayLike, *, length_um: float, length_um_u: float = 0.0, end_u_px: float = END_U_PX
) -> Scale:
    """Micrometres a pixel from a line of known length; pixels are taken as square.

    Parameters
    ----------
    line_px : array_like (N, 2)
        The drawn line, in mosaic pixels.
    length_um, length_um_u : float
        Its length and that length's standard uncertainty.
    end_u_px : float
        Standard uncertainty of each coordinate of each point.

    Returns
    -------
    Scale
        u(s)/s from the ends and from the length itself, in quadrature (JCGM 100:2008, 5.1.2). A straight line
        has two ends that count, sqrt(2) `end_u_px` along it.

    Raises
    ------
    ScaleError
        If the line is no line of at least 10 px, or a number is none that a length can be.
    """
    points = np.asarray(line_px, dtype=np.float64)
    if points.ndim != 2 or points.shape[1] < 2 or len(points) < 2 or not np.all(np.isfinite(points)):
        raise ScaleError("the drawn line: needs two points or more; draw it again")
    if not (math.isfinite(length_um) and length_um > 0 and math.isfinite(length_um_u) and length_um_u >= 0):
        raise ScaleError(f"a length of {length_um} um with {length_um_u} um: give a length above 0 and its uncertainty")
    if length_um_u > 0.2 * length_um:
        raise ScaleError(
            f"a length of {length_um:g} um known to {length_um_u:g} um is no scale; find a better known one"
        )
    steps = np.diff(points[:, :2], axis=0)
    lengths = np.hypot(steps[:, 0], steps[:, 1])
    total_px = float(lengths.sum())
    if total_px < 10.0:
        raise ScaleError(f"the drawn line is {total_px:.1f} px long; draw along something longer")
    direction = steps / np.maximum(lengths, 1e-12)[:, None]
    gradient = np.zeros_like(points[:, :2])
    gradient[:-1] -= direction
    gradient[1:] += direction
    ends = end_u_px * float(np.sqrt(np.sum(gradient**2))) / total_px
    own = length_um_u / length_um
    scale = length_um / total_px
    rotation = math.atan2(points[-1, 1] - points[0, 1], points[-1, 0] - points[0, 0])
    parts = (
        ScalePart("ends set by hand", ends, "1", "B", f"each coordinate {end_u_px:g} px over {total_px:.0f} px"),
        ScalePart("known length", own, "1", "B", "as stated by the user"),
        *axes_unseen(rotation),
    )
    found = Scale(
        um_per_px_x=scale,
        um_per_px_x_u=scale * math.hypot(*(part.u * part.on_x for part in parts)),
        um_per_px_y=scale,
        um_per_px_y_u=scale * math.hypot(*(part.u * part.on_y for part in parts)),
        pitch_um=length_um,
        pitch_um_u=length_um_u,
        lines_used=2,
        rotation_deg=math.degrees(rotation),
        source=SOURCE,
        common_u_rel=own,
        budget=parts,
    )
    check_scale(found, f"the drawn line: a length of {length_um:g} um")
    return found
