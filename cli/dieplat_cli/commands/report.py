"""`dieplat report`: rebuild what people look at."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

EXAMPLES = """
Examples:

dieplat report out/sample

dieplat report out/sample --pdf
"""


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("report", epilog=EXAMPLES)(report)


def report(
    folder: Annotated[Path, typer.Argument(help="The --out folder of an earlier survey.")],
    replace: Annotated[
        bool,
        typer.Option("--replace", help="Write over a report.html or preview.png that dieplat did not make."),
    ] = False,
    pdf: Annotated[
        bool, typer.Option("--pdf", help="Print report.pdf too, by an installed Chromium, Chrome or Edge.")
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print the names of the files as JSON.")] = False,
) -> None:
    """Rebuild report.html and preview.png from the files in an output folder, and print them."""
    from dieplat.files import check_replaceable
    from dieplat.report import rebuild
    from dieplat.report.pdf import print_pdf
    from dieplat_cli import console

    printed = folder / "report.pdf"
    if pdf:
        check_replaceable(printed, replace=replace)
    preview, page = rebuild(folder, replace=replace)
    made = {"preview": str(preview), "report": str(page)}
    if pdf:
        print_pdf(page, printed)
        made["pdf"] = str(printed)
    if as_json:
        console.print_json(made)
    else:
        console.out.print("\n".join(made.values()), markup=False)
