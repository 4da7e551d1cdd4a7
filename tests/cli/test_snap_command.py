"""`dieplat snap` from files to files, and measuring with what it wrote."""

import json
import sys

import cv2
import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from dieplat_cli.app import main


@pytest.fixture
def run(tmp_path, monkeypatch, capsys):
    """Run a command in a folder with a picture and a drawn block; returns (exit status, stdout, stderr)."""
    picture = np.full((160, 200), 60.0)
    picture[40:120, 50:150] = 170.0
    picture = gaussian_filter(picture, 0.8) + np.random.default_rng(1).normal(0, 2, picture.shape)
    cv2.imwrite(str(tmp_path / "die.png"), picture.astype(np.uint8))
    ring = [[50.6, 39.5], [149.6, 40.4], [150.3, 120.4], [49.5, 119.7], [50.6, 39.5]]
    feature = {
        "type": "Feature",
        "id": 4,
        "properties": {"name": "pad", "kind": "io_pad", "who": "me"},
        "geometry": {"type": "Polygon", "coordinates": [ring]},
    }
    (tmp_path / "blocks.geojson").write_text(json.dumps({"type": "FeatureCollection", "features": [feature]}))
    scale = {"um_per_px_x": 0.5, "um_per_px_y": 0.5, "um_per_px_x_u": 5e-4, "um_per_px_y_u": 5e-4}
    scale |= {"pitch_um": 10.0, "pitch_um_u": 0.0, "lines_used": 40, "rotation_deg": 0.0, "source": "ruler"}
    (tmp_path / "scale.json").write_text(json.dumps(scale))

    def run(*arguments):
        monkeypatch.chdir(tmp_path)
        monkeypatch.setattr(sys, "argv", ["dieplat", *arguments])
        with pytest.raises(SystemExit) as caught:
            main()
        return (caught.value.code or 0, *capsys.readouterr())

    return run


def test_a_new_file_with_what_was_drawn_and_what_was_found(run, tmp_path):
    before = (tmp_path / "blocks.geojson").read_bytes()
    code, out, _ = run("snap", "die.png", "blocks.geojson", "--out", "new.geojson")
    assert code == 0
    assert "4 of 4" in out
    assert (tmp_path / "blocks.geojson").read_bytes() == before
    (feature,) = json.loads((tmp_path / "new.geojson").read_text())["features"]
    assert feature["id"] == 4
    assert feature["properties"]["who"] == "me"
    assert feature["properties"]["drawn"] == json.loads(before)["features"][0]["geometry"]
    corners = np.array(feature["geometry"]["coordinates"][0][:-1])
    assert np.abs(corners - [[50, 40], [150, 40], [150, 120], [50, 120]]).max() < 0.1
    for vertex, corner in zip(feature["properties"]["snapped"]["vertices"], corners.tolist(), strict=True):
        assert vertex["at_px"] == corner
        assert vertex["moved_px"] == pytest.approx(float(np.hypot(*np.subtract(corner, vertex["drawn_px"]))))
        assert max(vertex["u_px"]) < 0.2

    areas = {}
    for name in ("blocks", "new"):
        assert run("measure", "die.png", f"{name}.geojson", "--scale", "scale.json", "--out", f"{name}.json")[0] == 0
        (block,) = json.loads((tmp_path / f"{name}.json").read_text())["blocks"]
        areas[name] = block
    assert areas["new"]["area_um2_u"] < 0.7 * areas["blocks"]["area_um2_u"]
    assert abs(areas["new"]["area_um2"] - 2000) < 2 * areas["new"]["area_um2_u"]
    lines = {line["name"]: line["u"] for line in areas["new"]["budget"]}
    assert lines["vertices found"] > 0
    assert lines["vertices"] == 0


def test_the_facts_as_json(run):
    code, out, _ = run("snap", "die.png", "blocks.geojson", "--out", "new.geojson", "--json")
    assert code == 0
    (outline,) = json.loads(out)["outlines"]
    assert outline["found"] == 4
    assert outline["area_px2_u"] < outline["area_px2_before_u"]


def test_the_drawn_file_is_never_written_over_and_names_are_checked(run):
    code, _, err = run("snap", "die.png", "blocks.geojson", "--out", "blocks.geojson")
    assert (code, err.count("\n")) == (1, 1)
    assert "blocks.geojson" in err
    code, _, err = run("snap", "die.png", "blocks.geojson", "--out", "x.geojson", "--only", "coil")
    assert code == 1
    assert "'coil'" in err


def test_budgets_line_by_line(run):
    arguments = ("measure", "die.png", "blocks.geojson", "--scale", "scale.json", "--out", "m.json")
    code, out, _ = run(*arguments, "--budget")
    assert code == 0
    assert "pad: area" in out
    assert "largest:" in out
    assert "pad: area" not in run(*arguments)[1]


def test_exact_outlines_leave_the_scale_alone(run, tmp_path):
    arguments = ("measure", "die.png", "blocks.geojson", "--scale", "scale.json", "--out", "m.json")
    code, *_ = run(*arguments, "--vertex-u-px", "0", "--edge-u-px", "0")
    assert code == 0
    (block,) = json.loads((tmp_path / "m.json").read_text())["blocks"]
    assert block["area_um2_u"] == pytest.approx(2 * 0.001 * block["area_um2"])
    code, _, err = run(*arguments, "--wafer-mm", "5")
    assert code == 1
    assert "wafer of 5 mm" in err
