"""What commands say: results on stdout, progress and remarks on stderr."""

from __future__ import annotations

import contextlib
import json
import os
import sys
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import Executor
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

from dieplat.files import to_plain
from dieplat.values.layout import Layout

out = Console(highlight=False, soft_wrap=True)
err = Console(stderr=True, highlight=False, soft_wrap=True)

Bar = Callable[[str], Callable[[int, int], None]]


@contextlib.contextmanager
def progress_bars() -> Iterator[Bar]:
    """Give `bar(title)`, which returns a library progress callable; silent unless stderr is a terminal."""
    with Progress(
        TextColumn("{task.description:<12}"),
        BarColumn(),
        MofNCompleteColumn(),
        TimeRemainingColumn(),
        console=err,
        disable=not sys.stderr.isatty(),
    ) as display:

        def bar(title: str) -> Callable[[int, int], None]:
            task = display.add_task(title, total=None)
            return lambda done, total: display.update(task, completed=done, total=total)

        yield bar


@contextlib.contextmanager
def workers(count: int | None = None) -> Iterator[Executor]:
    """Threads that share the work, all cores unless told otherwise; what each calls keeps to one.

    Pools of OpenCV's own beneath them would only wait for one another, at a tenth of the time.
    """
    from concurrent.futures import ThreadPoolExecutor

    import cv2

    from dieplat_cli.limits import check_work_limits

    threads = count or min(32, (os.cpu_count() or 1) + 4)  # the library's own default, which it does not tell
    check_work_limits(threads)
    cv2.setNumThreads(1)
    with ThreadPoolExecutor(threads) as executor:
        yield executor


def say(text: str) -> None:
    """A remark for the person, on stderr."""
    err.print(text, markup=False)


def print_json(document: Mapping[str, Any]) -> None:
    """The facts as JSON on stdout."""
    sys.stdout.write(json.dumps(to_plain(document), ensure_ascii=False, indent=1, allow_nan=False) + "\n")


def print_layout(layout: Layout, mosaic: Path) -> None:
    """What a person wants to know of a stitched mosaic."""
    by_stage = [tile.name for tile in layout.tiles if tile.placed_by == "stage"]
    unsure = [tile.name for tile in layout.tiles if tile.ambiguous]
    worst = max((max(tile.x_px_u, tile.y_px_u) for tile in layout.tiles), default=0.0)
    out.print(f"{mosaic}: {layout.width_px} x {layout.height_px} px from {len(layout.tiles)} tiles", markup=False)
    out.print(f"rms residual of the joins {layout.rms_residual_px:.3f} px, largest position uncertainty {worst:.3f} px")
    if layout.fused:
        pictures = sum(len(tile.pictures) for tile in layout.fused)
        u = max(tile.align_u_px for tile in layout.fused)
        out.print(
            f"fused from focus series: {len(layout.fused)} tiles from {pictures} pictures, "
            f"brought over each other to {u:.3f} px"
        )
    for title, names in (("placed by the stage only", by_stage), ("more than one place possible", unsure)):
        if names:
            out.print(f"{title}: {', '.join(names)}", markup=False)
    for skipped in layout.skipped:
        out.print(f"left out: {skipped.name}: {skipped.reason}", markup=False)
