"""`dieplat guide`: a page for each step of the evening."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from dieplat.guide import Page

EPILOG = """Examples:

dieplat guide

dieplat guide stitching

dieplat guide reference

dieplat guide all --plain > guide.md"""


REFERENCE = "reference"


def register(app: typer.Typer) -> None:
    """Add `guide`."""
    app.command(name="guide", epilog=EPILOG)(guide)


def guide(
    name: Annotated[str | None, typer.Argument(help="A page, 'reference' or 'all'; without it, the list.")] = None,
    plain: Annotated[bool, typer.Option("--plain", help="Print the Markdown as it is written.")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print the pages as JSON.")] = False,
) -> None:
    """Read how each step of the evening is done and what can go wrong."""
    from dataclasses import asdict

    from rich.markdown import Markdown

    from dieplat.guide import page, pages
    from dieplat_cli.console import out, print_json

    if name in (None, "all"):
        chosen = (*pages(), _reference())
    else:
        chosen = (_reference() if name == REFERENCE else page(str(name)),)
    if as_json:
        print_json({"pages": [asdict(one) for one in chosen]})
    elif name is None:
        for one in chosen:
            out.print(f"{one.name:15} {one.title}", markup=False, highlight=False)
    else:
        for one in chosen:
            if plain:
                out.print(one.text, markup=False, highlight=False, soft_wrap=True)
            else:
                out.print(Markdown(one.text))


def _reference() -> Page:
    """Commands, files and errors, from the program as it is."""
    from dieplat.guide import Page
    from dieplat.guide.reference import errors_reference, files_reference
    from dieplat_cli.app import app
    from dieplat_cli.reference import commands_reference

    text = "\n".join((commands_reference(app), files_reference(), errors_reference()))
    return Page(REFERENCE, "Commands, files and errors, from the code", text)
