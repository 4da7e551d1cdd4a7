"""Run every measurement over a mosaic and its annotated regions."""

from __future__ import annotations

import math

from dieplat.annotations import check_inside
from dieplat.antenna.quarter_wave import check_frequency
from dieplat.errors import ScaleError, SettingsError
from dieplat.inductance.assumptions import assume
from dieplat.measurement.areas import share_of
from dieplat.measurement.coverage import photographed_ground
from dieplat.measurement.placement import Inputs
from dieplat.output.tables import write_measurements
from dieplat.survey.blocks import Run, has_area
from dieplat.survey.details import Picture, conductors_inside
from dieplat.survey.die import die_of, die_result, placement_of
from dieplat.values import Layout, Regions, Scale
from dieplat.values.measurements import Measurements
from dieplat.values.stated import Stated
from dieplat.work import Progress

__all__ = ["measure_survey", "scale_of_picture", "write_measurements"]


def measure_survey(
    mosaic: Picture,
    regions: Regions,
    scale: Scale,
    *,
    stated: Stated | None = None,
    layout: Layout | None = None,
    progress: Progress | None = None,
) -> Measurements:
    """Measure every region of a mosaic.

    Parameters
    ----------
    mosaic : Mosaic
        The open mosaic; only crops around inductors and memory arrays are read.
    regions : Regions
        Annotations in mosaic pixels.
    scale : Scale
        Micrometres a pixel. Standard uncertainties of NaN say that they are not known: a warning then says
        that every uncertainty leaves the scale out.
    stated : Stated, optional
        What the user states beside the drawing; its defaults count unless given.
    layout : Layout, optional
        Solved tile positions; their uncertainties join those of the vertices. What is drawn where no tile
        lies is said, and inductors and memory arrays that reach there are not measured from the picture.
    progress : callable, optional
        Called with (regions done, regions in all).

    Returns
    -------
    Measurements
        What lies across tiles whose place the pictures leave open is not measured: neither it, nor the sum of its kind,
        nor what is unassigned. Marks (points) and conductor paths that belong to an inductor have no row of their own.

    Raises
    ------
    AnnotationError
        If a region reaches outside the mosaic.
    ScaleError, SettingsError
        If the scale or a setting is not a positive, finite number.
    """
    stated = stated or Stated()
    _check(scale, stated)
    assume(stated.surroundings, thickness_um=stated.thickness_um)  # refuses what cannot be, before any work
    check_inside(regions, mosaic.width_px, mosaic.height_px)
    die = die_of(mosaic, regions, layout, find=stated.find_die)
    placement = placement_of(regions, die, layout, vertex_u_px=stated.vertex_u_px, edge_u_px=stated.edge_u_px)
    run = Run(
        mosaic=mosaic,
        inputs=Inputs(scale, placement),
        stated=stated,
        conductors=regions.of_kind("conductor"),
        ground=None if layout is None else photographed_ground(layout),
    )
    run.warn_at_large(regions)
    run.warnings += die.remarks
    die_area = None if die.region is None else run.area(die.region)
    if die.region is not None:
        run.all_seen(die.region)
    owned = {
        id(path) for region in regions.of_kind("rf_inductor") for path in conductors_inside(region, run.conductors)
    }
    rows = [
        region
        for region in regions.regions
        if region.kind != "die" and id(region) not in owned and region.geometry.geom_type != "Point"
    ]
    blocks = []
    for done, region in enumerate(rows, 1):
        blocks.append(run.block(region, die_area))
        if progress is not None:
            progress(done, len(rows))
    areas = [region for region in rows if has_area(region)]
    refused = {row.kind for region, row in zip(rows, blocks, strict=True) if has_area(region) and row.area_um2 is None}
    overlaps = run.overlaps(areas)
    unassigned = None if die.region is None or refused else run.unassigned(die.region.geometry, areas)
    left = (None, None) if unassigned is None or die_area is None else share_of(unassigned, die_area)
    return Measurements(
        scale=scale,
        die=die_result(die, die_area, areas, run.inputs, stated.wafer),
        blocks=tuple(blocks),
        summary=tuple(run.summary(areas, refused, die_area)),
        unassigned_um2=None if unassigned is None else unassigned.value,
        unassigned_um2_u=None if unassigned is None else unassigned.u,
        overlaps=overlaps,
        warnings=tuple(run.warnings),
        assumptions=tuple(run.assumptions(blocks)),
        unassigned_share=left[0],
        unassigned_share_u=left[1],
    )


def _check(scale: Scale, stated: Stated) -> None:
    for value in (scale.um_per_px_x, scale.um_per_px_y):
        if not (math.isfinite(value) and value > 0):
            raise ScaleError(f"{scale.source}: a scale of {value:g} um/px cannot be used; calibrate again")
    if scale.um_per_px_x_u < 0 or scale.um_per_px_y_u < 0:
        raise ScaleError(f"{scale.source}: the scale's uncertainty is negative; calibrate again")
    if stated.frequency_hz is not None:
        check_frequency(stated.frequency_hz)
    if not (math.isfinite(stated.thickness_um) and stated.thickness_um > 0):
        raise SettingsError(f"metal thickness {stated.thickness_um:g} um must be positive and finite, such as 2.0")
    for name, value in (("vertex_u_px", stated.vertex_u_px), ("edge_u_px", stated.edge_u_px)):
        if not (math.isfinite(value) and value >= 0):
            raise SettingsError(f"{name} {value:g} must be finite and not negative")


def scale_of_picture(um_per_px_x: float, um_per_px_y: float, *, source: str) -> Scale:
    """A scale as a mosaic states it about itself: without uncertainties, which are NaN (not known)."""
    unknown = math.nan
    return Scale(um_per_px_x, unknown, um_per_px_y, unknown, unknown, unknown, 0, 0.0, source)
