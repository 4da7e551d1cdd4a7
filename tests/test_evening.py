"""The whole job on a small phantom: right numbers, nothing written on bad input, nothing done twice."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from dieplat import evening
from dieplat.annotations import load_regions
from dieplat.calibration import load_scale
from dieplat.errors import AnnotationError, DieplatError, OutputExistsError, PictureError, ScaleError, SettingsError
from dieplat.evening import OUTPUTS, SurveyResult, run_survey
from dieplat.mosaicfile.read import open_mosaic
from dieplat.output.layouts import load_layout
from dieplat.phantom import make_phantom
from dieplat.settings import load_settings
from dieplat.survey import measure_survey, write_measurements
from dieplat.values.stated import Stated, WaferPlan

SMALL: dict[str, Any] = {"rows": 2, "columns": 3, "tile_width_px": 420, "tile_height_px": 360}


@pytest.fixture(scope="module")
def survey_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A small phantom's survey folder."""
    folder = tmp_path_factory.mktemp("phantom") / "evening"
    make_phantom(folder, seed=12, **SMALL)
    return folder


@pytest.fixture(scope="module")
def first(survey_folder: Path, tmp_path_factory: pytest.TempPathFactory) -> SurveyResult:
    """Its first survey."""
    with ThreadPoolExecutor(2) as executor:
        out = tmp_path_factory.mktemp("survey") / "out"
        return run_survey(load_settings(survey_folder), out, executor=executor)


@pytest.fixture
def folder(survey_folder: Path, tmp_path: Path) -> Path:
    """A copy of the survey folder that a test may spoil."""
    return shutil.copytree(survey_folder, tmp_path / "spoiled")


@pytest.fixture
def out(first: SurveyResult, tmp_path: Path) -> Path:
    """A copy of the first survey's results."""
    return shutil.copytree(first.folder, tmp_path / "again")


def test_every_output_is_there(first: SurveyResult) -> None:
    assert {path.name for path in first.folder.iterdir()} == set(OUTPUTS)
    assert first.reused == ()


def test_the_die_is_as_large_as_the_phantom_drew_it(first: SurveyResult, survey_folder: Path) -> None:
    truth = json.loads((survey_folder / "truth.json").read_text(encoding="utf-8"))
    die = first.measurements["die"]
    # Three standard uncertainties: a right program fails this once in 370 seeds, and the seed is fixed.
    assert abs(die["area_um2"] - truth["die"]["area_um2"]) < 3 * die["area_um2_u"]
    assert die["area_um2_u"] < 0.01 * die["area_um2"]


def test_tiles_lie_where_the_phantom_put_them(first: SurveyResult, survey_folder: Path) -> None:
    truth = json.loads((survey_folder / "truth.json").read_text(encoding="utf-8"))
    placed = {tile["name"]: tile for tile in first.layout["tiles"]}
    for tile in truth["tiles"]:
        found = placed[tile["name"]]
        # The frame's origin may be fixed to a whole pixel of the mosaic.
        assert abs(found["x_px"] - tile["x_px"]) < 1.0
        assert abs(found["y_px"] - tile["y_px"]) < 1.0


def test_inputs_are_on_record(first: SurveyResult, survey_folder: Path) -> None:
    state = json.loads((first.folder / "survey_state.json").read_text(encoding="utf-8"))
    tiles = {f"tiles/{path.name}" for path in (survey_folder / "tiles").iterdir()}
    assert set(state["inputs"]) == tiles | {"micrometer.png", "blocks.geojson", "survey.toml"}


def test_a_second_run_does_nothing_twice(out: Path, survey_folder: Path) -> None:
    before = {path.name: path.stat().st_mtime_ns for path in out.iterdir()}
    result = run_survey(load_settings(survey_folder), out)
    assert result.reused == ("stitch", "scale", "blocks", "measure", "preview", "report")
    assert {path.name: path.stat().st_mtime_ns for path in out.iterdir()} == before


def test_a_changed_setting_runs_only_what_depends_on_it(out: Path, survey_folder: Path) -> None:
    settings = replace(load_settings(survey_folder), stated=Stated(thickness_um=1.0))
    assert run_survey(settings, out).reused == ("stitch", "scale", "blocks")


