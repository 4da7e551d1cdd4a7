"""The check of a survey's uncertainties by drawing all inputs anew (JCGM 101:2008, clause 8)."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from dieplat.measurement.areas import measure_area, measure_left, share_of
from dieplat.measurement.montecarlo import Validation, validate
from dieplat.measurement.placement import Inputs, Placement
from dieplat.measurement.redraw import Redraw
from dieplat.measurement.sides import measure_sides
from dieplat.survey.blocks import has_area
from dieplat.survey.die import Die, placement_of
from dieplat.values import KINDS, Layout, Regions, Scale
from dieplat.values.stated import EDGE_U_PX, VERTEX_U_PX

DRAWS = 20_000
"""Ends of a 95 % interval are then known to about 2 % of u, well below half of its first digit (5 to 50 % of u)."""


def check_survey(
    regions: Regions,
    scale: Scale,
    *,
    layout: Layout | None = None,
    vertex_u_px: float = VERTEX_U_PX,
    edge_u_px: float = EDGE_U_PX,
    draws: int = DRAWS,
    digits: int = 1,
    rng: np.random.Generator,
) -> tuple[Validation, ...]:
    """Compare the stated intervals of a survey with those that drawing all its inputs gives.

    Parameters
    ----------
    regions, scale, layout, vertex_u_px, edge_u_px
        As for `measure_survey`. A die outline must be drawn for shares.
    draws : int
    digits : int
        Significant digits of u that count; see `dieplat.measurement.montecarlo.validate`.
    rng : Generator

    Returns
    -------
    tuple of Validation
        "NAME: area" and "NAME: share" of every block, "die: area", "die: width", "die: height", "KIND: sum" and
        "unassigned". Areas in um2, lengths in um.
    """
    die = next(iter(regions.of_kind("die")), None)
    areas = [region for region in regions.regions if region.kind != "die" and has_area(region)]
    placement: Placement = placement_of(regions, Die(die, {}), layout, vertex_u_px=vertex_u_px, edge_u_px=edge_u_px)
    inputs = Inputs(scale, placement)
    shapes = [region.geometry for region in areas]
    asked = [*shapes] if die is None else [die.geometry, *shapes]
    whole = None if die is None else measure_area([die.geometry], inputs)
    left = None if die is None else measure_left(die.geometry, shapes, inputs)
    if not asked:
        return ()
    redraw = Redraw(asked, scale, placement, draws=draws, rng=rng)
    results: list[Validation] = []

    def add(name: str, value: float, u: float, drawn: npt.NDArray[np.float64]) -> None:
        results.append(validate(name, value, u, drawn, digits=digits))

    whole_drawn = None if die is None else redraw.area([die.geometry])
    for region in areas:
        area, drawn = measure_area([region.geometry], inputs), redraw.area([region.geometry])
        add(f"{region.name}: area", area.value, area.u, drawn)
        if whole is not None and whole_drawn is not None:
            add(f"{region.name}: share", *share_of(area, whole), drawn / whole_drawn)
    for kind in KINDS:
        members = [region.geometry for region in areas if region.kind == kind]
        if len(members) > 1:
            total = measure_area(members, inputs)
            add(f"{kind}: sum", total.value, total.u, redraw.area(members))
    if die is not None and whole is not None and whole_drawn is not None and left is not None:
        add("die: area", whole.value, whole.u, whole_drawn)
        sides, drawn_sides = measure_sides(die.geometry, inputs), redraw.sides(die.geometry)
        if drawn_sides is not None:
            add("die: width", sides.width.value, sides.width.u, drawn_sides[0])
            add("die: height", sides.height.value, sides.height.u, drawn_sides[1])
        # Overlapping outlines cut corners that nobody drew: their errors are not among the draws.
        if redraw.knows_left(die.geometry, shapes):
            add("unassigned", left.value, left.u, redraw.left(die.geometry, shapes))
    return tuple(results)
