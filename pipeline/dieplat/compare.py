"""Several dies beside one another: their measurements in one table, their outlines to one scale."""

from __future__ import annotations

import csv
import io
import math
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

from shapely.affinity import scale as stretched
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

from dieplat.annotations import load_regions
from dieplat.errors import AnnotationError, SettingsError
from dieplat.files import MARK, write_bytes
from dieplat.report.array_rows import other_counts
from dieplat.report.folder import BLOCKS, MEASUREMENTS, STATE, read_object
from dieplat.report.numbers import rounded
from dieplat.values import KINDS

Json = Mapping[str, Any]

AREAS = tuple(kind for kind in KINDS if kind not in ("die", "trace", "conductor"))
LARGEST = 1e18
"""Beyond this a number in a file is no figure of a die."""
UNASSIGNED = "unassigned"
COLUMNS = ("die", "source", "quantity", "kind", "name", "count", "value", "u", "unit", MARK)


@dataclass(frozen=True, slots=True)
class Value:
    """A value with its standard uncertainty; `u` is None where none is known."""

    value: float
    u: float | None = None

    @property
    def u_rel(self) -> float | None:
        """Relative standard uncertainty."""
        return None if self.u is None or self.value == 0 else self.u / abs(self.value)


@dataclass(frozen=True, slots=True)
class KindLine:
    """All blocks of one kind on one die; `share` is None without a die outline."""

    kind: str
    count: int | None
    area_um2: Value
    share: Value | None


@dataclass(frozen=True, slots=True)
class Detail:
    """One figure of a memory array or an inductor, by name."""

    name: str
    quantity: str
    value: Value
    unit: str


@dataclass(frozen=True, slots=True, eq=False)
class Shape:
    """A drawn outline in micrometres, x right, y down."""

    kind: str
    name: str
    outline_um: BaseGeometry


@dataclass(frozen=True, slots=True, eq=False)
class ComparedDie:
    """What one survey measured. `area_um2` and the sides are None where no die outline is known."""

    name: str
    source: Path
    um_per_px: Value
    area_um2: Value | None
    width_um: Value | None
    height_um: Value | None
    lines: tuple[KindLine, ...]
    details: tuple[Detail, ...]
    shapes: tuple[Shape, ...]
    notes: tuple[str, ...]

    def line(self, kind: str) -> KindLine | None:
        """The line of a kind, None where no block of it was drawn."""
        return next((line for line in self.lines if line.kind == kind), None)

    @property
    def extent_um(self) -> tuple[float, float, float, float] | None:
        """(x0, y0, x1, y1) of all outlines, or of the die's sides where nothing else is known."""
        bounds = [shape.outline_um.bounds for shape in self.shapes]
        if bounds:
            return (
                min(b[0] for b in bounds),
                min(b[1] for b in bounds),
                max(b[2] for b in bounds),
                max(b[3] for b in bounds),
            )
        if self.width_um is None or self.height_um is None:
            return None
        return 0.0, 0.0, self.width_um.value, self.height_um.value


@dataclass(frozen=True, slots=True, eq=False)
class Comparison:
    """Several dies, in the order given."""

    dies: tuple[ComparedDie, ...]

    @property
    def kinds(self) -> tuple[str, ...]:
        """Every kind that some die has, in one order for all; what is not assigned comes last."""
        present = {line.kind for die in self.dies for line in die.lines}
        return tuple(kind for kind in (*AREAS, UNASSIGNED) if kind in present)

    def to_dict(self) -> dict[str, Any]:
        """Plain values; lengths in micrometres, areas in square micrometres, `u` is k = 1."""
        return {
            "dies": [
                {
                    "name": die.name,
                    "source": str(die.source),
                    "um_per_px": asdict(die.um_per_px),
                    "area_um2": _plain(die.area_um2),
                    "width_um": _plain(die.width_um),
                    "height_um": _plain(die.height_um),
                    "kinds": [asdict(line) for line in die.lines],
                    "details": [asdict(line) for line in die.details],
                    "notes": list(die.notes),
                }
                for die in self.dies
            ]
        }


def compare_dies(paths: Sequence[Path]) -> Comparison:
    """Read the measurements of several surveys.

    Parameters
    ----------
    paths : sequence of Path
        Output folders of surveys, or measurements.json files. Outlines come from the blocks.geojson beside them.

    Raises
    ------
    SettingsError
        If fewer than two are given, or one is missing, damaged, or no measurements.
    """
    if len(paths) < 2:
        raise SettingsError("give at least two survey folders or measurements.json files to compare")
    dies = [read_die(path) for path in paths]
    return Comparison(tuple(_told_apart(dies)))


