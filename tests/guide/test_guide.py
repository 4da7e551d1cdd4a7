"""The guide: every page is there, and every command that it or the README shows runs."""

from __future__ import annotations

import contextlib
import re
import shlex
import shutil
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from dieplat.errors import SettingsError
from dieplat.guide import ORDER, page, pages
from dieplat.phantom import make_phantom
from dieplat_cli.app import app

RUN = CliRunner()
README = Path(__file__).parents[2] / "README.md"


def commands(text: str) -> list[str]:
    """The lines of shell blocks that call the program. The README's own set-up lines are run by other tests."""
    blocks = re.findall(r"^```sh\n(.*?)^```", text, flags=re.MULTILINE | re.DOTALL)
    return [line for block in blocks for line in block.splitlines() if line.startswith("dieplat ")]


@pytest.fixture(scope="module")
def evening(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder beside `evening_3`, as the guide has it."""
    folder = tmp_path_factory.mktemp("guide")
    make_phantom(folder / "evening_3", seed=7, preset="sharp", rows=2, columns=2, tile_width_px=480, tile_height_px=360)
    return folder


def test_every_command_of_the_guide_and_the_readme_runs(evening: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(evening)
    served: list[Any] = []
    monkeypatch.setattr("dieplat.annotate.server.serve", lambda *given, **named: served.append(given))
    # There is no cluster at the address shown; tests/cluster has one.
    monkeypatch.setattr("dieplat.cluster.spread_over", lambda _, near, **named: contextlib.nullcontext(near))
    shown = [line for one in pages() for line in commands(one.text)]
    # What the other pages make comes first, as an evening has it.
    lines = [*shown, *commands(README.read_text(encoding="utf-8"))]
    assert len(lines) > 20
    for line in lines:
        words = shlex.split(line)[1:]
        if words[0] == "annotate":
            words.append("--no-open")
        if words[0] == "propose" and Path("evening_3/proposed.geojson").exists():
            Path("evening_3/proposed.geojson").unlink()
        done = RUN.invoke(app, words)
        assert done.exit_code == 0, f"{line}\n{done.output}\n{done.exception}"
    assert len(served) == sum(line.startswith("dieplat annotate") for line in lines)
    shutil.rmtree(evening / "show")


def test_every_page_has_a_title_and_names_only_pages_that_exist() -> None:
    for one in pages():
        assert one.text.startswith("# ")
        assert set(re.findall(r"`dieplat guide (\w+)`", one.text)) <= set(ORDER)


def test_an_unknown_page_names_those_there_are() -> None:
    with pytest.raises(SettingsError, match="photographing"):
        page("cooking")


def test_the_command_lists_and_shows_pages() -> None:
    assert "stitching" in RUN.invoke(app, ["guide"]).stdout
    assert "ties.json" in RUN.invoke(app, ["guide", "stitching"]).stdout
    assert RUN.invoke(app, ["guide", "numbers", "--plain"]).stdout.strip() == page("numbers").text.strip()
