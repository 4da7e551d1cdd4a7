"""A phantom folder as a whole: repeatable, complete, and true."""

import hashlib
import json
import tomllib

import cv2
import numpy as np
import pytest
from shapely.geometry import Polygon, shape
from skimage.registration import phase_cross_correlation

from dieplat.errors import OutputExistsError, SettingsError
from dieplat.phantom import PRESETS, make_phantom, render_truth_window
from dieplat.values import KINDS

SMALL = {"rows": 2, "columns": 3, "tile_width_px": 420, "tile_height_px": 360}


@pytest.fixture(scope="module")
def phantom(tmp_path_factory):
    folder = tmp_path_factory.mktemp("phantom")
    return folder, make_phantom(folder, seed=12, preset="ordinary", **SMALL)


def picture(path):
    return cv2.cvtColor(cv2.imread(str(path)), cv2.COLOR_BGR2RGB)


def test_the_folder_is_a_complete_survey(phantom):
    folder, truth = phantom
    survey = tomllib.loads((folder / "survey.toml").read_text())
    assert len(list((folder / survey["tiles"]).iterdir())) == 6
    assert (folder / survey["micrometer"]).is_file()
    assert survey["pitch_um"] == 10.0
    document = json.loads((folder / "truth.json").read_text())
    assert {"seed", "um_per_px", "um_per_px_x", "um_per_px_y", "tiles", "lens", "die", "blocks"} <= set(document)
    assert document["lens"] is None
    assert min(t["x_px"] for t in document["tiles"]) == 0.0
    assert min(t["y_px"] for t in document["tiles"]) == 0.0
    assert truth.um_per_px == document["um_per_px"]


def test_outlines_in_pixels_have_the_area_in_micrometres(phantom):
    folder, truth = phantom
    document = json.loads((folder / "blocks.geojson").read_text())
    assert document["coordinates_in"] == "mosaic_px"
    areas = {b["name"]: b["area_um2"] for b in json.loads((folder / "truth.json").read_text())["blocks"]}
    frame = Polygon([(0, 0), (truth.width_px, 0), (truth.width_px, truth.height_px), (0, truth.height_px)])
    for feature in document["features"]:
        outline = shape(feature["geometry"])
        assert feature["properties"]["kind"] in KINDS
        assert frame.contains(outline)
        if feature["geometry"]["type"] == "Polygon":
            # Coordinates are written to 0.0001 px, a 1e-5 part of the smallest pad's side.
            expected = areas[feature["properties"]["name"]]
            assert outline.area * truth.um_per_px**2 == pytest.approx(expected, rel=1e-4)


def test_the_same_seed_gives_the_same_bytes(phantom, tmp_path):
    folder, _ = phantom
    make_phantom(tmp_path, seed=12, preset="ordinary", **SMALL)
    for path in sorted(folder.rglob("*.*")):
        again = tmp_path / path.relative_to(folder)
        assert hashlib.sha256(path.read_bytes()).digest() == hashlib.sha256(again.read_bytes()).digest(), path.name


def test_another_seed_gives_another_die(tmp_path):
    truth = make_phantom(tmp_path, seed=13, preset="ordinary", **SMALL)
    assert truth.um_per_px != 0.0
    assert {tile.name for tile in truth.tiles} == {f"r{r:02d}_c{c:02d}.jpg" for r in range(2) for c in range(3)}


def test_tiles_lie_where_the_truth_says(tmp_path):
    # Checked against scikit-image's phase correlation, which resolves 1/50 px here; stitching is not
    # involved.
    truth = make_phantom(tmp_path, seed=5, preset="sharp", **SMALL)
    for tile in truth.tiles:
        seen = picture(tmp_path / "tiles" / tile.name).astype(float).mean(axis=2) / 255.0
        x0, y0 = round(tile.x_px), round(tile.y_px)
        ideal = render_truth_window(truth, x0, y0, x0 + 420, y0 + 360).mean(axis=2)
        window = np.outer(np.hanning(360), np.hanning(420))
        shift, _, _ = phase_cross_correlation(
            (ideal - ideal.mean()) * window,
            (seen - seen.mean()) * window,
            upsample_factor=50,
            normalization=None,
        )
        assert shift[1] == pytest.approx(tile.x_px - x0, abs=0.03)
        assert shift[0] == pytest.approx(tile.y_px - y0, abs=0.03)


