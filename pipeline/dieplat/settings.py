"""What a survey is made of: survey.toml, or a folder whose file names speak for themselves."""

from __future__ import annotations

import difflib
import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from dieplat.errors import SettingsError
from dieplat.files import check_plain
from dieplat.inductance.assumptions import METAL_NAMES, as_span
from dieplat.measurement.wafer import check_wafer
from dieplat.values.bounds import COIL_UM, FACTOR, FREQUENCY_HZ, PITCH_UM, Bounds, is_within
from dieplat.values.electrical import Surroundings
from dieplat.values.stated import Stated, WaferPlan
from dieplat.values.tiles import MAX_COLUMNS

SETTINGS_NAME = "survey.toml"
PICTURE_SUFFIXES = (".tif", ".tiff", ".png", ".jpg", ".jpeg", ".bmp", ".webp")
KEYS = (
    "title",
    "tiles",
    "micrometer",
    "micrometer_turned",
    "pitch_um",
    "pitch_u_um",
    "blocks",
    "ties",
    "frequency_hz",
    "thickness_um",
    "metal",
    "sheet_ohm",
    "oxide_um",
    "permittivity",
    "substrate_ohm_cm",
    "underpass_um",
    "ground_um",
    "velocity_factor",
    "shortening_factor",
    "vertex_u_px",
    "edge_u_px",
    "wafer_mm",
    "edge_mm",
    "scribe_um",
    "columns",
    "overlap",
)


@dataclass(frozen=True, slots=True)
class SurveySettings:
    """The inputs of one survey; every path exists.

    `pitch_um` is the distance between neighbouring lines of the micrometer, `pitch_u_um` its standard
    uncertainty (k = 1; 0 means that none was stated). `stated` is what is said of the die, as
    `dieplat.survey.measure_survey` takes it. `columns` and `overlap` are hints for the grid of tiles, `ties` a file of
    tie points.
    """

    folder: Path
    title: str
    tiles: Path
    micrometer: Path
    pitch_um: float
    blocks: Path
    micrometer_turned: Path | None = None
    pitch_u_um: float = 0.0
    stated: Stated = field(default_factory=Stated)
    columns: int | None = None
    overlap: float | None = None
    ties: Path | None = None


def load_settings(folder: Path, *, pitch_um: float | None = None) -> SurveySettings:
    """Read FOLDER/survey.toml, and find by name what it leaves out.

    Parameters
    ----------
    folder : Path
        The survey's folder; paths in survey.toml are relative to it.
    pitch_um : float, optional
        Pitch of the micrometer's ruling in micrometres; wins over the file's `pitch_um`.

    Raises
    ------
    SettingsError
        If the folder, a named file or the pitch is missing, a key is unknown, or a value makes no sense.
    """
    if not folder.is_dir():
        raise SettingsError(f"{folder}: no such folder; give the folder that holds the tiles and survey.toml")
    path = folder / SETTINGS_NAME
    values = _read_toml(path) if path.exists() else {}
    where = path if path.exists() else folder
    pitch = pitch_um if pitch_um is not None else _number(values, "pitch_um", where, above=0.0, within=PITCH_UM)
    if pitch is None:
        raise SettingsError(
            f"{where}: the pitch of the micrometer's lines is not stated; "
            f"add pitch_um to {SETTINGS_NAME} or give --pitch-um"
        )
    if not (math.isfinite(pitch) and pitch > 0):
        raise SettingsError(f"{where}: pitch_um is {pitch:g}; it must be above 0")
    tiles = _named(values, "tiles", folder, where) or _found_folder(folder, where)
    micrometer = _named(values, "micrometer", folder, where) or _found_picture(folder, "micrometer")
    if micrometer is None:
        raise SettingsError(
            f"{where}: no picture of a stage micrometer (micrometer.png, .tif, ...); "
            "add one taken with the same objective as the tiles, or name it with the key micrometer"
        )
    blocks = _named(values, "blocks", folder, where) or folder / "blocks.geojson"
    if not blocks.is_file():
        raise SettingsError(
            f"{where}: no blocks.geojson; draw the blocks on the mosaic first "
            "(dieplat stitch makes it), or name the file with the key blocks"
        )
    _must_be_folder(tiles)
    return SurveySettings(
        folder=folder,
        title=_text(values, "title", where) or folder.resolve().name,
        tiles=tiles,
        micrometer=micrometer,
        pitch_um=pitch,
        blocks=blocks,
        micrometer_turned=(
            _named(values, "micrometer_turned", folder, where) or _found_picture(folder, "micrometer_turned")
        ),
        pitch_u_um=_number(values, "pitch_u_um", where, above=0.0, or_equal=True) or 0.0,
        stated=_stated(values, where),
        columns=_columns(values, where),
        overlap=_overlap(values, where),
        ties=_named(values, "ties", folder, where),
    )


