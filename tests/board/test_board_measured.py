"""Invented boards photographed by hand: their antennas measured, from the command line too."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest
from typer.testing import CliRunner

from dieplat.annotations import load_regions
from dieplat.board.stated import stated_focal_mm
from dieplat.errors import AnnotationError
from dieplat.phantom.board import make_board
from dieplat.survey.board import measure_board, velocity_range
from dieplat.tiles.read import read_picture
from dieplat_cli.app import app

RUN = CliRunner()


@pytest.fixture(scope="module")
def board(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, float]:
    """A board and its antenna's true length."""
    folder = tmp_path_factory.mktemp("board")
    return folder, make_board(folder, seed=12)["traces"][0]["length_um"]


@pytest.mark.parametrize("find_middle", [False, True])
def test_the_antenna_has_its_true_length(board, find_middle):
    folder, truth = board
    picture, regions = read_picture(folder / "board.jpg"), load_regions(folder / "board.geojson")
    found = measure_board(regions, picture, find_middle=find_middle)
    (trace,) = found.traces
    assert abs(trace.length_um - truth) < 2.58 * trace.length_um_u  # 99 %
    # Half a pixel at some 45 um a pixel on a dozen corners, or a tenth of that found.
    assert trace.length_um_u < (0.002 if find_middle else 0.006) * truth
    assert found.warnings == ()


def test_a_ruler_alone_gives_a_length_and_a_warning(board):
    folder, truth = board
    picture, regions = read_picture(folder / "board.jpg"), load_regions(folder / "board.geojson")
    fewer = type(regions)(tuple(r for r in regions.regions if r.name != "Holes"), regions.source)
    found = measure_board(fewer, picture)
    (trace,) = found.traces
    assert abs(trace.length_um - truth) < 2.58 * trace.length_um_u
    assert trace.length_um_u > 0.005 * truth
    assert any("tilt of the camera" in text for text in found.warnings)


def test_a_drawing_of_another_photograph_is_refused(board):
    """It would give a length as if all were well."""
    folder, _ = board
    picture, regions = read_picture(folder / "board.jpg"), load_regions(folder / "board.geojson")
    with pytest.raises(AnnotationError, match="outside the photograph"):
        measure_board(regions, picture[: len(picture) // 3])


def test_what_is_wrong_with_a_known_length_names_the_drawing(board):
    folder, _ = board
    picture, regions = read_picture(folder / "board.jpg"), load_regions(folder / "board.geojson")
    spoiled = tuple(replace(r, properties={**r.properties, "sides_um": ["x", 1]} if r.name == "Holes" else r.properties)
                    for r in regions.regions)  # fmt: skip
    with pytest.raises(AnnotationError, match=r"board\.geojson: 'Holes': sides_um"):
        measure_board(replace(regions, regions=spoiled), picture)


def test_the_command_writes_numbers_and_a_picture(board, tmp_path):
    folder, truth = board
    out = tmp_path / "board.json"
    arguments = ["board", str(folder / "board.jpg"), str(folder / "board.geojson"), "--out", str(out)]
    done = RUN.invoke(
        app, [*arguments, "--channel", "6", "--velocity-factor", "0.75:0.85", "--shortening-factor", "0.6"]
    )
    assert done.exit_code == 0, done.output
    found = json.loads(out.read_text(encoding="utf-8"))
    trace = found["traces"][0]
    assert trace["length_um"] == pytest.approx(truth, rel=0.01)
    assert trace["frequency_hz"] == 2.437e9
    assert trace["velocity_factor"] == pytest.approx(0.8)
    expected = 0.6 * trace["length_um"] / (0.8 * trace["quarter_wave_um"])
    assert trace["ratio_to_quarter_wave"] == pytest.approx(expected)
    assert "quarter wave" in trace["verdict"]
    assert read_picture(out.with_suffix(".png")).shape[1] == 1800
    assert "± is U = 2 u" in done.stdout


@pytest.mark.parametrize(
    ("options", "told"),
    [
        (["--channel", "6", "--frequency-hz", "2.4e9"], "give one of them"),
        (["--velocity-factor", "fast"], "LOW"),
        (["--permittivity", "4.3"], "--board-mm"),
        (["--frequency-hz", "2.4e9", "--velocity-factor", "1.4"], "and 1, or a range"),
    ],
)
def test_refused_in_one_line(board, tmp_path, options, told):
    folder, _ = board
    out = tmp_path / "board.json"
    done = RUN.invoke(
        app, ["board", str(folder / "board.jpg"), str(folder / "board.geojson"), "--out", str(out), *options]
    )
    assert done.exit_code != 0
    assert told in str(done.exception) or (told == "LOW" and "0.75:0.85" in str(done.exception))
    assert not out.exists()


def test_a_printed_antenna_lies_between_its_microstrip_line_and_free_space():
    """Hammerstad's formula of 1975 (5th European Microwave Conference, 268-272) gives 3.026 for 4.3 and W/h 0.625."""
    line = velocity_range(4.3, width_um=500.0, board_um=800.0, over_ground=True)
    assert line == pytest.approx(3.026**-0.5, rel=5e-3)
    assert velocity_range(4.3, width_um=500.0, board_um=800.0, over_ground=False) == (line, 1.0)
    low, high = velocity_range((4.0, 4.6), width_um=500.0, board_um=800.0, over_ground=True)
    assert low < line < high


def test_a_picture_that_states_its_lens(tmp_path):
    from PIL import Image

    path = tmp_path / "photo.jpg"
    exif = Image.Exif()
    exif.get_ifd(0x8769)[0xA405] = 52
    Image.new("RGB", (30, 20)).save(path, exif=exif)
    assert stated_focal_mm(path) == 52.0
    assert stated_focal_mm(tmp_path / "none.jpg") is None
