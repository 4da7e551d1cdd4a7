"""Reading and writing scale.json."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from dieplat.errors import ScaleError
from dieplat.files import check_plain, write_json
from dieplat.values import BudgetLine, RulingLines, Scale, ScalePart
from dieplat.values.bounds import UM_PER_PX, is_within

REMEDY = "write it with dieplat calibrate"
LENGTHS = ("um_per_px_x", "um_per_px_y", "pitch_um")
UNCERTAINTIES = ("um_per_px_x_u", "um_per_px_y_u", "pitch_um_u")
EFFECTS = ("on_x", "on_y", "on_angle")
LARGEST_EFFECT = 10.0
"""What a relative error does to either axis and to their angle is 2 at most; a file may say more, but not
anything (the limit is a choice of ours, no source)."""


def save_scale(path: Path, scale: Scale) -> None:
    """Write `scale` as scale.json, whole or not at all."""
    write_json(path, scale.to_dict())


def load_scale(path: Path) -> Scale:
    """Read and check a scale.json.

    Raises
    ------
    ScaleError
        If the file is no JSON object, lacks a key, or a value is not a finite length that a picture can have.
    """
    try:
        check_plain(path)
        document = json.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise ScaleError(f"{path}: no such file; {REMEDY}") from None
    except (OSError, ValueError) as error:
        raise ScaleError(f"{path}: not readable as JSON ({error}); {REMEDY}") from None
    except RecursionError:
        raise ScaleError(f"{path}: nested too deeply for a scale; {REMEDY}") from None
    if not isinstance(document, dict):
        raise ScaleError(f"{path}: holds no JSON object; {REMEDY}")
    return scale_from(document, name=str(path))


def scale_from(document: Mapping[str, Any], *, name: str) -> Scale:
    """The checked Scale of a mapping with the keys of scale.json; `name` stands in messages."""
    values = {key: _number(document, key, name) for key in (*LENGTHS, *UNCERTAINTIES, "rotation_deg")}
    for key in LENGTHS:
        if values[key] <= 0:
            raise ScaleError(f"{name}: {key} is {values[key]:g}, must be a positive length in um; {REMEDY}")
    for key in UNCERTAINTIES:
        if not 0 <= values[key] < values[key.removesuffix("_u")]:
            raise ScaleError(f"{name}: {key} is {values[key]:g}, must lie from 0 to below its length; {REMEDY}")
    for key in ("um_per_px_x", "um_per_px_y"):
        if not is_within(values[key], UM_PER_PX):
            raise ScaleError(f"{name}: {key} is {values[key]:g}, which is no scale in um per px; check the unit")
    if not 0.5 < values["um_per_px_x"] / values["um_per_px_y"] < 2.0:
        raise ScaleError(f"{name}: um_per_px_x and um_per_px_y differ by more than a factor 2; check the unit")
    lines = _number(document, "lines_used", name)
    if lines < 0 or lines != int(lines):
        raise ScaleError(f"{name}: lines_used is {lines:g}, must be a whole number; {REMEDY}")
    source = document.get("source", "")
    if not isinstance(source, str):
        raise ScaleError(f"{name}: source must be text; {REMEDY}")
    common = values["pitch_um_u"] / values["pitch_um"]
    if "common_u_rel" in document:
        common = _number(document, "common_u_rel", name)
        if not 0 <= common < 1:
            raise ScaleError(f"{name}: common_u_rel is {common:g}, must lie from 0 to below 1; {REMEDY}")
    independent = document.get("axes_independent", False)
    if not isinstance(independent, bool):
        raise ScaleError(f"{name}: axes_independent must be true or false; {REMEDY}")
    return Scale(
        **values,
        lines_used=int(lines),
        source=source,
        axes_independent=independent,
        common_u_rel=common,
        budget=tuple(_budget_line(item, name) for item in _list(document, "budget", name)),
        rulings=tuple(_ruling_lines(item, name) for item in _list(document, "rulings", name)),
    )


def _number(document: Mapping[str, Any], key: str, name: str) -> float:
    if key not in document:
        raise ScaleError(f"{name}: lacks {key}; {REMEDY}")
    value = document[key]
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        raise ScaleError(f"{name}: {key} is {json.dumps(value)[:40]}, must be a number; {REMEDY}")
    try:
        number = float(value)
    except OverflowError:
        number = math.inf
    if not math.isfinite(number):
        raise ScaleError(f"{name}: {key} is not a finite number; {REMEDY}")
    return number


def _list(document: Mapping[str, Any], key: str, name: str) -> list[Any]:
    value = document.get(key, [])
    if not isinstance(value, list):
        raise ScaleError(f"{name}: {key} must be a list; {REMEDY}")
    return value


def _ruling_lines(item: Any, name: str) -> RulingLines:
    lists = [item.get(key) if isinstance(item, dict) else None for key in ("line", "residual_px", "used")]
    number, residual, used = (value if isinstance(value, list) else [] for value in lists)
    plain = all(isinstance(v, (int, float)) and math.isfinite(v) for v in (*number, *residual))
    if not number or not len(number) == len(residual) == len(used) or not plain:
        raise ScaleError(f"{name}: the lines of a ruling need line, residual_px and used, as lists; {REMEDY}")
    return RulingLines(tuple(map(int, number)), tuple(map(float, residual)), tuple(map(bool, used)))


def _budget_line(item: Any, name: str) -> BudgetLine:
    if not isinstance(item, dict):
        raise ScaleError(f"{name}: a line of the budget is no object; {REMEDY}")
    texts = {key: item.get(key, "") for key in ("name", "unit", "kind", "note")}
    if not all(isinstance(text, str) for text in texts.values()):
        raise ScaleError(f"{name}: a line of the budget has a name, unit, kind or note that is no text; {REMEDY}")
    u = _number(item, "u", f"{name}, budget")
    if not 0.0 <= u < 1.0:
        raise ScaleError(f"{name}: a line of the budget has u of {u:g}, must lie from 0 to below 1; {REMEDY}")
    if not all(key in item for key in EFFECTS):
        return BudgetLine(u=u, **texts)
    on_x, on_y, on_angle = (_number(item, key, f"{name}, budget") for key in EFFECTS)
    if max(abs(on_x), abs(on_y), abs(on_angle)) > LARGEST_EFFECT:
        raise ScaleError(f"{name}: a line of the budget has an effect above {LARGEST_EFFECT:g}; {REMEDY}")
    return ScalePart(u=u, **texts, on_x=on_x, on_y=on_y, on_angle=on_angle)