def _read_toml(path: Path) -> dict[str, Any]:
    try:
        check_plain(path)
        values = tomllib.loads(path.read_text(encoding="utf-8"))
    except UnicodeDecodeError:
        raise SettingsError(f"{path}: is not UTF-8 text; save it as UTF-8") from None
    except RecursionError:
        raise SettingsError(f"{path}: is nested too deeply; keep to plain keys and values") from None
    except ValueError as error:  # TOML's own errors, and numbers too long to read
        raise SettingsError(f"{path}: is not valid TOML: {error}; correct that line") from None
    for key in values:
        if key not in KEYS:
            near = difflib.get_close_matches(key, KEYS, n=1)
            remedy = f"did you mean {near[0]!r}?" if near else f"known keys: {', '.join(KEYS)}"
            raise SettingsError(f"{path}: unknown key {key!r}; {remedy}")
    return values


def _text(values: Mapping[str, Any], key: str, where: Path) -> str | None:
    value = values.get(key)
    if value is None:
        return None
    if not isinstance(value, str) or not value.strip():
        raise SettingsError(f"{where}: {key} must be text in quotes, not {value!r}")
    return value.strip()


def _number(
    values: Mapping[str, Any],
    key: str,
    where: Path,
    *,
    above: float,
    or_equal: bool = False,
    within: Bounds | None = None,
) -> float | None:
    value = values.get(key)
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
        raise SettingsError(f"{where}: {key} must be a plain number, not {value!r}")
    if value < above or (value == above and not or_equal):
        least = f"{above:g} or more" if or_equal else f"above {above:g}"
        raise SettingsError(f"{where}: {key} is {value:g}; it must be {least}")
    if within is not None and not is_within(value, within):
        raise SettingsError(f"{where}: {key} is {value:g}; it must lie between {within[0]:g} and {within[1]:g}")
    return float(value)


def _surroundings(values: Mapping[str, Any], where: Path) -> Surroundings:
    """What lies around inductors: numbers, or ranges as [3, 6] or "3:6"."""
    metal = _text(values, "metal", where) or "unknown"
    if metal not in METAL_NAMES:
        raise SettingsError(f"{where}: metal is {metal!r}; give one of {', '.join(METAL_NAMES)}")
    keys = ("sheet_ohm", "oxide_um", "permittivity", "substrate_ohm_cm")
    sheet, oxide, permittivity, substrate = (
        as_span(values[key], f"{where}: {key}") if key in values else None for key in keys
    )
    return Surroundings(
        metal=metal,
        sheet_ohm=sheet,
        oxide_um=oxide,
        permittivity=permittivity,
        substrate_ohm_cm=substrate,
        underpass_um=_number(values, "underpass_um", where, above=0.0, within=COIL_UM),
        ground_um=_number(values, "ground_um", where, above=0.0, within=COIL_UM),
    )


