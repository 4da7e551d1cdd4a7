"""`dieplat guide`: a page for each step of the evening."""

from __future__ import annotations

from typing import Annotated

import typer

EPILOG = """Examples:

dieplat guide

dieplat guide stitching

dieplat guide all --plain > guide.md"""


def register(app: typer.Typer) -> None:
    """Add `guide`."""
    app.command(name="guide", epilog=EPILOG)(guide)


def guide(
    name: Annotated[str | None, typer.Argument(help="A page, or 'all'; without it, the list of pages.")] = None,
    plain: Annotated[bool, typer.Option("--plain", help="Print the Markdown as it is written.")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print the pages as JSON.")] = False,
) -> None:
    """Read how each step of the evening is done and what can go wrong."""
    from dataclasses import asdict

    from rich.markdown import Markdown

    from dieplat.guide import page, pages
    from dieplat_cli.console import out, print_json

    chosen = pages() if name in (None, "all") else (page(str(name)),)
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
