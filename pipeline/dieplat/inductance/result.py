"""An inductor's geometry, estimate and electrical figures as one result, for the calculator and for a survey."""

from __future__ import annotations

import math
from collections.abc import Sequence

from dieplat.inductance.electrical import electrical_figures
from dieplat.inductance.estimate import coil_line, estimate_inductance
from dieplat.inductance.meaning import explanations
from dieplat.inductance.resistance_q import tuning_capacitance_pf
from dieplat.values.electrical import Electrical, Surroundings
from dieplat.values.inductor import InductanceEstimate, InductorGeometry
from dieplat.values.measurements import InductorResult


def describe_inductor(
    geometry: InductorGeometry,
    *,
    thickness_um: float = 2.0,
    scale_u_rel: float = 0.0,
    frequency_hz: float | None = None,
    surroundings: Surroundings | None = None,
    piece_widths_um: Sequence[float] | None = None,
) -> InductorResult:
    """Everything about one inductor: its inductance, and what it is in a circuit.

    Parameters
    ----------
    geometry : InductorGeometry
        What was measured or given.
    thickness_um, scale_u_rel, piece_widths_um
        See `estimate_inductance`.
    frequency_hz : float, optional
        For the capacitance that tunes the inductor there, and for resistance and quality factor there.
    surroundings : Surroundings, optional
        What is said of metal, dielectric, substrate, underpass and ground.

    Raises
    ------
    SettingsError
        If a size, a frequency or something said of the surroundings cannot be.
    """
    said = Surroundings() if surroundings is None else surroundings
    estimate = estimate_inductance(
        geometry,
        thickness_um=thickness_um,
        scale_u_rel=scale_u_rel,
        ground_depth_um=said.ground_um,
        underpass_um=said.underpass_um,
        piece_widths_um=piece_widths_um,
    )
    if frequency_hz is not None:
        tuning_capacitance_pf(estimate.inductance_nh, frequency_hz)  # refuses what is no frequency
    line = coil_line(
        geometry, thickness_um=thickness_um, underpass_um=said.underpass_um, piece_widths_um=piece_widths_um
    )
    electrical = electrical_figures(geometry, estimate, line, said, frequency_hz=frequency_hz)
    return combine_inductor(
        geometry, estimate, scale_u_rel=scale_u_rel, frequency_hz=frequency_hz, electrical=electrical
    )


def combine_inductor(
    geometry: InductorGeometry,
    estimate: InductanceEstimate,
    *,
    scale_u_rel: float = 0.0,
    frequency_hz: float | None = None,
    electrical: Electrical | None = None,
) -> InductorResult:
    """Join geometry, estimate and electrical figures; its `to_dict` is the `inductor` object of all JSON output.

    Parameters
    ----------
    geometry, estimate, electrical
        What was measured or given, its inductance, and what it is in a circuit.
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
        electrical=electrical,
        explanations=explanations(geometry),
    )
