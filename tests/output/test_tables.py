"""The CSV says the same as the JSON."""

import csv
import io
import json

import numpy as np
import pytest
from shapely.geometry import LineString, box

from dieplat.errors import MosaicError, SettingsError
from dieplat.files import check_replaceable
from dieplat.output.layouts import load_layout
from dieplat.output.tables import csv_beside, to_csv, write_measurements
from dieplat.survey import measure_survey
from dieplat.values import Region, Regions, Scale
from dieplat.values.stated import Stated


class Flat:
    width_px, height_px = 400, 300

    def read(self, x0, y0, x1, y1, level=0):
        return np.zeros((y1 - y0, x1 - x0), np.uint8)


@pytest.fixture
def results():
    items = (
        Region("die", "die", box(0, 0, 400, 300)),
        Region('odd, "name"', "logic", box(10, 10, 110, 60)),
        Region("wire", "trace", LineString([(0, 0), (30, 40)])),
        Region("coil", "rf_inductor", box(200, 100, 300, 200)),
    )
    scale = Scale(0.5, 0.001, 0.5, 0.001, 10.0, 0.0, 100, 0.0, "ruler")
    return measure_survey(Flat(), Regions(items, "blocks"), scale, stated=Stated(frequency_hz=2.4e9))


def test_rows_hold_the_numbers_of_the_json_to_the_last_digit(results):
    rows = list(csv.DictReader(io.StringIO(to_csv(results))))
    document = results.to_dict()
    blocks = [row for row in rows if row["section"] == "block"]
    for row, block in zip(blocks, document["blocks"], strict=True):
        assert (row["name"], row["kind"]) == (block["name"], block["kind"])
        for key in ("area_um2", "area_um2_u", "perimeter_um", "share_of_die"):
            assert (float(row[key]) if row[key] else None) == block[key]
    assert float(blocks[1]["trace_length_um"]) == 25.0
    assert float(blocks[1]["trace_ratio_to_quarter_wave"]) == document["blocks"][1]["trace"]["ratio_to_quarter_wave"]
    (die,) = [row for row in rows if row["section"] == "die"]
    assert float(die["width_um"]) == document["die"]["width_um"]
    (left,) = [row for row in rows if row["section"] == "unassigned"]
    assert float(left["area_um2"]) == document["unassigned_um2"]
    assert [row["text"] for row in rows if row["section"] == "warning"] == document["warnings"]
    assert len([row for row in rows if row["section"] == "summary"]) == len(document["summary"])


def test_both_files_are_written_and_are_known_as_ours(results, tmp_path):
    path = tmp_path / "measurements.json"
    table = write_measurements(results, path)
    assert table == tmp_path / "measurements.csv"
    document = json.loads(path.read_text())
    assert document["die"]["area_um2"] == 30_000
    assert document["made_by"].startswith("dieplat")
    assert check_replaceable(path)
    assert check_replaceable(table)


def test_a_name_that_ends_in_csv_is_refused(tmp_path):
    with pytest.raises(SettingsError, match=r"\.json"):
        csv_beside(tmp_path / "results.csv")


TILE = {"name": "t", "x_px": 0.0, "y_px": 0.0, "x_px_u": 0.1, "y_px_u": 0.2, "placed_by": "overlap"}


def test_a_layout_is_read_with_or_without_the_tiles_size(tmp_path):
    path = tmp_path / "layout.json"
    second = {**TILE, "name": "u", "x_px": 300.0, "y_px": 200.0}
    path.write_text(json.dumps({"width_px": 700, "height_px": 500, "tiles": [TILE, second]}))
    layout = load_layout(path)
    assert (layout.tile_width_px, layout.tile_height_px) == (400, 300)
    assert layout.tiles[0].y_px_u == 0.2
    path.write_text(
        json.dumps({"width_px": 700, "height_px": 500, "tile_width_px": 401, "tile_height_px": 302, "tiles": [TILE]})
    )
    assert load_layout(path).tile_height_px == 302


@pytest.mark.parametrize(
    "text",
    [
        "{",
        "[]",
        "{}",
        '{"width_px": 1, "height_px": 1, "tiles": [1]}',
        '{"width_px": 1, "height_px": 1, "tiles": [{"name": "t"}]}',
        json.dumps({"width_px": 1, "height_px": 1, "tiles": [{**TILE, "x_px": float("nan")}]}),
        json.dumps({"width_px": 1, "height_px": 1, "tiles": [{**TILE, "x_px_u": None}]}),
    ],
)
def test_a_broken_layout_is_named(text, tmp_path):
    path = tmp_path / "layout.json"
    path.write_text(text)
    with pytest.raises(MosaicError, match=r"layout\.json: not a layout"):
        load_layout(path)


def test_overlaps_and_lens_of_a_layout_come_along(tmp_path):
    path = tmp_path / "layout.json"
    second = {**TILE, "name": "u", "x_px": 300.0}
    link = {"a": "t", "b": "u", "dx_px": 300.0, "dy_px": 0.5, "residual_px": 0.01, "used": True}
    lens = {"k1": 0.01, "k2": 0.0, "norm_px": 250.0, "k1_u": 2e-5, "k2_u": 0.0}
    document = {"width_px": 700, "height_px": 300, "tiles": [TILE, second], "pairs": [link], "lens": lens}
    path.write_text(json.dumps(document))
    layout = load_layout(path)
    assert [(pair.a, pair.b, pair.used) for pair in layout.pairs] == [("t", "u", True)]
    assert layout.lens == lens
    path.write_text(json.dumps({**document, "lens": None}))
    assert load_layout(path).lens is None
