"""Files of a survey that somebody changed: one line that says so, and nothing written."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from dieplat.errors import SettingsError
from dieplat.report import rebuild


@pytest.mark.parametrize(
    ("name", "spoil"),
    [
        ("measurements.json", lambda d: d["die"].pop("area_um2")),
        ("measurements.json", lambda d: d.update(unassigned_share_u="much")),
        ("measurements.json", lambda d: d.update(blocks=7)),
        ("layout.json", lambda d: d.update(tiles=[[]])),
        ("layout.json", lambda d: d["tiles"][0].pop("x_px")),
        ("scale.json", lambda d: d.update(budget=[3])),
    ],
)
def test_a_changed_file_is_told_and_nothing_is_written(
    full_folder: Path, tmp_path: Path, name: str, spoil: Callable[[Any], Any]
) -> None:
    folder = tmp_path / "survey"
    shutil.copytree(full_folder, folder)
    document = json.loads((folder / name).read_text(encoding="utf-8"))
    spoil(document)
    (folder / name).write_text(json.dumps(document), encoding="utf-8")
    with pytest.raises(SettingsError, match="run dieplat survey again") as told:
        rebuild(folder)
    assert "\n" not in str(told.value)
    assert not (folder / "report.html").exists()
