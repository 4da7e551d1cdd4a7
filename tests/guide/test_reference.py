"""The reference says all that the program has: commands, options, files and errors."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import typer
from typer.testing import CliRunner

from dieplat import errors
from dieplat.guide.reference import FILES, errors_reference, files_reference, keys_of, unit_of
from dieplat.phantom import make_phantom
from dieplat.phantom.board import make_board
from dieplat_cli.app import app
from dieplat_cli.reference import commands_reference

RUN = CliRunner()


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """The JSON files of a small survey and a board, as they are written."""
    folder = tmp_path_factory.mktemp("reference")
    make_phantom(folder / "die", seed=11, preset="sharp", rows=2, columns=3, tile_width_px=640, tile_height_px=480)
    make_board(folder / "board", seed=5)
    out = folder / "out"
    asked = ["survey", str(folder / "die"), "--out", str(out)]
    assert RUN.invoke(app, asked).exit_code == 0
    photo, drawing = (str(folder / "board" / name) for name in ("board.jpg", "board.geojson"))
    asked = ["board", photo, drawing, "--out", str(out / "board.json"), "--channel", "1"]
    assert RUN.invoke(app, asked).exit_code == 0
    return {name: json.loads((out / name).read_text(encoding="utf-8")) for name in FILES}


def keys_in(value: Any) -> Iterator[str]:
    """All keys of a document, those within others too."""
    if isinstance(value, dict):
        for key, inner in value.items():
            yield key
            yield from keys_in(inner)
    elif isinstance(value, list):
        for inner in value:
            yield from keys_in(inner)


@pytest.mark.parametrize("name", FILES)
def test_every_key_that_is_written_is_explained(written: dict[str, Any], name: str) -> None:
    text = files_reference()
    # Names of tiles, of known things and of files are keys of the user's own.
    own = set(written["board.json"]["camera"]["residuals_px"])
    lacking = {
        key
        for key in keys_in(written[name])
        if key not in own
        and not re.search(rf'[`"]{re.escape(key.removesuffix("_low").removesuffix("_high"))}[`"]', text)
    }
    assert lacking == set()


def test_keys_carry_their_units() -> None:
    assert unit_of("um_per_px_x_u") == "µm a pixel"
    assert unit_of("area_um2") == "µm²"
    assert unit_of("self_resonance_hz_low") == "Hz"
    assert unit_of("banks") == ""
    # A quantity without a unit in its key is a count, a word, a fraction of its own or a list.
    bare = {key for records in FILES.values() for record in records for key in keys_of(record) if not unit_of(key)}
    assert not {key for key in bare if re.search(r"(length|width|height|area|diameter)$", key)}


def test_every_command_and_option_is_there_with_an_example() -> None:
    text = commands_reference(app)
    commands = vars(typer.main.get_command(app))["commands"]
    assert len(commands) > 12
    for name, command in commands.items():
        section = text.partition(f"## dieplat {name}\n")[2].partition("\n## ")[0]
        assert f"dieplat {name}" in section.partition("```sh")[2]
        for parameter in command.params:
            assert (parameter.opts[0] if parameter.opts[0].startswith("-") else parameter.name.upper()) in section
    assert "[bold]" not in text


def test_every_error_is_there() -> None:
    text = errors_reference()
    for name, kind in vars(errors).items():
        if isinstance(kind, type) and issubclass(kind, errors.DieplatError) and not kind.__subclasses__():
            assert f"`{name}`: " in text


def test_the_page_is_printed() -> None:
    done = RUN.invoke(app, ["guide", "reference", "--plain"])
    assert done.exit_code == 0
    for title in ("# Commands", "# Files", "# Errors"):
        assert title in done.output
    assert "reference" in RUN.invoke(app, ["guide"]).output


def test_the_guide_lists_it(tmp_path: Path) -> None:
    pages = json.loads(RUN.invoke(app, ["guide", "all", "--json"]).output)["pages"]
    assert pages[-1]["name"] == "reference"