def read_die(path: Path) -> ComparedDie:
    """Read one survey; see `compare_dies`."""
    file = path / MEASUREMENTS if path.is_dir() else path
    measured = read_object(file)
    if measured is None:
        remedy = "run dieplat survey or dieplat measure first" if path.is_dir() else "give a survey's output folder"
        raise SettingsError(f"{file}: no such file; {remedy}")
    try:
        return _die_of(measured, file)
    except (KeyError, TypeError, ArithmeticError, ValueError, AttributeError):
        raise SettingsError(f"{file}: holds no measurements of dieplat; give a measurements.json") from None


def write_table(comparison: Comparison, path: Path) -> None:
    """Write every value as one line of CSV: die, quantity, kind, value, u, unit; the last column marks our file."""
    from dieplat import __version__

    text = io.StringIO()
    writer = csv.DictWriter(text, COLUMNS, lineterminator="\r\n")
    writer.writeheader()
    for row in _rows(comparison):
        writer.writerow({**row, MARK: f"dieplat {__version__}"})
    write_bytes(path, text.getvalue().encode("utf-8"))


def ratio(one: Value, other: Value) -> Value:
    """`one` over `other` for values of different surveys, whose errors are taken as independent (JCGM 100, 5.1.6)."""
    value = one.value / other.value
    parts = one.u_rel, other.u_rel
    known = all(part is not None for part in parts)
    return Value(value, abs(value) * math.hypot(*(part or 0.0 for part in parts)) if known else None)


def _rows(comparison: Comparison) -> Iterator[dict[str, Any]]:
    for die in comparison.dies:
        common = {"die": die.name, "source": str(die.source)}
        for quantity, value, unit in (
            ("scale", die.um_per_px, "um/px"),
            ("die area", die.area_um2, "um2"),
            ("die width", die.width_um, "um"),
            ("die height", die.height_um, "um"),
        ):
            if value is not None:
                yield {**common, "quantity": quantity, "value": value.value, "u": value.u, "unit": unit}
        for line in die.lines:
            kind = {**common, "kind": line.kind, "count": line.count}
            yield {**kind, "quantity": "area", "value": line.area_um2.value, "u": line.area_um2.u, "unit": "um2"}
            if line.share is not None:
                yield {**kind, "quantity": "share of die", "value": line.share.value, "u": line.share.u, "unit": "1"}
        for item in die.details:
            named = {**common, "name": item.name, "quantity": item.quantity}
            yield {**named, "value": item.value.value, "u": item.value.u, "unit": item.unit}


def _die_of(measured: Json, file: Path) -> ComparedDie:
    scale = measured["scale"]
    um_per_px = float(scale["um_per_px_x"]), float(scale["um_per_px_y"])
    die = measured["die"]
    notes = []
    if die is None:
        notes.append("no die outline: there are areas, but no shares")
    elif die.get("found"):
        notes.append("the die outline was found in the picture, nobody drew it")
    if scale.get("um_per_px_x_u") is None:
        notes.append("its scale has no uncertainty, so its areas leave that out; shares do not feel the scale")
    shapes, missing = _shapes(file.parent / BLOCKS, measured, um_per_px)
    lines = [
        KindLine(
            str(line["kind"]),
            int(line["count"]),
            _value(line["area_um2"], line.get("area_um2_u")),
            _share(line.get("share_of_die"), line.get("share_of_die_u")),
        )
        for line in measured["summary"]
        if line["kind"] in AREAS
    ]
    left = measured.get("unassigned_um2")
    if left is not None and die is not None:
        area = _value(left, measured.get("unassigned_um2_u"))
        lines.append(KindLine(UNASSIGNED, None, area, _share_left(area, die, measured)))
    state = read_object(file.parent / STATE) or {}
    return ComparedDie(
        name=str(state.get("title") or file.resolve().parent.name),
        source=file,
        um_per_px=_value(um_per_px[0], scale.get("um_per_px_x_u")),
        area_um2=_of(die, "area_um2"),
        width_um=_of(die, "width_um"),
        height_um=_of(die, "height_um"),
        lines=tuple(lines),
        details=tuple(_details(measured["blocks"])),
        shapes=shapes,
        notes=(*notes, *missing, *_left_out(measured)),
    )


def _value(value: Any, u: Any) -> Value:
    """A number of the file; one that no die has means that the file is damaged."""
    numbers = [float(value)] + ([] if u is None else [float(u)])
    if not all(abs(number) < LARGEST for number in numbers):
        raise ValueError(f"{numbers} is no measurement")
    return Value(numbers[0], numbers[1] if len(numbers) > 1 else None)


