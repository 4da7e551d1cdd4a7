"""`dieplat propose` writes proposals beside what is drawn, and never over it."""

from __future__ import annotations

import json
from pathlib import Path

import cv2
from proposals_small_die import small_die
from typer.testing import CliRunner

from dieplat_cli.app import app

RUN = CliRunner()


def test_the_command_writes_proposals_of_the_kinds_asked_for(tmp_path: Path) -> None:
    picture, out = tmp_path / "die.png", tmp_path / "proposed.geojson"
    cv2.imwrite(str(picture), small_die())
    result = RUN.invoke(
        app, ["propose", str(picture), "--out", str(out), "--kinds", "rf_inductor,memory_array", "--json"]
    )
    assert result.exit_code == 0, result.output
    features = json.loads(out.read_text())["features"]
    assert {feature["properties"]["kind"] for feature in features} == {"rf_inductor", "memory_array"}
    assert all(feature["properties"]["proposed"] is True for feature in features)
    assert json.loads(result.stdout)["proposals"] == features
    again = RUN.invoke(app, ["propose", str(picture), str(out), "--out", str(out)])
    assert again.exit_code == 1
    assert "give --out another name" in str(again.exception)


def test_a_kind_that_is_none_is_refused_before_any_work(tmp_path: Path) -> None:
    result = RUN.invoke(
        app, ["propose", str(tmp_path / "no.png"), "--out", str(tmp_path / "o.geojson"), "--kinds", "coil"]
    )
    assert "not a kind" in str(result.exception)
