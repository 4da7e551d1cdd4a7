"""The pages and pictures that people look at, made from the files in an output folder."""

from __future__ import annotations

from pathlib import Path

from dieplat.files import check_replaceable
from dieplat.report.folder import PREVIEW, REPORT
from dieplat.report.preview import write_preview
from dieplat.report.render_html import write_report

__all__ = ["rebuild", "write_preview", "write_report"]


def rebuild(folder: Path, *, replace: bool = False) -> tuple[Path, Path]:
    """Write preview.png and report.html anew and return their paths.

    Raises
    ------
    OutputExistsError
        If one of them exists and dieplat did not make it, unless `replace`.
    """
    for name in (PREVIEW, REPORT):
        check_replaceable(folder / name, replace=replace)
    return write_preview(folder), write_report(folder)
