"""Measurements as JSON and as one flat CSV table."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from dieplat import __version__
from dieplat.errors import SettingsError
from dieplat.files import MADE_BY, MARK, check_replaceable, json_bytes, to_plain, write_together
from dieplat.values.measurements import Measurements

_INDUCTOR = (
    "shape",
    "turns",
    "outer_um",
    "inner_um",
    "width_um",
    "spacing_um",
    "method",
    "inductance_nh",
    "inductance_nh_u",
    "capacitance_at_pf",
    "resistance_ohm",
    "resistance_ohm_low",
    "resistance_ohm_high",
    "self_resonance_hz",
    "self_resonance_hz_low",
    "self_resonance_hz_high",
)
_ESTIMATES = ("segment_sum", "current_sheet", "modified_wheeler", "monomial")
_ARRAY = (
    "pitch_x_um",
    "pitch_x_um_u",
    "pitch_y_um",
    "pitch_y_um_u",
    "cell_area_um2",
    "columns",
    "rows",
    "cells",
    "banks",
    "cell_area_um2_u",
    "efficiency",
    "efficiency_u",
    "bits_per_cell",
    "capacity_bits",
    "capacity_bits_u",
)
_TRACE = (
    "length_um",
    "length_um_u",
    "frequency_hz",
    "quarter_wave_um",
    "velocity_factor",
    "shortening_factor",
    "ratio_to_quarter_wave",
)
_SCALE = ("um_per_px_x", "um_per_px_x_u", "um_per_px_y", "um_per_px_y_u", "pitch_um", "pitch_um_u")
COLUMNS = (
    "section",
    "name",
    "kind",
    "count",
    "area_um2",
    "area_um2_u",
    "perimeter_um",
    "perimeter_um_u",
    "share_of_die",
    "share_of_die_u",
    "width_um",
    "width_um_u",
    "height_um",
    "height_um_u",
    "rotation_deg",
    "rotation_deg_u",
    *(f"inductor_{key}" for key in _INDUCTOR),
    *(f"inductor_{key}" for key in _ESTIMATES),
    *(f"array_{key}" for key in _ARRAY),
    *(f"trace_{key}" for key in _TRACE),
    *_SCALE,
    "text",
    MARK,
)
"""`section` says what a row is: scale, die, block, summary, unassigned or warning."""


def write_measurements(measurements: Measurements, path: Path) -> Path:
    """Write `measurements` as JSON to `path` and as CSV beside it, both or neither; return the path of the CSV."""
    table = csv_beside(path)
    write_together({path: json_bytes(measurements.to_dict()), table: to_csv(measurements).encode("utf-8")})
    return table


def csv_beside(path: Path) -> Path:
    """The CSV's path for a JSON's.

    Raises
    ------
    SettingsError
        If both would be the same file.
    """
    table = path.with_suffix(".csv")
    if table == path:
        raise SettingsError(f"{path}: the results are written as JSON; give a name that ends in .json")
    return table


def check_outputs(path: Path, *, replace: bool = False) -> list[Path]:
    """Check before the work that JSON and CSV can be written; return those that will be replaced.

    Raises
    ------
    SettingsError
        If the folder is not there, or the name does not suit.
    OutputExistsError
        If a file that dieplat did not write is in the way and `replace` is false.
    """
    if not path.parent.is_dir():
        raise SettingsError(f"{path}: there is no folder {path.parent}; make it first")
    return [name for name in (path, csv_beside(path)) if check_replaceable(name, replace=replace)]


def to_csv(measurements: Measurements) -> str:
    """The table as text (RFC 4180): a row a block, numbers as in the JSON, missing values empty."""
    text = io.StringIO(newline="")
    writer = csv.DictWriter(text, COLUMNS, restval="", lineterminator="\r\n")
    writer.writeheader()
    for row in _rows(to_plain(measurements.to_dict())):
        writer.writerow({**row, MARK: f"{MADE_BY} {__version__}"})
    return text.getvalue()


def _rows(document: Mapping[str, Any]) -> Iterator[dict[str, Any]]:
    yield {"section": "scale", **_some(document["scale"], _SCALE), "text": document["scale"]["source"]}
    if document["die"] is not None:
        yield {"section": "die", "kind": "die", **_some(document["die"], COLUMNS)}
    for block in document["blocks"]:
        yield {"section": "block", **_some(block, COLUMNS), **_details(block)}
    for line in document["summary"]:
        yield {"section": "summary", **_some(line, COLUMNS)}
    if document["unassigned_um2"] is not None:
        area, u = document["unassigned_um2"], document["unassigned_um2_u"]
        shares = {"share_of_die": document["unassigned_share"], "share_of_die_u": document["unassigned_share_u"]}
        yield {"section": "unassigned", "area_um2": area, "area_um2_u": u, **shares}
    for warning in document["warnings"]:
        yield {"section": "warning", "text": warning}


def _details(block: Mapping[str, Any]) -> dict[str, Any]:
    flat: dict[str, Any] = {}
    for part, keys in (("inductor", _INDUCTOR), ("array", _ARRAY), ("trace", _TRACE)):
        if block[part] is not None:
            flat |= {f"{part}_{key}": value for key, value in _some(block[part], keys).items()}
    if block["inductor"] is not None:
        flat |= {f"inductor_{key}": block["inductor"]["estimates"].get(key) for key in _ESTIMATES}
    return flat


def _some(values: Mapping[str, Any], keys: tuple[str, ...]) -> dict[str, Any]:
    return {key: values[key] for key in keys if values.get(key) is not None}
