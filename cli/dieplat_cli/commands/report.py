"""`dieplat report`: rebuild what people look at."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

EXAMPLES = """
[bold]Example[/bold]

dieplat report out/sample
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
    as_json: Annotated[bool, typer.Option("--json", help="Print the names of the files as JSON.")] = False,
) -> None:
    """Rebuild report.html and preview.png from the files in an output folder."""
    from dieplat.report import rebuild
    from dieplat_cli import console

    preview, page = rebuild(folder, replace=replace)
    if as_json:
        console.print_json({"preview": str(preview), "report": str(page)})
    else:
        console.out.print(f"{preview}\n{page}", markup=False)
