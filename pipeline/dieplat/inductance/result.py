"""An inductor's geometry and estimate as one result, the same for the calculator and for a survey."""

from __future__ import annotations

import math

from dieplat.inductance.resistance_q import tuning_capacitance_pf
from dieplat.values.inductor import InductanceEstimate, InductorGeometry
from dieplat.values.measurements import InductorResult


def combine_inductor(
    geometry: InductorGeometry,
    estimate: InductanceEstimate,
    *,
    scale_u_rel: float = 0.0,
    frequency_hz: float | None = None,
) -> InductorResult:
    """Join geometry and estimate; its `to_dict` is the `inductor` object of all JSON output.

    Parameters
    ----------
    geometry, estimate
        What was measured or given, and its inductance.
    scale_u_rel : float
        Relative standard uncertainty of the picture's scale; it joins those of the lengths, which leave it
        out (JCGM 100, 5.1.2).
    frequency_hz : float, optional
        For the capacitance that tunes the inductor there.

    Raises
    ------
    SettingsError
        If the frequency is not a positive, finite number.
    """
    lengths = {
        "outer_um_u": (geometry.outer_um, geometry.outer_um_u),
        "inner_um_u": (geometry.inner_um, geometry.inner_um_u),
        "width_um_u": (geometry.width_um, geometry.width_um_u),
        "spacing_um_u": (geometry.spacing_um, geometry.spacing_um_u),
    }
    capacitance_pf = capacitance_pf_u = None
    if frequency_hz is not None:
        capacitance_pf = tuning_capacitance_pf(estimate.inductance_nh, frequency_hz)
        capacitance_pf_u = capacitance_pf * estimate.inductance_nh_u / estimate.inductance_nh
    return InductorResult(
        geometry=geometry,
        estimate=estimate,
        geometry_u_um={
            key: None if u is None else math.hypot(u, value * scale_u_rel) for key, (value, u) in lengths.items()
        },
        frequency_hz=frequency_hz,
        capacitance_pf=capacitance_pf,
        capacitance_pf_u=capacitance_pf_u,
    )
