"""The reference, made from the code itself: the files that are written, key by key, and what errors mean."""

from __future__ import annotations

import inspect
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, fields
from typing import Any

from dieplat import errors
from dieplat.values import board, correction, electrical, layout, measurements, scale

UNITS = {
    "_px": "px",
    "_um": "µm",
    "_um2": "µm²",
    "_mm": "mm",
    "_nm": "nm",
    "_nh": "nH",
    "_pf": "pF",
    "_ff": "fF",
    "_ohm": "ohm",
    "_hz": "Hz",
    "_deg": "degrees",
    "_bits": "bits",
    "_rel": "relative",
    "_share": "fraction",
    "share_of_die": "fraction",
    "um_per_px_x": "µm a pixel",
    "um_per_px_y": "µm a pixel",
    "um_per_px_at_centre": "µm a pixel",
}
"""Of a quantity, by the end of its key, or by the whole of it."""


@dataclass(frozen=True, slots=True)
class Record:
    """An object of a file: where it stands, and the class that it is written from.

    `keys` stand in place of the class's own, where it is written otherwise.
    """

    place: str
    made_from: type[Any]
    keys: tuple[str, ...] = ()


INDUCTOR_KEYS = (
    "shape turns turns_u outer_um outer_um_u inner_um inner_um_u width_um width_um_u spacing_um spacing_um_u method "
    "symmetric rotation_deg centre_px path_um guard_ring inductance_nh inductance_nh_u estimates budget best_estimate "
    "why_best capacitance_at_pf capacitance_at_pf_u frequency_hz thickness_um ground_depth_um assumptions remarks "
    "explanations resistance_ohm resistance_ohm_low resistance_ohm_high self_resonance_hz self_resonance_hz_low "
    "self_resonance_hz_high q_at electrical"
)
CAMERA_KEYS = (
    "um_per_px_at_centre um_per_px_at_centre_u tilt_deg tilt_deg_u focal_half_diagonals focal_half_diagonals_u k1 k1_u "
    "residuals_px misfit degrees_of_freedom"
)
FILES: Mapping[str, tuple[Record, ...]] = {
    "layout.json": (
        Record("", layout.Layout),
        Record("tiles[]", layout.PlacedTile),
        Record("pairs[]", layout.PairLink),
        Record("fused[]", layout.FusedTile),
        Record("lens", correction.Lens),
    ),
    "scale.json": (
        Record("", scale.Scale),
        Record("budget[]", scale.ScalePart),
        Record("rulings[]", scale.RulingLines),
    ),
    "measurements.json": (
        Record("", measurements.Measurements),
        Record("die", measurements.DieResult),
        Record("die.pad_rows[]", measurements.PadRow),
        Record("die.wafer", measurements.WaferEstimate),
        Record("blocks[]", measurements.BlockResult),
        Record("blocks[].budget[]", scale.BudgetLine),
        Record("blocks[].inductor", measurements.InductorResult, tuple(INDUCTOR_KEYS.split())),
        Record("blocks[].inductor.electrical", electrical.Electrical),
        Record("blocks[].inductor.electrical.assumed[]", electrical.Assumed),
        Record("blocks[].inductor.electrical.at", electrical.AtFrequency),
        Record("a value with its range", electrical.Interval),
        Record("blocks[].array", measurements.ArrayResult),
        Record("blocks[].trace", measurements.TraceResult),
        Record("blocks[].trace, with a frequency", measurements.QuarterWave),
        Record("summary[]", measurements.KindSummary),
        Record("overlaps[]", measurements.Overlap),
    ),
    "board.json": (
        Record("", board.BoardMeasurements),
        Record("camera", board.BoardCamera, tuple(CAMERA_KEYS.split())),
        Record("traces[]", board.BoardTrace),
    ),
}


def files_reference() -> str:
    """What is in every JSON file, as Markdown."""
    parts = [
        "# Files",
        "",
        "All JSON is UTF-8; a missing value is null. A key that ends in `_u` is the standard uncertainty (k = 1, JCGM "
        "100) of its namesake. Every file ends with `made_by`, the program and its version.",
    ]
    for name, records in FILES.items():
        parts += ["", f"## {name}"]
        for record in records:
            parts += ["", f"### {record.place or 'the file'}", "", _said(record.made_from), "", *_listed(record)]
    return "\n".join(parts) + "\n"


def keys_of(record: Record) -> tuple[str, ...]:
    """The keys of an object, in the order of its class."""
    # What stands under `quarter_wave` is written beside the others.
    own = tuple(field.name for field in fields(record.made_from) if field.name != "quarter_wave")
    return record.keys or own


def unit_of(key: str) -> str:
    """The unit of a key; empty where it has none."""
    name = key.removesuffix("_u").removesuffix("_low").removesuffix("_high")
    ends = [end for end in UNITS if name.endswith(end)]
    return UNITS[max(ends, key=len)] if ends else ""


def errors_reference() -> str:
    """What the errors mean, as Markdown."""
    parts = [
        "# Errors",
        "",
        "Bad input ends with exit status 1 and one line on stderr that names the file and what to do; wrong usage with "
        "2. In a program every error is a `DieplatError`:",
        "",
    ]
    for kind in _leaves(errors.DieplatError):
        parts.append(f"- `{kind.__name__}`: {_said(kind)}")
    return "\n".join(parts) + "\n"


def _leaves(kind: type[Exception]) -> Iterator[type[Exception]]:
    for below in kind.__subclasses__():
        yield from _leaves(below) if below.__subclasses__() else (below,)


def _listed(record: Record) -> Iterator[str]:
    for key in keys_of(record):
        unit = unit_of(key)
        yield f"- `{key}`{f' ({unit})' if unit else ''}"


def _said(thing: type[Any]) -> str:
    """A class's own words, as one paragraph."""
    return " ".join(inspect.cleandoc(thing.__doc__ or "").split())
