"""What a scale's uncertainty is made of, axis by axis."""

from __future__ import annotations

import math

from dieplat.values import Scale, ScalePart

WITHIN = 0.01
"""Parts must give the stated uncertainties to this part of them, else the stated ones count: a file may be edited."""


def scale_known(scale: Scale) -> bool:
    """Whether the scale carries an uncertainty (NaN says that it does not)."""
    return math.isfinite(scale.um_per_px_x_u) and math.isfinite(scale.um_per_px_y_u)


def parts_of(scale: Scale) -> tuple[ScalePart, ...]:
    """Independent causes of the scale's error, each with its effect on both axes; none where it is not known.

    From the scale's own budget where that says it and agrees with the stated uncertainties. Otherwise one picture for
    both axes makes their errors fully correlated, so that they add linearly (JCGM 100, 5.2.2 note 1); of independent
    axes only `common_u_rel` does, the rest of either is its own.
    """
    if not scale_known(scale):
        return ()
    rel_x, rel_y = scale.um_per_px_x_u / scale.um_per_px_x, scale.um_per_px_y_u / scale.um_per_px_y
    parts = tuple(line for line in scale.budget if isinstance(line, ScalePart))
    if parts and len(parts) == len(scale.budget):
        sums = (math.hypot(*(p.u * p.on_x for p in parts)), math.hypot(*(p.u * p.on_y for p in parts)))
        if all(math.isclose(a, b, rel_tol=WITHIN, abs_tol=1e-12) for a, b in zip(sums, (rel_x, rel_y), strict=True)):
            return parts
    if not scale.axes_independent:
        return (ScalePart("scale", 1.0, "1", "B", "one value for both axes, correlated", rel_x, rel_y),)
    common = min(scale.common_u_rel, rel_x, rel_y)
    own_x, own_y = math.sqrt(rel_x**2 - common**2), math.sqrt(rel_y**2 - common**2)
    effects = ((common, common), (own_x, 0.0), (0.0, own_y))
    return tuple(ScalePart("scale", 1.0, "1", "B", "axes measured apart", *effect) for effect in effects)


def scale_u(scale: Scale, along_x: float, along_y: float) -> float:
    """Standard uncertainty that the scale gives a quantity Q of which other parts are not propagated here.

    `along_x`, `along_y` are dQ / d ln(sx) and dQ / d ln(sy), in the unit of Q. Zero where the scale's uncertainty is
    not known.
    """
    return math.hypot(*(part.u * (along_x * part.on_x + along_y * part.on_y) for part in parts_of(scale)))
