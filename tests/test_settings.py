"""survey.toml: what it may say, what is found by name, and what is said when it is wrong."""

from __future__ import annotations

from pathlib import Path

import pytest

from dieplat.errors import SettingsError
from dieplat.settings import load_settings
from dieplat.values.stated import EDGE_U_PX, VERTEX_U_PX, WaferPlan


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A folder whose names speak for themselves; the files' contents are not looked at."""
    (tmp_path / "tiles").mkdir()
    (tmp_path / "micrometer.png").touch()
    (tmp_path / "blocks.geojson").touch()
    return tmp_path


def write(folder: Path, text: str) -> None:
    (folder / "survey.toml").write_text(text, encoding="utf-8")


def test_a_file_that_says_everything(folder: Path) -> None:
    (folder / "evening").mkdir()
    for name in ("ruler.tif", "ruler90.tif", "drawn.geojson", "ties.json"):
        (folder / name).touch()
    write(
        folder,
        """
        title = "Marmot M1"
        tiles = "evening"
        micrometer = "ruler.tif"
        micrometer_turned = "ruler90.tif"
        pitch_um = 10
        pitch_u_um = 0.005
        blocks = "drawn.geojson"
        ties = "ties.json"
        frequency_hz = 2.44175e9
        thickness_um = 1.5
        metal = "cu"
        sheet_ohm = 0.02
        oxide_um = [3, 6]
        permittivity = "3.9:4.1"
        ground_um = 9
        velocity_factor = 0.55
        shortening_factor = 0.95
        vertex_u_px = 0.3
        edge_u_px = 0
        wafer_mm = 200
        edge_mm = 2.5
        scribe_um = 60
        columns = 6
        overlap = 0.2
        """,
    )
    settings = load_settings(folder)
    assert settings.title == "Marmot M1"
    assert settings.tiles == folder / "evening"
    assert settings.micrometer == folder / "ruler.tif"
    assert settings.micrometer_turned == folder / "ruler90.tif"
    assert (settings.pitch_um, settings.pitch_u_um) == (10.0, 0.005)
    assert settings.blocks == folder / "drawn.geojson"
    assert settings.ties == folder / "ties.json"
    assert (settings.stated.frequency_hz, settings.stated.thickness_um) == (2.44175e9, 1.5)
    assert (settings.columns, settings.overlap) == (6, 0.2)
    assert (settings.stated.velocity_factor, settings.stated.shortening_factor) == (0.55, 0.95)
    assert (settings.stated.vertex_u_px, settings.stated.edge_u_px) == (0.3, 0.0)
    assert settings.stated.wafer == WaferPlan(200.0, 2.5, 60.0)
    around = settings.stated.surroundings
    assert around.metal == "cu"
    # A number without a range may be off by a tenth (common practice, no source).
    assert around.sheet_ohm == pytest.approx((0.018, 0.022))
    assert (around.oxide_um, around.permittivity) == ((3, 6), (3.9, 4.1))
    assert (around.substrate_ohm_cm, around.underpass_um, around.ground_um) == (None, None, 9)


def test_a_folder_without_a_file_needs_only_the_pitch(folder: Path) -> None:
    (folder / "micrometer_turned.TIF").touch()
    settings = load_settings(folder, pitch_um=10.0)
    assert settings.title == folder.name
    assert settings.micrometer == folder / "micrometer.png"
    assert settings.micrometer_turned == folder / "micrometer_turned.TIF"
    assert settings.stated.thickness_um == 2.0
    assert settings.stated.frequency_hz is None
    assert (settings.stated.vertex_u_px, settings.stated.edge_u_px) == (VERTEX_U_PX, EDGE_U_PX)
    assert settings.stated.wafer == WaferPlan()


def test_the_command_lines_pitch_wins(folder: Path) -> None:
    write(folder, "pitch_um = 10")
    assert load_settings(folder, pitch_um=100.0).pitch_um == 100.0


