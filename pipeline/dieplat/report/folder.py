"""The output folder of a survey, as the report reads it."""

from __future__ import annotations

import contextlib
import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from shapely.geometry import Polygon

from dieplat.annotations import load_regions
from dieplat.errors import DieplatError, MosaicError, SettingsError
from dieplat.values import Region, Regions

MOSAIC = "mosaic.ome.tif"
LAYOUT = "layout.json"
SCALE = "scale.json"
MEASUREMENTS = "measurements.json"
TABLE = "measurements.csv"
BLOCKS = "blocks.geojson"
PREVIEW = "preview.png"
REPORT = "report.html"
STATE = "survey_state.json"


@dataclass(frozen=True, slots=True, eq=False)
class Outputs:
    """What a survey left in `folder`; a part that is missing is None (or an empty mapping for `state`)."""

    folder: Path
    mosaic: Path
    measurements: Mapping[str, Any]
    scale: Mapping[str, Any]
    layout: Mapping[str, Any] | None
    regions: Regions | None
    state: Mapping[str, Any]

    @property
    def title(self) -> str:
        """The survey's title, or the folder's name."""
        return str(self.state.get("title") or self.folder.resolve().name)


@contextlib.contextmanager
def as_written(folder: Path) -> Iterator[None]:
    """For code that reads a survey's own files: what it trips over in them was changed or damaged since.

    Raises
    ------
    SettingsError
        In place of an error that a missing key or a value of another kind brings about.
    """
    try:
        yield
    except DieplatError:
        raise
    except (LookupError, TypeError, ValueError, AttributeError, ArithmeticError) as error:
        what = f"{type(error).__name__}: {' '.join(str(error).split())[:80]}"
        raise SettingsError(
            f"{folder}: one of {MEASUREMENTS}, {LAYOUT}, {SCALE} and {STATE} was changed or is damaged ({what}); "
            "run dieplat survey again"
        ) from error


def read_outputs(folder: Path) -> Outputs:
    """Read the JSON and GeoJSON files of an output folder; the mosaic is only located.

    Raises
    ------
    MosaicError
        If there is no mosaic.
    SettingsError
        If measurements.json is missing, or a JSON file is damaged or holds no scale.
    AnnotationError
        If blocks.geojson is there but cannot be used.
    """
    mosaic = folder / MOSAIC
    if not mosaic.is_file():
        raise MosaicError(f"{mosaic}: no such file; run dieplat survey first")
    measurements = read_object(folder / MEASUREMENTS)
    if measurements is None:
        raise SettingsError(f"{folder / MEASUREMENTS}: no such file; run dieplat survey or dieplat measure first")
    scale = read_object(folder / SCALE) or measurements.get("scale")
    if not isinstance(scale, dict) or not scale.get("um_per_px_x") or not scale.get("um_per_px_y"):
        raise SettingsError(f"{folder / SCALE}: no scale in it nor in {MEASUREMENTS}; run dieplat calibrate first")
    blocks = folder / BLOCKS
    scale_px = (float(scale["um_per_px_x"]), float(scale["um_per_px_y"]))
    return Outputs(
        folder=folder,
        mosaic=mosaic,
        measurements=measurements,
        scale=scale,
        layout=read_object(folder / LAYOUT),
        regions=_with_found_die(load_regions(blocks, um_per_px=scale_px), measurements) if blocks.is_file() else None,
        state=read_object(folder / STATE) or {},
    )


def _with_found_die(regions: Regions, measurements: Mapping[str, Any]) -> Regions:
    """The drawn regions, and in front of them a die that the survey found in the picture, so that it can be checked."""
    die = measurements.get("die") or {}
    outline = die.get("outline_px") or ()
    if not die.get("found") or len(outline) < 3 or regions.of_kind("die"):
        return regions
    found = Region(str(die.get("name") or "Die (found)"), "die", Polygon([(float(x), float(y)) for x, y in outline]))
    return replace(regions, regions=(found, *regions.regions))


def read_object(path: Path) -> dict[str, Any] | None:
    """The JSON object in `path`, or None when there is no such file."""
    if not path.is_file():
        return None
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
        json.dumps(document, ensure_ascii=False).encode("utf-8")  # half a character could not be written again
    except (ValueError, RecursionError) as error:
        raise SettingsError(f"{path}: is not valid JSON ({error}); run dieplat survey again") from None
    if not isinstance(document, dict):
        raise SettingsError(f"{path}: must hold a JSON object; run dieplat survey again")
    return document
