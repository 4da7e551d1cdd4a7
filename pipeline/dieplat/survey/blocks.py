"""The measurements of a survey block by block, and the warnings that gather on the way."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from typing import cast

from shapely.geometry import LineString, MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry

from dieplat.antenna.quarter_wave import Factor, compare_with_quarter_wave
from dieplat.errors import InputError, SettingsError, UndecidedError
from dieplat.measurement.areas import measure_area, measure_left, measure_perimeter, overlaps_of, share_of
from dieplat.measurement.coverage import unseen_share
from dieplat.measurement.lengths import measure_length
from dieplat.measurement.open_places import open_in_words, open_tiles
from dieplat.measurement.placement import Inputs
from dieplat.measurement.propagation import Measured
from dieplat.measurement.scale_parts import scale_known
from dieplat.survey.arrays import array_result, array_wishes
from dieplat.survey.details import Picture, conductors_inside, inductor_result, reads_pixels
from dieplat.values import KINDS, Region, Regions, Scale
from dieplat.values.measurements import (
    ArrayResult,
    BlockResult,
    InductorResult,
    KindSummary,
    Overlap,
    TraceResult,
)
from dieplat.values.stated import Stated

READ_INSIDE = {"rf_inductor": "inductor", "memory_array": "memory array"}
"""Kinds of which more than the outline is read, and how a person calls them."""


@dataclass(slots=True)
class Run:
    """One run's settings, and the warnings that gather on the way."""

    mosaic: Picture
    inputs: Inputs
    stated: Stated
    conductors: tuple[Region, ...]
    ground: BaseGeometry | None
    warnings: list[str] = field(default_factory=list)

    @property
    def scale(self) -> Scale:
        """The scale of the mosaic."""
        return self.inputs.scale

    @property
    def um2_per_px2(self) -> float:
        """Micrometres squared a square pixel."""
        return self.scale.um_per_px_x * self.scale.um_per_px_y

    def warn_at_large(self, regions: Regions) -> None:
        """Warn of what concerns the whole set of annotations."""
        if not scale_known(self.scale):
            self.warnings.append(
                "the scale carries no uncertainty, so every uncertainty here leaves the scale out; "
                "give a scale.json from dieplat calibrate"
            )
        if regions.proposed:
            self.warnings.append(
                f"blocks that are proposed, not accepted, and so not counted: {len(regions.proposed)}; "
                "look at them with dieplat annotate"
            )
        for name, count in Counter(region.name for region in regions.regions).items():
            if count > 1:
                self.warnings.append(f"the name '{name}' is used {count} times; results can only be told by order")

    def area(self, region: Region) -> Measured:
        """Area of one outline."""
        return measure_area([region.geometry], self.inputs)

    def block(self, region: Region, die_area: Measured | None) -> BlockResult:
        """Measure one annotation other than the die, unless it lies across tiles whose place is open."""
        if self.left_open(region):
            return BlockResult(region.name, region.kind)
        seen, read = self.all_seen(region), READ_INSIDE.get(region.kind)
        settled = read is None or not self.left_open(region, f"{read} ", inside=True)
        if region.kind == "trace":
            budget = self.length(region).budget
            return BlockResult(region.name, region.kind, trace=self.trace(region), budget=budget)
        if region.kind == "conductor":
            return BlockResult(region.name, region.kind, inductor=self.inductor(region))
        area = self.area(region)
        perimeter = measure_perimeter(region.geometry, self.inputs)
        share, share_u = (None, None) if die_area is None else share_of(area, die_area)
        return BlockResult(
            name=region.name,
            kind=region.kind,
            area_um2=area.value,
            area_um2_u=area.u,
            perimeter_um=perimeter.value,
            perimeter_um_u=perimeter.u,
            share_of_die=share,
            share_of_die_u=share_u,
            inductor=self.inductor(region)
            if region.kind == "rf_inductor" and settled and (seen or not self.from_pixels(region))
            else None,
            array=self.array(region) if region.kind == "memory_array" and settled and seen else None,
            budget=area.budget,
        )

    def left_open(self, region: Region, what: str = "", *, inside: bool = False) -> bool:
        """Whether a region, or what is read `inside` it, lies across tiles whose place is open; warns of it."""
        layout = self.inputs.placement.layout
        tiles = () if layout is None else open_tiles(region.geometry, layout, inside=inside)
        if tiles:
            self.warnings.append(f"{what}'{region.name}' was not measured: it lies across {open_in_words(tiles)}")
        return bool(tiles)

    def from_pixels(self, region: Region) -> bool:
        """Whether the region is measured from the picture itself."""
        return reads_pixels(region, conductors_inside(region, self.conductors))

    def all_seen(self, region: Region) -> bool:
        """Whether tiles show all of a region; warns of what that means where they do not."""
        share = 0.0 if self.ground is None else unseen_share(region.geometry, self.ground)
        if share == 0.0:
            return True
        percent = f"{100 * share:.3g} %"
        if self.from_pixels(region):
            self.warnings.append(
                f"{READ_INSIDE[region.kind]} '{region.name}' was not measured: {percent} of its outline lies where no "
                "tile was photographed; photograph the gap or redraw the outline"
            )
        else:
            what = "area is that of its outline" if has_area(region) else "length is that of the drawn line"
            self.warnings.append(f"'{region.name}': its {what}, and {percent} of it was not photographed")
        return False

    def trace(self, region: Region) -> TraceResult:
        """Length of a path and, where a frequency is given, its ratio to a quarter wave."""
        length = self.length(region)
        wave = None
        if self.stated.frequency_hz is not None:
            try:
                wave = compare_with_quarter_wave(
                    length.value,
                    self.stated.frequency_hz,
                    length_um_u=length.u,
                    velocity_factor=factor_of(region, "velocity_factor", self.stated.velocity_factor),
                    shortening_factor=factor_of(region, "shortening_factor", self.stated.shortening_factor),
                )
            except SettingsError as error:
                raise SettingsError(f"trace '{region.name}': {error}") from None
        return TraceResult(length.value, length.u, wave)

    def length(self, region: Region) -> Measured:
        """Length of a path."""
        return measure_length(cast(LineString, region.geometry), self.inputs)

    def inductor(self, region: Region) -> InductorResult | None:
        """Measure an inductor, or warn that the picture does not decide it."""
        paths = [region] if region.kind == "conductor" else conductors_inside(region, self.conductors)
        if region.kind != "conductor" and any(path.width_um is None for path in paths):
            self.warnings.append(
                f"inductor '{region.name}': its conductor path has no width_um and was not used; give it one"
            )
        try:
            return inductor_result(
                self.mosaic,
                region,
                paths,
                self.scale,
                frequency_hz=self.stated.frequency_hz,
                thickness_um=self.stated.thickness_um,
                surroundings=self.stated.surroundings,
                vertex_u_px=self.inputs.placement.vertex_u_px,
            )
        except (UndecidedError, InputError) as error:
            remedy = "; draw its centre line as a 'conductor' path with width_um"
            if paths or "conductor" in str(error):
                remedy = ""
            self.warnings.append(f"inductor '{region.name}' was not measured: {error}{remedy}")
            return None

    def array(self, region: Region) -> ArrayResult | None:
        """Measure a memory array, or warn that the picture does not decide it."""
        array_wishes(region)  # a property that makes no sense is an error, not a refusal
        try:
            result, remark = array_result(self.mosaic, region, self.inputs)
        except (UndecidedError, InputError) as error:
            self.warnings.append(
                f"memory array '{region.name}' was not measured: {str(error).removeprefix('memory array: ')}"
            )
            return None
        if remark is not None:
            self.warnings.append(f"memory array '{region.name}': {remark}")
        return result

    def overlaps(self, areas: list[Region]) -> tuple[Overlap, ...]:
        """Blocks that cover the same ground, each with a warning."""
        found = []
        for first, second, area_px2 in overlaps_of([region.geometry for region in areas]):
            a, b = areas[first], areas[second]
            overlap = Overlap(a.name, b.name, area_px2 * self.um2_per_px2)
            smaller = min(a.geometry.area, b.geometry.area)
            self.warnings.append(
                f"'{a.name}' and '{b.name}' overlap by {overlap.area_um2:.4g} um2 "
                f"({100 * area_px2 / smaller:.2g} % of the smaller); sums count it twice"
            )
            found.append(overlap)
        return tuple(found)

    def unassigned(self, die: BaseGeometry, areas: list[Region]) -> Measured:
        """What of the die no block covers; warns of blocks that reach beyond the die."""
        for region in areas:
            beyond = region.geometry.difference(die).area
            if beyond > 1.0:
                self.warnings.append(
                    f"'{region.name}' reaches {beyond * self.um2_per_px2:.4g} um2 beyond the die outline "
                    f"({100 * beyond / region.geometry.area:.2g} % of it)"
                )
        return measure_left(die, [region.geometry for region in areas], self.inputs)

    def summary(self, areas: list[Region], refused: set[str], die_area: Measured | None) -> list[KindSummary]:
        """One line a kind, in the order of `KINDS`, without the kinds of which a block was refused."""
        lines = []
        for kind in KINDS:
            shapes = [region.geometry for region in areas if region.kind == kind]
            if shapes and kind not in refused:
                total = measure_area(shapes, self.inputs)
                share, share_u = (None, None) if die_area is None else share_of(total, die_area)
                lines.append(KindSummary(kind, len(shapes), total.value, total.u, share, share_u))
        return lines

    def assumptions(self, blocks: list[BlockResult]) -> list[str]:
        """What the numbers take for granted, in words."""
        place = self.inputs.placement
        lines = [
            f"every drawn coordinate is known to {place.vertex_u_px:.3g} px, a common offset of edges to "
            f"{place.edge_u_px:.3g} px (standard uncertainties)"
        ]
        if not self.scale.axes_independent and self.scale.um_per_px_x == self.scale.um_per_px_y:
            lines.append("pixels are square: the scale was measured along one axis only")
        if place.layout is None:
            lines.append("tile positions add nothing: no layout.json was given")
        if any(block.inductor is not None for block in blocks):
            lines.append(f"the metal of inductors is {self.stated.thickness_um:g} um thick")
        waves = {
            f"trace '{block.name}' is compared with a quarter wave {block.trace.quarter_wave.assumption}"
            for block in blocks
            if block.trace is not None and block.trace.quarter_wave is not None
        }
        return lines + sorted(waves)


def has_area(region: Region) -> bool:
    """Whether a region is an outline, not a path or a mark."""
    return isinstance(region.geometry, (Polygon, MultiPolygon))


def factor_of(region: Region, key: str, default: Factor | None) -> Factor | None:
    """A factor that a trace states itself, as a number or as [least, largest]."""
    value = region.properties.get(key)
    if value is None:
        return default
    parts = value if isinstance(value, list) and len(value) == 2 else [value]
    if any(isinstance(part, bool) or not isinstance(part, (int, float)) for part in parts):
        raise SettingsError(f"{key} must be a number, or a range [least, largest]")
    return float(parts[0]) if len(parts) == 1 else (float(parts[0]), float(parts[1]))