def _share_left(area: Value, die: Json, measured: Json) -> Value:
    """The share that no block covers: what is left of 1, so its error is that of the shares that are drawn.

    A stated uncertainty is taken as it is; else the shares' own are added up as if wholly correlated, which is the
    most that they can be (JCGM 100, 5.2.2, note 1).
    """
    value = area.value / float(die["area_um2"])
    stated = measured.get("unassigned_share_u")
    if stated is not None:
        return _value(value, stated)
    shares = [line.get("share_of_die_u") for line in measured["summary"] if line["kind"] in AREAS]
    return _value(value, None if None in shares else sum(shares))


def _share(share: float | None, u: float | None) -> Value | None:
    return None if share is None else _value(share, u)


def _of(die: Json | None, key: str) -> Value | None:
    return None if die is None or die.get(key) is None else _value(die[key], die.get(f"{key}_u"))


def _details(blocks: Sequence[Json]) -> Iterator[Detail]:
    for block in blocks:
        array, coil = block.get("array"), block.get("inductor")
        name = str(block["name"])
        if array:
            for key, quantity, unit in (
                ("cells", "memory cells", "1"),
                ("cell_area_um2", "cell area", "um2"),
                ("efficiency", "cells' share of the array", "1"),
                ("capacity_bits", "capacity", "bit"),
            ):
                if array.get(key) is not None:
                    yield Detail(name, quantity, _value(array[key], array.get(f"{key}_u")), unit)
        if coil:
            value = _value(coil["inductance_nh"], coil.get("inductance_nh_u"))
            yield Detail(name, "inductance", value, "nH")


def _left_out(measured: Json) -> Iterator[str]:
    """What is drawn and has an area but not the figures of its kind, and why; counts that may be others."""
    warnings = [str(text) for text in measured.get("warnings") or ()]
    for block in measured["blocks"]:
        what, key = {"memory_array": ("memory array", "array"), "rf_inductor": ("inductor", "inductor")}.get(
            str(block["kind"]), ("", "")
        )
        if not what:
            continue
        named, found = f"{what} '{block['name']}'", block.get(key)
        if not found:
            start = f"{named} was not measured: "
            why = next((": " + text.removeprefix(start) for text in warnings if text.startswith(start)), "")
            yield f"{named} was not measured, only its area is here{why.rstrip('.')}"
        elif what == "memory array" and found.get("cells") is None:
            yield f"{named} was looked at in part, so its cells are not counted"
        elif found.get("other_cells"):
            yield f"{named} has {rounded(found['cells'], 0)} cells{other_counts(found)}"


def _shapes(path: Path, measured: Json, um_per_px: tuple[float, float]) -> tuple[tuple[Shape, ...], tuple[str, ...]]:
    """Drawn outlines in micrometres; a die that was found instead of drawn comes from the measurements."""
    found = []
    notes: list[str] = []
    if path.is_file():
        try:
            regions = load_regions(path, um_per_px=um_per_px).regions
        except AnnotationError as error:
            regions = ()
            notes.append(f"its outlines are not shown: {error}")
        found = [(region.kind, region.name, region.geometry) for region in regions if region.geometry.area > 0]
    die = measured.get("die") or {}
    outline = die.get("outline_px") or ()
    if len(outline) > 2 and not any(kind == "die" for kind, _, _ in found):
        found.append(("die", str(die.get("name") or "Die"), Polygon(outline)))
    if not found and not notes:
        notes.append(f"its outlines are not shown: there is no {BLOCKS} beside its measurements")
    return tuple(
        Shape(kind, name, stretched(geometry, um_per_px[0], um_per_px[1], origin=(0, 0)))
        for kind, name, geometry in found
    ), tuple(notes)


def _told_apart(dies: Sequence[ComparedDie]) -> Iterator[ComparedDie]:
    """Dies of one name get their file's folder with it, and a number if that is the same too."""
    names = Counter(die.name for die in dies)
    longer = [die.name if names[die.name] == 1 else f"{die.name} ({die.source.parent})" for die in dies]
    again = Counter(longer)
    seen: Counter[str] = Counter()
    for die, name in zip(dies, longer, strict=True):
        seen[name] += 1
        own = name if again[name] == 1 else f"{name}, {seen[name]}"
        yield replace(die, name=own)


def _plain(value: Value | None) -> dict[str, float | None] | None:
    return None if value is None else {"value": value.value, "u": value.u}
