"""`dieplat phantom` as a person or a script runs it."""

import json

from typer.testing import CliRunner

from dieplat_cli.app import app

SMALL = ["--rows", "2", "--columns", "2", "--tile-width", "300", "--tile-height", "260"]


def test_json_prints_the_truth_that_was_written(tmp_path):
    done = CliRunner().invoke(app, ["phantom", str(tmp_path / "a"), "--seed", "4", *SMALL, "--json"])
    assert done.exit_code == 0
    printed = json.loads(done.stdout)
    on_file = json.loads((tmp_path / "a" / "truth.json").read_text())
    on_file.pop("made_by")
    assert printed == on_file


def test_a_person_is_told_what_was_made_and_what_to_do_next(tmp_path):
    done = CliRunner().invoke(app, ["phantom", str(tmp_path / "a"), "--seed", "4", *SMALL, "--format", "png"])
    assert done.exit_code == 0
    assert "4 tiles, 2 rows by 2 columns" in done.stdout
    assert "dieplat survey" in done.stdout
    assert len(list((tmp_path / "a" / "tiles").glob("*.png"))) == 4


def test_a_missing_seed_is_wrong_usage(tmp_path):
    assert CliRunner().invoke(app, ["phantom", str(tmp_path / "a")]).exit_code == 2