def test_the_micrometer_has_lines_at_its_pitch(tmp_path):
    truth = make_phantom(tmp_path, seed=5, preset="sharp", **SMALL)
    plate = picture(tmp_path / "micrometer.png").astype(float).mean(axis=2)
    profile = plate[150:200].mean(axis=0)
    spectrum = np.abs(np.fft.rfft((profile - profile.mean()) * np.hanning(len(profile)), 64 * len(profile)))
    near = slice(int(0.6 * 64 * 420 * truth.um_per_px / 10), int(1.4 * 64 * 420 * truth.um_per_px / 10))
    lines_per_px = (near.start + np.argmax(spectrum[near])) / (64 * len(profile))
    # A 420 px record finds a frequency to a small part of 1/420; 0.2 % of the pitch is what the peak allows.
    assert 10.0 * lines_per_px == pytest.approx(truth.um_per_px, rel=2e-3)


def test_memory_truth_counts_what_was_drawn(phantom):
    _, truth = phantom
    for block in truth.die.blocks:
        if block.array is not None:
            a = block.array
            x0, y0, x1, y1 = block.outline_um.bounds
            straps = [a["strap_um"] * (len({b[k] for b in a["bank_list"]}) - 1) for k in ("x0_um", "y0_um")]
            assert x1 - x0 == pytest.approx(a["columns"] * a["pitch_x_um"] + straps[0])
            assert y1 - y0 == pytest.approx(a["rows"] * a["pitch_y_um"] + straps[1])
            assert sum(b["columns"] * b["rows"] for b in a["bank_list"]) == a["cells"]


def test_missing_tiles_are_named_and_not_written(tmp_path):
    truth = make_phantom(tmp_path, seed=3, rows=3, columns=3, tile_width_px=300, tile_height_px=260, missing=1)
    assert len(truth.missing) == 1
    assert not (tmp_path / "tiles" / truth.missing[0]).exists()
    assert len(list((tmp_path / "tiles").iterdir())) == 8


def test_serpentine_names_count_in_order_of_capture(tmp_path):
    truth = make_phantom(tmp_path, seed=3, preset="order", rows=2, columns=2, tile_width_px=300, tile_height_px=260)
    places = [(tile.row, tile.column) for tile in sorted(truth.tiles, key=lambda tile: tile.name)]
    assert places == [(0, 0), (0, 1), (1, 1), (1, 0)]


def test_a_strangers_folder_is_left_alone(tmp_path):
    (tmp_path / "letters.txt").write_text("mine")
    with pytest.raises(OutputExistsError, match="not a phantom's"):
        make_phantom(tmp_path, seed=1, **SMALL)
    assert not (tmp_path / "tiles").exists()


def test_impossible_settings_are_refused_by_name(tmp_path):
    with pytest.raises(SettingsError, match="choose one of"):
        make_phantom(tmp_path / "a", seed=1, preset="perfect")
    with pytest.raises(SettingsError, match="overlap"):
        make_phantom(tmp_path / "b", seed=1, overlap=0.9)
    with pytest.raises(SettingsError, match="fine 0"):
        make_phantom(tmp_path / "f", seed=1, fine=0)
    with pytest.raises(SettingsError, match="too small"):
        make_phantom(tmp_path / "c", seed=1, rows=2, columns=2, tile_width_px=240, tile_height_px=200, overlap=0.5)


@pytest.mark.parametrize("preset", sorted(PRESETS))
def test_every_preset_lays_out_a_die_inside_its_tiles(preset):
    from dieplat.phantom import plan_phantom, scenario_for

    truth = plan_phantom(scenario_for(preset), seed=1, preset=preset)
    die = truth.outline_px(truth.die.blocks[0])
    assert die.min() > 10.0
    assert die[:, 0].max() < truth.width_px - 10.0
    assert die[:, 1].max() < truth.height_px - 10.0


@pytest.mark.parametrize("seed", range(4))
def test_an_ordinary_die_has_coils_and_cells_that_can_be_measured(seed):
    from dieplat.phantom import plan_phantom, scenario_for

    truth = plan_phantom(scenario_for("ordinary"), seed=seed)
    um = truth.um_per_px
    coils = [b.inductor for b in truth.die.blocks if b.kind == "rf_inductor"]
    assert sum(c["outer_um"] >= 150.0 * um for c in coils) >= 2
    assert all(min(c["width_um"], c["spacing_um"]) >= 5.0 * um for c in coils)
    assert all(c["inner_um"] > 0.2 * c["outer_um"] for c in coils)
    arrays = [b.array for b in truth.die.blocks if b.kind == "memory_array"]
    assert any(min(a["pitch_x_um"], a["pitch_y_um"]) >= 5.0 * um for a in arrays)


def test_the_lens_of_the_lens_preset_bends_either_way():
    from dieplat.phantom import plan_phantom, scenario_for

    small = scenario_for("lens", **SMALL)
    found = [plan_phantom(small, seed=seed, preset="lens").to_dict()["lens"]["k1"] for seed in range(6)]
    assert all(0.008 <= abs(k1) <= 0.02 for k1 in found)
    assert min(found) < 0.0 < max(found)
