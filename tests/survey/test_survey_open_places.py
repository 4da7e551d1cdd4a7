"""Blocks across tiles whose place the pictures leave open: 2 x 2 tiles of which the lower right one is ambiguous."""

import json
from dataclasses import replace

import pytest
from shapely.geometry import LineString, Polygon, box

from dieplat.measurement.open_places import open_tiles
from dieplat.output.tables import write_measurements
from dieplat.survey import measure_survey
from dieplat.values import Layout, PlacedTile, Region, Regions, Scale
from dieplat.values.stated import Stated

SCALE = Scale(0.5, 0.0005, 0.5, 0.0005, 10.0, 0.0, 100, 0.0, "ruler")
SURE = [PlacedTile(f"t{k}", x, y, 0.1, 0.1, "overlap") for k, (x, y) in enumerate([(0, 0), (200, 0), (0, 200)])]
OPEN = PlacedTile("t3", 200.0, 200.0, 0.1, 0.1, "overlap", True, ((200.0, 231.0),))
LAYOUT = Layout(420, 420, 220, 220, (*SURE, OPEN), (), (), 0.1)
DIE = Region("Die", "die", box(20, 20, 200, 180))  # on the two upper tiles


class NoPixels:
    """A mosaic of which no pixel may be read."""

    width_px = height_px = 620

    def read(self, x0, y0, x1, y1, level=0):
        raise AssertionError("nothing is to be read from the picture")


def survey(*items, layout=LAYOUT):
    return measure_survey(NoPixels(), Regions(items, "blocks"), SCALE, stated=Stated(find_die=False), layout=layout)


def test_what_rests_on_an_open_tile():
    assert open_tiles(box(20, 20, 400, 180), LAYOUT) == ()
    assert open_tiles(box(20, 20, 400, 400), LAYOUT) == ("t3",)
    assert open_tiles(LineString([(100, 100), (400, 400)]), LAYOUT) == ("t3",)
    # All on that tile alone: wherever it lies, the distances within it stay.
    assert open_tiles(box(250, 250, 400, 400), LAYOUT) == ()
    # Corners on other tiles, and the open one in between.
    corner = Polygon([(400, 20), (400, 200), (20, 400)])
    assert open_tiles(corner, LAYOUT) == ()
    assert open_tiles(corner, LAYOUT, inside=True) == ("t3",)
    assert open_tiles(corner, replace(LAYOUT, tiles=(*SURE, replace(OPEN, ambiguous=False))), inside=True) == ()


def test_an_area_across_an_open_tile_is_refused_and_all_sums_with_it():
    logic = [Region("Control", "logic", box(30, 30, 90, 90)), Region("Decoder", "logic", box(150, 150, 300, 300))]
    analog = Region("Reference", "analog", box(260, 260, 380, 380))
    found = survey(DIE, *logic, analog)
    control, decoder, reference = found.blocks
    assert decoder.area_um2 is None
    assert decoder.share_of_die is None
    assert decoder.perimeter_um is None
    assert control.area_um2 == pytest.approx(900.0)
    assert reference.area_um2 == pytest.approx(3600.0)
    assert [line.kind for line in found.summary] == ["analog"]
    assert found.die is not None
    assert found.unassigned_um2 is None
    (said,) = [text for text in found.warnings if "Decoder" in text and "not measured" in text]
    assert "t3" in said
    assert "tie" in said


def test_a_die_across_an_open_tile_gives_no_share():
    whole = Region("Die", "die", box(20, 20, 400, 400))
    found = survey(whole, Region("Control", "logic", box(30, 30, 90, 90)))
    assert found.die is None
    assert found.unassigned_um2 is None
    assert found.blocks[0].share_of_die is None
    assert found.blocks[0].area_um2 == pytest.approx(900.0)
    assert any("'Die' was not measured" in text and "t3" in text for text in found.warnings)


def test_cells_and_windings_are_not_read_across_an_open_tile():
    corner = Polygon([(400, 20), (400, 200), (20, 400)])
    found = survey(Region("Store", "memory_array", corner), Region("Coil", "rf_inductor", corner))
    assert all(block.array is None and block.inductor is None and block.area_um2 for block in found.blocks)
    assert sum("t3" in text for text in found.warnings) == 2


def test_a_trace_across_an_open_tile_has_no_length():
    across, within = LineString([(100, 100), (400, 400)]), LineString([(30, 30), (130, 30)])
    found = survey(Region("Feed", "trace", across), Region("Wire", "trace", within))
    assert [block.trace is None for block in found.blocks] == [True, False]


def test_pads_across_an_open_tile_are_counted_without_a_pitch():
    """Three tiles in a row, the middle one open: the die's corners and the pads of its left side lie on the first."""
    middle = PlacedTile("t1", 200.0, 0.0, 0.1, 0.1, "overlap", True, ((231.0, 0.0),))
    row = Layout(620, 220, 220, 220, (SURE[0], middle, PlacedTile("t2", 400.0, 0.0, 0.1, 0.1, "overlap")), (), (), 0.1)
    above = [Region(f"Top {k}", "io_pad", box(40 + 100 * k, 22, 60 + 100 * k, 42)) for k in range(5)]
    beside = [Region(f"Left {k}", "io_pad", box(22, 60 + 40 * k, 32, 80 + 40 * k)) for k in range(3)]
    found = survey(Region("Die", "die", box(20, 20, 600, 200)), *above, *beside, layout=row)
    assert found.die is not None
    assert found.die.pads == 8
    rows = {row.side: row for row in found.die.pad_rows}
    assert rows["top"].count == 5
    assert rows["top"].pitch_um is None
    assert rows["left"].count == 3
    assert rows["left"].pitch_um == pytest.approx(20.0)


def test_the_files_hold_what_was_refused(tmp_path):
    found = survey(DIE, Region("Decoder", "logic", box(150, 150, 300, 300)))
    write_measurements(found, tmp_path / "measurements.json")
    block = json.loads((tmp_path / "measurements.json").read_text())["blocks"][0]
    assert block["name"] == "Decoder"
    assert block["area_um2"] is None
    assert block["share_of_die"] is None
