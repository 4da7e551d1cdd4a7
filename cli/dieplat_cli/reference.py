"""The commands with their options and examples, as Markdown, from the commands themselves."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from typing import Any

import typer


def commands_reference(app: typer.Typer) -> str:
    """Every command: what it does, what it takes, examples."""
    # The toolkit beneath Typer is not ours to import: its objects are read as they come.
    commands: Mapping[str, Any] = vars(typer.main.get_command(app))["commands"]
    lines = ["# Commands", ""]
    for name in sorted(commands):
        lines += _command(name, commands[name])
    return "\n".join(lines).rstrip() + "\n"


def _command(name: str, command: Any) -> Iterator[str]:
    yield from (f"## dieplat {name}", "", _flat(command.help), "")
    for parameter in command.params:
        yield _parameter(parameter)
    examples, after = _examples(command.epilog or "")
    yield from ("", "```sh", *examples, "```", "", *((after, "") if after else ()))


def _parameter(given: Any) -> str:
    said = _flat(given.help or "")
    if given.param_type_name == "argument":
        return f"- `{given.name.upper()}`{'' if given.required else ' (may be left out)'}: {said}"
    names = ", ".join(f"`{name}`" for name in (*given.opts, *given.secondary_opts))
    plain = given.default is not None and not isinstance(given.default, bool) and not callable(given.default)
    otherwise = " (needed)" if given.required else f" (else {given.default})" if plain else ""
    return f"- {names}{otherwise}: {said}"


def _examples(epilog: str) -> tuple[list[str], str]:
    """The commands that a help text shows, and what it says besides."""
    paragraphs = [_flat(part) for part in re.split(r"\n\s*\n", epilog)]
    examples = [part for part in paragraphs if part.startswith("dieplat ")]
    return examples, " ".join(part for part in paragraphs if part not in examples and part != "Examples:")


def _flat(text: str) -> str:
    return " ".join(text.split())
