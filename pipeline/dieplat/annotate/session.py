"""What one page works on, opened from files and closed again."""

from __future__ import annotations

import contextlib
import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from dieplat.annotate.drawing import DrawingFile
from dieplat.annotate.numbers import Conditions
from dieplat.annotate.picture import ShownPicture
from dieplat.annotate.view_out import draw_view
from dieplat.annotations import parse_regions
from dieplat.calibration import load_scale, save_scale
from dieplat.calibration.known_length import SOURCE, scale_from_length
from dieplat.errors import AnnotationError, MosaicError, ScaleError
from dieplat.mosaicfile.read import Mosaic, open_mosaic
from dieplat.output.layouts import load_layout
from dieplat.report.folder import STATE
from dieplat.report.picture import png_bytes
from dieplat.survey import scale_of_picture
from dieplat.values import Layout, Scale
from dieplat.values.stated import Stated

USUAL_MICROMETER_U_REL = 0.0005
"""What a picture of a stage micrometer reaches with a certificate of 1 um on 1 mm (ASTM E1951; see
`calibration.measure_scale`): half a thousandth, k = 1."""


@dataclass(slots=True, eq=False)
class Session:
    """What one page works on. `pictures[0]` is the one that is measured; the others are shown beside it.

    `conditions` changes when a scale is drawn; `scale_path` is where that scale is then kept.
    """

    title: str
    pictures: Sequence[ShownPicture]
    drawing: DrawingFile
    conditions: Conditions
    scale_path: Path | None = None


@contextlib.contextmanager
def open_session(
    mosaic: Path,
    annotations: Path,
    *,
    scale: Path | None = None,
    beside: Sequence[Path] = (),
    stated: Stated | None = None,
) -> Iterator[Session]:
    """Open a mosaic, the drawing on it and pictures to show beside it.

    The scale is `scale`, else a scale.json beside the mosaic, else the mosaic's own physical size, else none yet.
    Tile positions come from a layout.json beside the mosaic that fits it, what is stated of the die from `stated`, else
    from the survey that made the mosaic.

    Raises
    ------
    MosaicError
        If a picture cannot be opened, or one beside is of another size.
    ScaleError, AnnotationError
        If the scale or the drawing cannot be used.
    """
    if not annotations.parent.is_dir():
        raise AnnotationError(f"{annotations.parent}: no such folder; make it first")
    drawing = DrawingFile(annotations)
    with contextlib.ExitStack() as stack:
        opened = [stack.enter_context(open_mosaic(path)) for path in (mosaic, *beside)]
        first = opened[0]
        for path, other in zip(beside, opened[1:], strict=True):
            if (other.width_px, other.height_px) != (first.width_px, first.height_px):
                size = f"{other.width_px} x {other.height_px} px, the first {first.width_px} x {first.height_px}"
                raise MosaicError(f"{path}: is {size}; bring it onto the first with dieplat align")
        known = scale_beside(mosaic, first, scale)
        drawing.read()
        kept_at = mosaic.with_name("scale.json") if scale is None else scale
        yield Session(
            title=mosaic.parent.name if mosaic.name.startswith("mosaic.") and mosaic.parent.name else mosaic.name,
            pictures=[ShownPicture(one, path.name) for path, one in zip((mosaic, *beside), opened, strict=True)],
            drawing=drawing,
            conditions=Conditions(first, known, _layout(mosaic, first), stated or stated_beside(mosaic)),
            scale_path=kept_at,
        )


def scale_beside(path: Path, picture: Mosaic, scale: Path | None) -> Scale | None:
    """The scale of a mosaic: the file given, else scale.json beside it, else its own physical size, else None."""
    beside = path.with_name("scale.json")
    if scale is not None or beside.is_file():
        return load_scale(scale or beside)
    if picture.um_per_px_x is None or picture.um_per_px_y is None:
        return None
    return scale_of_picture(picture.um_per_px_x, picture.um_per_px_y, source=f"physical size stated by {path.name}")


def stated_beside(path: Path) -> Stated:
    """What the survey that made a mosaic was told of the die; the defaults where no survey made it."""
    try:
        return Stated.from_dict(json.loads(path.with_name(STATE).read_text(encoding="utf-8"))["stated"])
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return Stated()


def _layout(path: Path, picture: Mosaic) -> Layout | None:
    beside = path.with_name("layout.json")
    if not beside.is_file():
        return None
    layout = load_layout(beside)
    fits = (layout.width_px, layout.height_px) == (picture.width_px, picture.height_px)
    return layout if fits else None


def use_known_length(session: Session, line: Any, *, length_um: float, length_um_u: float) -> dict[str, Any]:
    """Take the scale from a drawn line of known length, and keep it on disk where no other scale lies.

    Raises
    ------
    ScaleError
        If the line or the length cannot be used, or a scale from a micrometer is already there.
    """
    found = scale_from_length(line, length_um=length_um, length_um_u=length_um_u)
    path = session.scale_path
    if path is not None and path.exists() and load_scale(path).source != SOURCE:
        raise ScaleError(f"{path}: a scale from a micrometer is in use and better; move it away to use a drawn length")
    if path is not None:
        save_scale(path, found)
    session.conditions = replace(session.conditions, scale=found)
    percent = 200 * found.um_per_px_x_u / found.um_per_px_x
    text = (
        f"{found.um_per_px_x:.5g} um per pixel, known to {percent:.2g} % (k = 2); "
        f"a picture of a micrometer gives some {100 * USUAL_MICROMETER_U_REL * 2:.2g} %"
    )
    return {"scale": found.to_dict(), "text": text}


def view_of(session: Session, ask: Mapping[str, Any]) -> bytes:
    """The PNG file of a view that the page asks for; see `view_out.draw_view`."""
    regions = parse_regions(ask["document"], source="the drawing").regions
    x0, y0, x1, y1 = (float(value) for value in ask["box_px"])
    picture = session.pictures[int(ask.get("picture", 0))]
    drawn = draw_view(
        picture,
        regions,
        box_px=(x0, y0, x1, y1),
        width_px=int(ask["width_px"]),
        scale=session.conditions.scale,
        legend=bool(ask.get("legend", True)),
        names=bool(ask.get("names", True)),
        hidden=frozenset(str(kind) for kind in ask.get("hidden", ())),
    )
    return png_bytes(drawn)