def test_a_pitch_is_never_guessed(folder: Path) -> None:
    with pytest.raises(SettingsError, match=r"pitch .* not stated; add pitch_um .* --pitch-um"):
        load_settings(folder)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("pitch_mu = 10", "unknown key 'pitch_mu'; did you mean 'pitch_um'"),
        ("voltage = 3", "unknown key 'voltage'; known keys: title"),
        ("pitch_um = '10'", "pitch_um must be a plain number, not '10'"),
        ("pitch_um = true", "pitch_um must be a plain number"),
        ("pitch_um = nan", "pitch_um must be a plain number"),
        ("pitch_um = 0", "pitch_um is 0; it must be above 0"),
        ("pitch_um = 10\npitch_u_um = -1", "pitch_u_um is -1; it must be 0 or more"),
        ("pitch_um = 10\noverlap = 20", "overlap is 20; it must be a fraction between 0.02 and 0.9"),
        ("pitch_um = 10\ncolumns = 2.5", "columns must be a whole number of 1 or more, not 2.5"),
        ("pitch_um = 10\ncolumns = 0", "columns must be a whole number"),
        ("pitch_um = 10\nfrequency_hz = 0", "frequency_hz is 0"),
        ("pitch_um = 10\nthickness_um = 0", "thickness_um is 0"),
        ("pitch_um = 10\nvertex_u_px = -0.1", "vertex_u_px is -0.1; it must be 0 or more"),
        ("pitch_um = 10\nedge_u_px = 'small'", "edge_u_px must be a plain number, not 'small'"),
        ("pitch_um = 10\nvelocity_factor = 1.5", "velocity_factor is 1.5; it must be above 0 and not above 1"),
        ("pitch_um = 10\nshortening_factor = 0", "shortening_factor is 0; it must be above 0"),
        ("pitch_um = 10\nwafer_mm = 0", "wafer_mm is 0; it must be above 0"),
        ("pitch_um = 10\nwafer_inch = 12", "unknown key 'wafer_inch'; did you mean 'wafer_mm'"),
        ("pitch_um = 10\nwafer_mm = 100\nedge_mm = 50", "with 50 mm of edge and 80 um of scribe: give lengths"),
        ("pitch_um = 10\ntitle = 7", "title must be text in quotes, not 7"),
        ("pitch_um = 10\ntitle = '  '", "title must be text"),
        ("pitch_um = 10\nmicrometer = 'gone.png'", "gone.png: no such file or folder, though survey.toml"),
        ("pitch_um = 10\nmicrometer = 'tiles'", "tiles: is a folder, but micrometer in survey.toml"),
        ("pitch_um = 10\ntiles = 'micrometer.png'", "micrometer.png: must be a folder of tiles"),
        ("pitch_um = ", "is not valid TOML"),
    ],
)
def test_mistakes_are_named_in_one_line(folder: Path, text: str, message: str) -> None:
    write(folder, text)
    with pytest.raises(SettingsError) as caught:
        load_settings(folder)
    assert message in str(caught.value)
    assert str(folder) in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_file_of_another_encoding(folder: Path) -> None:
    (folder / "survey.toml").write_bytes('title = "Käfer"'.encode("latin-1"))
    with pytest.raises(SettingsError, match="not UTF-8"):
        load_settings(folder)


@pytest.mark.parametrize(
    ("missing", "message"),
    [("micrometer.png", "no picture of a stage micrometer"), ("blocks.geojson", "no blocks.geojson; draw")],
)
def test_missing_files(folder: Path, missing: str, message: str) -> None:
    (folder / missing).unlink()
    with pytest.raises(SettingsError, match=message):
        load_settings(folder, pitch_um=10.0)


def test_missing_tiles_and_missing_folder(folder: Path) -> None:
    (folder / "tiles").rmdir()
    with pytest.raises(SettingsError, match="no folder tiles/"):
        load_settings(folder, pitch_um=10.0)
    with pytest.raises(SettingsError, match="no such folder"):
        load_settings(folder / "elsewhere", pitch_um=10.0)


def test_two_micrometers_are_not_chosen_between(folder: Path) -> None:
    (folder / "micrometer.tif").touch()
    with pytest.raises(SettingsError, match=r"more than one micrometer picture \(micrometer.png, m"):
        load_settings(folder, pitch_um=10.0)


@pytest.mark.parametrize(
    ("line", "word"),
    [
        ('metal = "tin"', "metal"),
        ("oxide_um = [6, 3]", "oxide_um"),
        ("sheet_ohm = 0", "sheet_ohm"),
        ('permittivity = "much"', "permittivity"),
        ("substrate_ohm_cm = true", "substrate_ohm_cm"),
        ("ground_um = -1", "ground_um"),
    ],
)
def test_what_lies_around_a_coil_must_make_sense(folder: Path, line: str, word: str) -> None:
    write(folder, f"pitch_um = 10\n{line}\n")
    with pytest.raises(SettingsError, match=word):
        load_settings(folder)
