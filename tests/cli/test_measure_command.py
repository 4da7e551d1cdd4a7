"""`dieplat measure` from files to files."""

import csv
import json
import sys

import cv2
import numpy as np
import pytest

from dieplat.values.measurements import ArrayResult, BlockResult
from dieplat_cli.app import main
from dieplat_cli.measure_table import details


def ring(x0, y0, x1, y1):
    return [[[x0, y0], [x1, y0], [x1, y1], [x0, y1], [x0, y0]]]


def feature(name, kind, type_, coordinates, **properties):
    return {
        "type": "Feature",
        "properties": {"name": name, "kind": kind, **properties},
        "geometry": {"type": type_, "coordinates": coordinates},
    }


BLOCKS = {
    "type": "FeatureCollection",
    "features": [
        feature("die", "die", "Polygon", ring(0, 0, 400, 300)),
        feature("core [red]", "logic", "Polygon", ring(20, 20, 220, 120)),
        feature("coil", "rf_inductor", "Polygon", ring(250, 150, 350, 250)),
        feature("wire", "trace", "LineString", [[10, 290], [210, 290]]),
    ],
}
SCALE = {
    "um_per_px_x": 0.5,
    "um_per_px_x_u": 0.0005,
    "um_per_px_y": 0.5,
    "um_per_px_y_u": 0.0005,
    "pitch_um": 10.0,
    "pitch_um_u": 0.0,
    "lines_used": 40,
    "rotation_deg": 0.1,
    "source": "ruler.png",
}


@pytest.fixture
def folder(tmp_path):
    cv2.imwrite(str(tmp_path / "die.png"), np.full((300, 400), 90, np.uint8))
    (tmp_path / "blocks.geojson").write_text(json.dumps(BLOCKS))
    (tmp_path / "scale.json").write_text(json.dumps(SCALE))
    return tmp_path


@pytest.fixture
def run(folder, monkeypatch, capsys):
    """Run `dieplat measure` in the folder; returns (exit status, stdout, stderr)."""

    def run(*arguments, scale=True):
        given = ["measure", "die.png", "blocks.geojson", "--out", "m.json", *arguments]
        if scale:
            given += ["--scale", "scale.json"]
        monkeypatch.chdir(folder)
        monkeypatch.setattr(sys, "argv", ["dieplat", *given])
        with pytest.raises(SystemExit) as caught:
            main()
        return (caught.value.code or 0, *capsys.readouterr())

    return run


def test_files_and_table(run, folder):
    status, out, err = run("--frequency-hz", "2.44175e9")
    assert status == 0, err
    document = json.loads((folder / "m.json").read_text())
    assert {"scale", "die", "blocks", "summary", "unassigned_um2", "warnings"} <= set(document)
    assert document["blocks"][0]["area_um2"] == 5000
    assert document["blocks"][2]["trace"]["length_um"] == 100
    with (folder / "m.csv").open(newline="") as handle:
        assert [row["name"] for row in csv.DictReader(handle) if row["section"] == "block"] == [
            "core [red]",
            "coil",
            "wire",
        ]
    for text in (
        "core [red]",
        "rf_inductor",
        "Share of die",
        "unassigned",
        "quarter wave",
        "Warning: inductor 'coil'",
    ):
        assert text in out
    assert "wrote m.json and m.csv" in err


def test_json_says_the_same_as_the_file(run, folder):
    status, out, _ = run("--json")
    assert status == 0
    written = json.loads((folder / "m.json").read_text())
    written.pop("made_by")
    assert json.loads(out) == written


def test_an_earlier_result_is_replaced_and_a_strangers_file_is_not(run, folder):
    assert run()[0] == 0
    status, _, err = run()
    assert status == 0
    assert "replaced m.json" in err
    (folder / "m.csv").write_text("my own table\n")
    status, _, err = run()
    assert (status, err.count("\n")) == (1, 1)
    assert err.startswith("dieplat: m.csv: exists")
    assert run("--replace")[0] == 0


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["--thickness-um", "nan"], "thickness"),
        (["--thickness-um", "-2"], "thickness"),
        (["--frequency-hz", "nan"], "frequency"),
        (["--frequency-hz", "0"], "frequency"),
        (["--velocity-factor", "3", "--frequency-hz", "1e9"], "velocity_factor"),
    ],
)
def test_bad_numbers_end_in_one_line_and_no_file(run, folder, arguments, message):
    status, out, err = run(*arguments)
    assert (status, out, err.count("\n")) == (1, "", 1)
    assert err.startswith("dieplat: ")
    assert message in err
    assert not (folder / "m.json").exists()


