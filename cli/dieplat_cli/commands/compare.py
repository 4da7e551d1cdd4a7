"""`dieplat compare`: several surveys in one table and on one page."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

EPILOG = """Examples:

dieplat compare out/first out/second

dieplat compare out/first out/second other/measurements.json --out compared.html

dieplat compare out/* --out compared.csv --json"""


def register(app: typer.Typer) -> None:
    """Add `compare`."""
    app.command(name="compare", epilog=EPILOG)(compare)


def compare(
    surveys: Annotated[list[Path], typer.Argument(help="Output folders of surveys, or measurements.json files.")],
    out: Annotated[
        Path | None, typer.Option("--out", help="Page (.html) with charts, or table (.csv), to write.")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print the comparison as JSON.")] = False,
    replace: Annotated[bool, typer.Option("--replace", help="Write over a file that dieplat did not make.")] = False,
) -> None:
    """Compare dies: sizes, areas by kind, shares, each with its uncertainty, in one table and on one scale."""
    from dieplat.compare import compare_dies, write_table
    from dieplat.errors import SettingsError
    from dieplat.files import check_replaceable
    from dieplat.report.compare_page import write_comparison
    from dieplat_cli import console
    from dieplat_cli.compare_table import print_comparison

    replaced = False
    if out is not None:
        if out.suffix.lower() not in (".html", ".csv"):
            raise SettingsError(f"{out}: the name must end in .html (page with charts) or .csv (table)")
        replaced = check_replaceable(out, replace=replace)
    comparison = compare_dies(surveys)
    if out is not None:
        (write_table if out.suffix.lower() == ".csv" else write_comparison)(comparison, out)
    if as_json:
        console.print_json(comparison.to_dict())
    else:
        print_comparison(comparison)
    if out is not None:
        console.say(f"{'replaced' if replaced else 'wrote'} {out}")