def _stated(values: Mapping[str, Any], where: Path) -> Stated:
    """What is said of the die; defaults for the rest."""
    usual = Stated()
    thickness = _number(values, "thickness_um", where, above=0.0, within=COIL_UM)
    vertex_u, edge_u = (_number(values, key, where, above=0.0, or_equal=True) for key in ("vertex_u_px", "edge_u_px"))
    return Stated(
        frequency_hz=_number(values, "frequency_hz", where, above=0.0, within=FREQUENCY_HZ),
        thickness_um=usual.thickness_um if thickness is None else thickness,
        surroundings=_surroundings(values, where),
        velocity_factor=_velocity_factor(values, where),
        shortening_factor=_number(values, "shortening_factor", where, above=0.0, within=FACTOR),
        vertex_u_px=usual.vertex_u_px if vertex_u is None else vertex_u,
        edge_u_px=usual.edge_u_px if edge_u is None else edge_u,
        wafer=_wafer(values, where),
    )


def _wafer(values: Mapping[str, Any], where: Path) -> WaferPlan:
    """The wafer's usual sizes, but for what is stated."""
    usual = WaferPlan()
    diameter = _number(values, "wafer_mm", where, above=0.0)
    edge, scribe = (_number(values, key, where, above=0.0, or_equal=True) for key in ("edge_mm", "scribe_um"))
    plan = WaferPlan(
        diameter_mm=usual.diameter_mm if diameter is None else diameter,
        edge_exclusion_mm=usual.edge_exclusion_mm if edge is None else edge,
        scribe_um=usual.scribe_um if scribe is None else scribe,
    )
    try:
        check_wafer(plan)
    except SettingsError as error:
        raise SettingsError(f"{where}: {error}") from None
    return plan


def _velocity_factor(values: Mapping[str, Any], where: Path) -> float | None:
    value = _number(values, "velocity_factor", where, above=0.0, within=FACTOR)
    if value is not None and value > 1.0:
        raise SettingsError(f"{where}: velocity_factor is {value:g}; it must be above 0 and not above 1")
    return value


def _overlap(values: Mapping[str, Any], where: Path) -> float | None:
    value = _number(values, "overlap", where, above=0.0)
    if value is not None and not 0.02 <= value <= 0.9:
        raise SettingsError(f"{where}: overlap is {value:g}; it must be a fraction between 0.02 and 0.9, such as 0.2")
    return value


def _columns(values: Mapping[str, Any], where: Path) -> int | None:
    value = values.get("columns")
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int) or value < 1:
        raise SettingsError(f"{where}: columns must be a whole number of 1 or more, not {value!r}")
    if value > MAX_COLUMNS:
        raise SettingsError(f"{where}: columns is over {MAX_COLUMNS}; give the number of tiles in a row")
    return value


def _named(values: Mapping[str, Any], key: str, folder: Path, where: Path) -> Path | None:
    text = _text(values, key, where)
    if text is None:
        return None
    path = folder / text
    if not path.exists():
        raise SettingsError(f"{path}: no such file or folder, though {where.name} names it as {key}; check the name")
    if key != "tiles" and not path.is_file():
        raise SettingsError(f"{path}: is a folder, but {key} in {where.name} must name a file")
    return path


def _must_be_folder(path: Path) -> None:
    if not path.is_dir():
        raise SettingsError(f"{path}: must be a folder of tiles")


def _found_folder(folder: Path, where: Path) -> Path:
    tiles = folder / "tiles"
    if not tiles.exists():
        raise SettingsError(
            f"{where}: no folder tiles/; put the pictures there or name their folder with the key tiles"
        )
    return tiles


def _found_picture(folder: Path, stem: str) -> Path | None:
    found = sorted(
        path
        for path in folder.iterdir()
        if path.is_file() and path.stem.lower() == stem and path.suffix.lower() in PICTURE_SUFFIXES
    )
    if len(found) > 1:
        names = ", ".join(path.name for path in found)
        raise SettingsError(f"{folder}: more than one {stem} picture ({names}); keep one or name it in {SETTINGS_NAME}")
    return found[0] if found else None