def test_a_mosaic_without_a_scale_is_an_error_with_the_remedy(run):
    status, _, err = run(scale=False)
    assert (status, err.count("\n")) == (1, 1)
    assert err.startswith("dieplat: die.png: states no physical size")
    assert "--scale" in err


@pytest.mark.parametrize("name", ["die.png", "blocks.geojson", "scale.json"])
def test_a_missing_file_is_named(run, folder, name):
    (folder / name).unlink()
    status, _, err = run()
    assert (status, err.count("\n")) == (1, 1)
    assert name in err


def test_a_block_outside_and_a_layout_that_is_broken_are_named(run, folder):
    (folder / "layout.json").write_text("{}")
    status, _, err = run()
    assert status == 1
    assert "layout.json: not a layout" in err
    (folder / "layout.json").unlink()
    outside = {**BLOCKS, "features": [feature("far", "logic", "Polygon", ring(0, 0, 999, 99))]}
    (folder / "blocks.geojson").write_text(json.dumps(outside))
    status, _, err = run()
    assert status == 1
    assert "'far' reaches 599.0 px outside the mosaic" in err


def test_the_layout_beside_the_mosaic_is_used(run, folder):
    tile = {"name": "t", "x_px": 0, "y_px": 0, "x_px_u": 0.4, "y_px_u": 0.4, "placed_by": "overlap"}
    layout = {"width_px": 400, "height_px": 300, "tile_width_px": 220, "tile_height_px": 300}
    layout["tiles"] = [tile, {**tile, "name": "u", "x_px": 180}]
    (folder / "layout.json").write_text(json.dumps(layout))
    assert run()[0] == 0
    budget = json.loads((folder / "m.json").read_text())["die"]["budget"]
    assert [line["name"] for line in budget] == [
        "scale",
        "vertices",
        "pixel size",
        "edges",
        "tile positions",
        "lens of the tiles",
    ]
    (folder / "layout.json").write_text(json.dumps({**layout, "width_px": 500}))
    _, _, err = run()
    assert "another size" in err


def test_an_output_folder_that_is_not_there_is_said_before_the_work(run, folder):
    status, _, err = run("--out", "none/m.json")
    assert (status, err.count("\n")) == (1, 1)
    assert err.startswith("dieplat: none/m.json: there is no folder none")


def test_many_blocks_of_a_kind_share_a_row_and_all_are_in_the_files(run, folder):
    pads = [feature(f"pad {i}", "io_pad", "Polygon", ring(10 * i, 5, 10 * i + 8, 13)) for i in range(20)]
    (folder / "blocks.geojson").write_text(json.dumps({**BLOCKS, "features": [BLOCKS["features"][0], *pads]}))
    _, out, _ = run()
    assert "pad 7" not in out
    assert "(20 blocks)" in out
    assert len(json.loads((folder / "m.json").read_text())["blocks"]) == 20


def test_a_mirrored_array_says_that_its_pitch_is_half_the_period():
    array = ArrayResult(2.0, 0.01, 3.0, 0.01, 6.0, 0.04, 8, 4, 32, 1, 0.0, True, False, remarks=("faint",))
    lines = details(BlockResult("ram", "memory_array", array=array))
    assert "32 in 8 columns x 4 rows, 1 bank" in lines[0]
    assert "mirrored along x; the pitch is one cell" in lines[1]
    assert lines[2] == "ram: faint"


def test_wrong_usage_is_status_2(run):
    assert run("--thickness-um", "thick")[0] == 2


def test_micrometres_and_the_mosaics_own_scale(run, folder, monkeypatch):
    import tifffile

    tifffile.imwrite(
        folder / "die.ome.tif",
        np.full((300, 400), 90, np.uint8),
        tile=(128, 128),
        metadata={"axes": "YX", "PhysicalSizeX": 0.25, "PhysicalSizeY": 0.25},
    )
    halved = {
        **BLOCKS,
        "coordinates_in": "um",
        "features": [feature("a", "logic", "Polygon", ring(0, 0, 50, 25))],
    }
    (folder / "blocks.geojson").write_text(json.dumps(halved))
    (folder / "die.png").unlink()
    (folder / "die.ome.tif").rename(folder / "die.png")  # what a file is, is in its bytes
    status, out, err = run(scale=False)
    assert status == 0, err
    document = json.loads((folder / "m.json").read_text())
    assert document["blocks"][0]["area_um2"] == pytest.approx(1250)
    assert document["scale"]["um_per_px_x_u"] is None
    assert "leaves the scale out" in out
