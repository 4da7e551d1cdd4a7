"""Numbers that no coil, trace or die has: one line with the remedy, or an answer that holds no nonsense."""

from __future__ import annotations

import json
import math
import shutil
from pathlib import Path

import bad_inputs
import pytest

from dieplat.antenna.quarter_wave import compare_with_quarter_wave
from dieplat.errors import SettingsError

USUAL = {
    "--turns": "3", "--outer-um": "200", "--width-um": "10", "--spacing-um": "3", "--thickness-um": "2",
    "--frequency-hz": "2.4e9", "--sheet-ohm": "0.02", "--oxide-um": "5", "--permittivity": "4",
    "--substrate-ohm-cm": "10", "--ground-um": "300",
}  # fmt: skip
EXTREME = (
    "0", "-1", "nan", "inf", "1e-320", "1e-300", "1e-30", "1e-7", "1e-3", "1e5", "1e9", "1e30", "1e300", "1.7e308",
    "1e-6:1e12", "1e-320:1e308",
)  # fmt: skip


@pytest.mark.parametrize("option", USUAL)
def test_the_calculator_answers_or_refuses_in_one_line(tmp_path: Path, option: str) -> None:
    for value in EXTREME:
        given = [f"{name}={number}" for name, number in (USUAL | {option: value}).items()]
        with bad_inputs._bounded():
            status, told, trace = bad_inputs.run(tmp_path, ("inductance", "--shape", "square", *given))
        assert trace == "", (value, trace)
        assert status in (0, 1, 2)
        if status == 1:
            assert (told.count("\n"), told[:9]) == (1, "dieplat: "), (value, told)


@pytest.mark.parametrize("line", ["frequency_hz = 1e-320", "frequency_hz = 1e300", "shortening_factor = 1e-320",
                                  "velocity_factor = 1e-320", "thickness_um = 1e300",
                                  "pitch_um = 1e-320", "pitch_um = 1e300"])  # fmt: skip
def test_a_survey_refuses_before_the_work(tmp_path: Path, line: str) -> None:
    """A frequency too small to be told from none once ended in a division by zero."""
    (tmp_path / "die").mkdir()
    (tmp_path / "die/tiles").mkdir()
    for name in ("micrometer.png", "blocks.geojson"):
        (tmp_path / "die" / name).write_bytes(b"never read")
    usual = "" if "pitch" in line else "pitch_um = 10.0\n"
    (tmp_path / "die/survey.toml").write_text(f"{usual}{line}\n", encoding="utf-8")
    status, told, trace = bad_inputs.run(tmp_path, ("survey", "die", "--out", "results"))
    assert (status, trace, told.count("\n")) == (1, "", 1), (told, trace)
    assert told.startswith("dieplat: die/survey.toml: ")
    assert line.split(" = ")[0] in told
    assert "between" in told


@pytest.mark.parametrize(
    ("frequency_hz", "more"),
    [(1e-320, {}), (1e30, {}), (math.nan, {}), (2.4e9, {"velocity_factor": 1e-320}),
     (2.4e9, {"shortening_factor": 1e308}), (2.4e9, {"velocity_factor": (1e-300, 0.7)})],
)  # fmt: skip
def test_a_quarter_wave_of_no_frequency_or_factor_is_refused(
    frequency_hz: float, more: dict[str, float | tuple[float, float]]
) -> None:
    with pytest.raises(SettingsError, match="between"):
        compare_with_quarter_wave(1000.0, frequency_hz, length_um_u=1.0, **more)  # type: ignore[arg-type]


@pytest.fixture(scope="module")
def survey(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A small survey with its results."""
    folder = tmp_path_factory.mktemp("extreme")
    bad_inputs.make_base(folder)
    return folder


@pytest.mark.parametrize("pitch_um", ["1e-320", "1e-6", "1e9", "1e300"])
def test_a_pitch_that_makes_no_pixel_is_refused(survey: Path, tmp_path: Path, pitch_um: str) -> None:
    """Once a scale was written that no later step would read, or that the mosaic's tags could not hold."""
    work = shutil.copytree(survey, tmp_path / "work")
    given = ("calibrate", "die/micrometer.png", f"--pitch-um={pitch_um}", "--out", "new/s.json")
    status, told, trace = bad_inputs.run(work, given)
    assert (status, trace, told.count("\n")) == (1, "", 1), (told, trace)
    assert "micrometer.png: a pitch of" in told
    assert list((work / "new").iterdir()) == []


@pytest.mark.parametrize(
    "change",
    [{"tile_width_px": 1e308}, {"tile_height_px": 1e308}, {"tile_width_px": -1}, {"width_px": 10**30},
     {"height_px": -584}, {"x_px": 1e308}, {"y_px": "NaN"}, {"x_px_u": -1.0}, {"y_px_u": float("inf")}],
)  # fmt: skip
def test_a_layout_of_sizes_that_are_none_is_refused(survey: Path, tmp_path: Path, change: dict[str, object]) -> None:
    """Areas once ended in an index beyond the tiles."""
    work = shutil.copytree(survey, tmp_path / "work")
    path = work / "out/layout.json"
    layout = json.loads(path.read_bytes())
    place = layout if set(change) & set(layout) else layout["tiles"][1]
    assert set(change) <= set(place)
    place.update(change)
    path.write_text(json.dumps(layout), encoding="utf-8")
    status, told, trace = bad_inputs.run(work, bad_inputs.COMMANDS["measure"])
    assert (status, trace, told.count("\n")) == (1, "", 1), (told, trace)
    assert told.startswith("dieplat: out/layout.json: not a layout (")
    assert list((work / "new").iterdir()) == []
