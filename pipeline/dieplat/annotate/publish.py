"""The page and its picture as a folder of plain files for any web server: for an audience, to look, not to draw.

The picture is cut into static tiles by the IIIF Image API 3.0, compliance level 0, which other viewers read too.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from concurrent.futures import Executor
from functools import partial
from importlib import resources
from pathlib import Path
from typing import Any

from dieplat.annotate.drawing import in_pixels
from dieplat.annotate.image_request import MAX_SIDE_PX, ImageRequest, information
from dieplat.annotate.numbers import block_details, outline_numbers
from dieplat.annotate.picture import ShownPicture
from dieplat.annotate.server import PAGE_FILES, index_html, setup_of
from dieplat.annotate.session import Session
from dieplat.errors import OutputExistsError
from dieplat.files import MADE_BY, MARK, atomic_folder, to_plain
from dieplat.mosaicfile.write import TILE_PX
from dieplat.work import Progress, map_in_order

MANIFEST = "dieplat.json"
"""Says that a folder was made here, and so may be replaced."""
READ_KINDS = ("memory_array", "rf_inductor", "conductor")


def publish(
    session: Session,
    folder: Path,
    *,
    address: str = "",
    executor: Executor | None = None,
    progress: Progress | None = None,
) -> Path:
    """Write the folder; it appears under its name only when it is whole.

    Parameters
    ----------
    folder : Path
        A new folder, or one that `publish` made before, which is replaced.
    address : str, optional
        Where the folder will be found, such as "https://example.org/die"; for the picture's own description.
        The page itself works anywhere.
    executor : Executor, optional
        Encodes tiles; threads.
    progress : callable, optional
        Called with tiles done and their total.

    Raises
    ------
    OutputExistsError
        If the folder is there and was not made by `publish`.
    """
    if folder.exists() and not (folder / MANIFEST).is_file():
        raise OutputExistsError(f"{folder}: exists and was not written by dieplat; choose another name")
    with atomic_folder(folder) as partial_folder:
        partial_folder.mkdir(parents=True)
        _page(session, partial_folder)
        for number, shown in enumerate(session.pictures):
            base = address.rstrip("/") + "/" if address else ""
            _tiles(shown, partial_folder / "iiif" / str(number), f"{base}iiif/{number}", executor, progress)
        _json(partial_folder / MANIFEST, {MARK: MADE_BY, "title": session.title})
    return folder / "index.html"


def _page(session: Session, folder: Path) -> None:
    (folder / "page").mkdir()
    files = resources.files("dieplat.annotate") / "page"
    for name in PAGE_FILES:
        (folder / "page" / name).write_bytes((files / name).read_bytes())
    (folder / "index.html").write_text(index_html(mode="show"), encoding="utf-8")
    found = session.drawing.read()
    source = str(session.drawing.path)
    document = in_pixels(found.document, session.conditions.scale, source=source)
    _json(folder / "setup.json", setup_of(session))
    _json(folder / "drawing.json", {"document": document, "version": found.version})
    if session.conditions.scale is not None:
        _json(folder / "numbers.json", outline_numbers(session.conditions, document, source=source))
        details = {
            index: block_details(session.conditions, document, index, source=source)
            for index, feature in enumerate(document["features"])
            if feature["properties"].get("kind") in READ_KINDS and feature["properties"].get("proposed") is not True
        }
        _json(folder / "details.json", details)


def _json(path: Path, document: Any) -> None:
    path.write_text(json.dumps(to_plain(document), ensure_ascii=False, allow_nan=False), encoding="utf-8")


def _tiles(
    shown: ShownPicture, folder: Path, address: str, executor: Executor | None, progress: Progress | None
) -> None:
    folder.mkdir(parents=True)
    sizes = shown.mosaic.level_sizes
    document = information(address, sizes, TILE_PX)
    for key in ("extraFormats", "extraQualities", "extraFeatures"):
        del document[key]
    wanted = [*_of_tiles(shown), *_of_sizes(shown)]
    _json(folder / "info.json", {**document, "profile": "level0"})
    write = partial(_write, shown, folder)
    for _ in map_in_order(write, wanted, executor=executor, total=len(wanted), progress=progress):
        pass


def _of_tiles(shown: ShownPicture) -> Iterator[ImageRequest]:
    """The tiles of every scale: tile (n, m) of scale s begins at n tw s, m th s (IIIF Image API 3.0, section 5.4)."""
    width, height = shown.mosaic.level_sizes[0]
    for level in range(shown.mosaic.levels):
        step = TILE_PX * 2**level
        for y0 in range(0, height, step):
            for x0 in range(0, width, step):
                x1, y1 = min(x0 + step, width), min(y0 + step, height)
                yield _request(x0, y0, x1, y1, -(-(x1 - x0) // 2**level), -(-(y1 - y0) // 2**level))


def _of_sizes(shown: ShownPicture) -> Iterator[ImageRequest]:
    """The whole picture at the sizes that info.json lists."""
    width, height = shown.mosaic.level_sizes[0]
    for wide, high in shown.mosaic.level_sizes:
        if TILE_PX < max(wide, high) <= MAX_SIDE_PX:
            yield _request(0, 0, width, height, wide, high)


def _request(x0: int, y0: int, x1: int, y1: int, wide: int, high: int) -> ImageRequest:
    return ImageRequest(x0, y0, x1, y1, wide, high, 0, grey=False, format="jpg")


def _write(shown: ShownPicture, folder: Path, request: ImageRequest) -> None:
    width, height = shown.mosaic.level_sizes[0]
    whole = (request.x0, request.y0, request.x1, request.y1) == (0, 0, width, height)
    region = "full" if whole else f"{request.x0},{request.y0},{request.x1 - request.x0},{request.y1 - request.y0}"
    sizes = [f"{request.width_px},{request.height_px}"]
    if whole and (request.width_px, request.height_px) == _largest(shown):
        sizes.append("max")
    data = shown.encoded(request)
    for size in sizes:
        place = folder / region / size / "0"
        place.mkdir(parents=True, exist_ok=True)
        (place / "default.jpg").write_bytes(data)


def _largest(shown: ShownPicture) -> tuple[int, int]:
    """The largest size at which the whole picture is there."""
    return next(size for size in shown.mosaic.level_sizes if max(size) <= MAX_SIDE_PX)