def test_a_survey_gives_what_measure_gives_with_the_same_options(out: Path, survey_folder: Path) -> None:
    settings = load_settings(survey_folder)
    wafer = WaferPlan(200.0, 2.0, 60.0)
    stated = replace(settings.stated, vertex_u_px=0.2, edge_u_px=0.0, wafer=wafer, velocity_factor=0.6)
    settings = replace(settings, stated=stated)
    surveyed = run_survey(settings, out)
    assert surveyed.reused == ("stitch", "scale", "blocks")
    scale = load_scale(out / "scale.json")
    with open_mosaic(out / "mosaic.ome.tif") as mosaic:
        regions = load_regions(out / "blocks.geojson", um_per_px=(scale.um_per_px_x, scale.um_per_px_y))
        layout = load_layout(out / "layout.json")
        measured = measure_survey(mosaic, regions, scale, stated=stated, layout=layout)
    write_measurements(measured, out / "again.json")
    assert surveyed.measurements == json.loads((out / "again.json").read_text(encoding="utf-8"))
    assert surveyed.measurements["die"]["wafer"]["diameter_mm"] == 200.0


def test_a_damaged_output_is_made_again(out: Path, survey_folder: Path) -> None:
    with (out / "measurements.csv").open("a", encoding="utf-8") as handle:
        handle.write("tampered\n")
    assert "measure" not in run_survey(load_settings(survey_folder), out).reused
    assert "tampered" not in (out / "measurements.csv").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    "spoil",
    [
        lambda state: state | {"stages": "none"},
        lambda state: state | {"stages": {"stitch": 3, "measure": {"inputs": [], "outputs": {}}}},
        lambda state: state | {"inputs": 7, "title": None},
        lambda state: {},
    ],
)
def test_a_damaged_record_is_made_again(out: Path, survey_folder: Path, spoil: Callable[[Any], Any]) -> None:
    path = out / "survey_state.json"
    before = json.loads(path.read_text(encoding="utf-8"))
    path.write_text(json.dumps(spoil(before)), encoding="utf-8")
    run_survey(load_settings(survey_folder), out, replace=True)
    assert json.loads(path.read_text(encoding="utf-8")) == before


def test_an_interrupted_survey_goes_on_where_it_stopped(
    survey_folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def interrupt(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    settings, target = load_settings(survey_folder), tmp_path / "out"
    with monkeypatch.context() as patched:
        patched.setattr(evening, "measure_survey", interrupt)
        with pytest.raises(KeyboardInterrupt):
            run_survey(settings, target)
    assert not (target / "measurements.json").exists()
    assert not [path for path in target.iterdir() if "partial" in path.name]
    assert run_survey(settings, target).reused == ("stitch", "scale", "blocks")


def test_drawn_work_is_never_lost(out: Path, survey_folder: Path) -> None:
    (out / "blocks.geojson").write_text('{"mine": true}', encoding="utf-8")
    with pytest.raises(OutputExistsError, match=r"blocks\.geojson"):
        run_survey(load_settings(survey_folder), out)
    assert (out / "blocks.geojson").read_text(encoding="utf-8") == '{"mine": true}'


def test_a_pitch_that_no_micrometer_has_names_where_it_is_stated(folder: Path, tmp_path: Path) -> None:
    settings = replace(load_settings(folder), pitch_u_um=1e20)
    with pytest.raises(ScaleError, match=r"micrometer.*pitch uncertainty of 1e\+20.*survey\.toml"):
        run_survey(settings, tmp_path / "new")


def test_a_strangers_file_stops_the_survey(survey_folder: Path, tmp_path: Path) -> None:
    target = tmp_path / "out"
    target.mkdir()
    (target / "report.html").write_text("mine", encoding="utf-8")
    with pytest.raises(OutputExistsError, match=r"report\.html"):
        run_survey(load_settings(survey_folder), target)
    assert [path.name for path in target.iterdir()] == ["report.html"]


def spoil_tiles(folder: Path) -> None:
    """No tile can be read."""
    for path in (folder / "tiles").iterdir():
        path.write_bytes(b"not a picture")


def spoil_micrometer(folder: Path) -> None:
    """The micrometer's picture is cut short."""
    path = folder / "micrometer.png"
    path.write_bytes(path.read_bytes()[:2000])


def spoil_blocks(folder: Path) -> None:
    """The annotations are no GeoJSON."""
    (folder / "blocks.geojson").write_text("[]", encoding="utf-8")


@pytest.mark.parametrize(
    ("spoil", "error"),
    [(spoil_tiles, DieplatError), (spoil_micrometer, PictureError), (spoil_blocks, AnnotationError)],
)
def test_bad_input_writes_nothing(folder: Path, tmp_path: Path, spoil: Any, error: type[Exception]) -> None:
    spoil(folder)
    target = tmp_path / "out"
    with pytest.raises(error):
        run_survey(load_settings(folder), target)
    assert not target.exists()


def test_results_do_not_go_among_the_inputs(folder: Path) -> None:
    with pytest.raises(SettingsError, match="own folder"):
        run_survey(load_settings(folder), folder)
    with pytest.raises(OutputExistsError, match="is a file"):
        run_survey(load_settings(folder), folder / "micrometer.png")
