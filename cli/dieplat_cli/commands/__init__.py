"""One file a command; each module has a function `register(app)` that adds it."""

from __future__ import annotations

from importlib import import_module

import typer

NAMES = (
    "survey",
    "stitch",
    "calibrate",
    "annotate",
    "align",
    "propose",
    "snap",
    "measure",
    "inductance",
    "report",
    "publish",
    "export",
    "compare",
    "board",
    "phantom",
    "guide",
)


def register_all(app: typer.Typer) -> None:
    """Add every command, in the order in which an evening uses them."""
    for name in NAMES:
        import_module(f"dieplat_cli.commands.{name}").register(app)
