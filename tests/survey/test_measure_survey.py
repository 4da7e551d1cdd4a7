"""The survey's measurements over a drawn picture whose truth is known."""

import math

import cv2
import numpy as np
import pytest
from shapely.geometry import LineString, MultiPolygon, Point, box

from dieplat.annotations import parse_regions
from dieplat.errors import AnnotationError, ScaleError, SettingsError
from dieplat.files import to_plain
from dieplat.inductance.resistance_q import tuning_capacitance_pf
from dieplat.survey import details, measure_survey, scale_of_picture
from dieplat.values import Layout, PlacedTile, Region, Regions, Scale
from dieplat.values.stated import Stated
from memory_mosaic import Memory

SCALE = Scale(0.5, 0.0005, 0.5, 0.0005, 10.0, 0.0, 100, 0.0, "ruler")


def blank(height=600, width=800):
    return Memory(np.full((height, width), 120, np.uint8))


def regions(*items, **properties):
    return Regions(tuple(Region(name, kind, shape, **properties) for name, kind, shape in items), "blocks")


def chequered(columns, rows, pitch_px, margin):
    """Cells of one pitch, each with light spots off its centre, on a dark ground, 4x supersampled."""
    side_x, side_y = 2 * margin + columns * pitch_px, 2 * margin + rows * pitch_px
    fine = np.full((int(side_y * 4), int(side_x * 4)), 60, np.uint8)
    for column in range(columns):
        for row in range(rows):
            x, y = margin + column * pitch_px, margin + row * pitch_px
            start = (round((x + 1.5) * 4), round((y + 2) * 4))
            end = (round((x + 0.55 * pitch_px) * 4), round((y + 0.7 * pitch_px) * 4))
            cv2.rectangle(fine, start, end, 200, -1)
            # A bar and a dot beside it, so that a cell is not its own mirror image.
            tip = (round((x + 0.9 * pitch_px) * 4), start[1] + 8)
            cv2.rectangle(fine, start, tip, 160, -1)
            cv2.circle(fine, (end[0] + 8, end[1] + 4), 5, 230, -1)
    small = cv2.resize(fine, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA).astype(float)
    noisy = small + np.random.default_rng(5).normal(0, 3, small.shape)
    return np.clip(noisy, 0, 255).astype(np.uint8)


def test_areas_shares_sums_and_what_is_left():
    result = measure_survey(
        blank(),
        regions(
            ("die", "die", box(0, 0, 800, 600)),
            ("a", "logic", box(0, 0, 200, 300)),
            ("b", "logic", box(200, 0, 400, 300)),
            ("pad", "io_pad", box(700, 500, 760, 560)),
            ("mark", "other", Point(5, 5)),
        ),
        SCALE,
    ).to_dict()
    assert result["die"]["area_um2"] == 400 * 300
    assert (result["die"]["width_um"], result["die"]["height_um"]) == (400, 300)
    assert [block["name"] for block in result["blocks"]] == ["a", "b", "pad"]
    assert result["blocks"][0]["area_um2"] == 100 * 150
    assert result["blocks"][0]["perimeter_um"] == 500
    assert result["blocks"][0]["share_of_die"] == pytest.approx(1 / 8)
    assert [(line["kind"], line["count"], line["area_um2"]) for line in result["summary"]] == [
        ("logic", 2, 30_000),
        ("io_pad", 1, 900),
    ]
    assert result["unassigned_um2"] == pytest.approx(120_000 - 30_900)
    assert result["warnings"] == []
    # The scale is common, so its terms add linearly in the sum of two blocks.
    scale_terms = [line["u"] for block in result["blocks"][:2] for line in block["budget"] if line["name"] == "scale"]
    assert sum(scale_terms) == pytest.approx(2 * 0.001 * 30_000)
    assert result["summary"][0]["area_um2_u"] > sum(scale_terms)
    for block in result["blocks"]:
        assert block["area_um2_u"] == pytest.approx(math.sqrt(sum(line["u"] ** 2 for line in block["budget"])))
        assert (block["inductor"], block["array"], block["trace"]) == (None, None, None)


def test_the_stated_95_percent_holds_and_is_not_absurd():
    # Truth: the drawn outline and edges err as assumed and so does the scale; 400 surveys of one block.
    rng = np.random.default_rng(21)
    truth_px = np.array([(100, 100), (300, 100), (300, 250), (100, 250)], dtype=float)
    truth_um2, inside, widths = 200 * 150 * 0.25, 0, []
    for _ in range(400):
        e = rng.uniform(-0.25, 0.25)
        outward = np.array([(-1, -1), (1, -1), (1, 1), (-1, 1)]) * e
        drawn = truth_px + outward + rng.normal(0, 0.5, truth_px.shape)
        value = 0.5 * (1 + 0.001 * rng.standard_normal())
        scale = Scale(value, 0.001 * value, value, 0.001 * value, 10.0, 0.0, 100, 0.0, "ruler")
        document = {
            "type": "FeatureCollection",
            "features": [
                {
                    "type": "Feature",
                    "properties": {"name": "b", "kind": "logic"},
                    "geometry": {"type": "Polygon", "coordinates": [[*drawn.tolist(), drawn[0].tolist()]]},
                }
            ],
        }
        block = measure_survey(blank(), parse_regions(document), scale).blocks[0]
        assert block.area_um2 is not None
        assert block.area_um2_u is not None
        inside += abs(block.area_um2 - truth_um2) <= 2 * block.area_um2_u
        widths.append(block.area_um2_u / block.area_um2)
    # 95.45 % of 400 is 382 with a standard deviation of 4.2: three of them to either side.
    assert 369 <= inside <= 394
    assert max(widths) < 0.01


def test_the_layout_beside_the_mosaic_joins_the_budget():
    tiles = tuple(PlacedTile(f"t{i}", 400.0 * i, 0.0, 0.5, 0.5, "overlap") for i in range(2))
    layout = Layout(800, 600, 400, 600, tiles, (), (), 0.1)
    wide = regions(("wide", "logic", box(50, 50, 750, 550)))
    plain = measure_survey(blank(), wide, SCALE).blocks[0]
    moved = measure_survey(blank(), wide, SCALE, layout=layout).blocks[0]
    assert [line.name for line in moved.budget] == [
        "scale",
        "vertices",
        "pixel size",
        "edges",
        "tile positions",
        "lens of the tiles",
    ]
    assert moved.area_um2_u > plain.area_um2_u
    # Two tiles 0.5 px each along x, 500 px high: sqrt(2) * 0.5 * 500 px2 and nothing along y.
    assert moved.budget[-2].u == pytest.approx(0.25 * math.sqrt(2) * 0.5 * 500, rel=1e-9)


def test_overlaps_blocks_beyond_the_die_and_double_names_are_said():
    result = measure_survey(
        blank(),
        regions(
            ("die", "die", box(10, 10, 700, 500)),
            ("core", "logic", box(50, 50, 150, 150)),
            ("alu", "analog", box(100, 50, 200, 150)),
            ("pad", "io_pad", box(650, 450, 710, 500)),
            ("pad", "io_pad", box(20, 20, 30, 30)),
        ),
        SCALE,
    )
    assert [(pair.a, pair.b, pair.area_um2) for pair in result.overlaps] == [("core", "alu", 1250.0)]
    text = "\n".join(result.warnings)
    assert "'core' and 'alu' overlap by 1250 um2 (50 % of the smaller)" in text
    assert "'pad' reaches 125 um2 beyond the die outline" in text
    assert "the name 'pad' is used 2 times" in text
    covered = 150 * 100 + 60 * 50 - 10 * 50 + 100
    assert result.unassigned_um2 == pytest.approx((690 * 490 - covered) * 0.25)


def test_without_a_die_there_are_no_shares():
    result = measure_survey(blank(), regions(("a", "logic", box(0, 0, 9, 9))), SCALE)
    assert result.die is None
    assert result.unassigned_um2 is None
    assert result.blocks[0].share_of_die is None
    assert result.summary[0].share_of_die is None
    assert "no die outline" in result.warnings[0]


def test_a_trace_has_a_length_and_no_area():
    antenna = Region("antenna", "trace", LineString([(0, 10), (600, 10)]), properties={"velocity_factor": 0.5})
    result = measure_survey(blank(), Regions((antenna,), "blocks"), SCALE, stated=Stated(frequency_hz=2.44175e9))
    block = result.to_dict()["blocks"][0]
    assert (block["area_um2"], block["perimeter_um"], block["share_of_die"]) == (None, None, None)
    assert block["trace"]["length_um"] == 300
    assert block["trace"]["quarter_wave_um"] == pytest.approx(30_694, abs=1)
    assert block["trace"]["velocity_factor"] == 0.5
    assert block["trace"]["shortening_factor"] is None
    assert block["trace"]["ratio_to_quarter_wave"] == pytest.approx(300 / (30_694.4 * 0.5), rel=1e-4)
    without = measure_survey(blank(), Regions((antenna,), "blocks"), SCALE).to_dict()["blocks"][0]["trace"]
    assert set(without) == {"length_um", "length_um_u"}


def spiral(turns, outer, width, spacing, centre):
    """Centre line of a square spiral, from outside in, one point a corner (px)."""
    half = (outer - width) / 2
    x, y = centre
    points = [(x - half, y - half)]
    for turn in range(turns):
        reach = half - turn * (width + spacing)
        points += [(x + reach, y - reach), (x + reach, y + reach), (x - reach, y + reach)]
        points.append((x - reach, y - reach + width + spacing))
    return points


def test_an_inductor_with_a_conductor_path_is_taken_from_the_path():
    path = LineString(spiral(3, 400, 16, 4, (400, 300)))
    items = (
        Region("coil", "rf_inductor", box(190, 90, 610, 510)),
        Region("coil line", "conductor", path, width_um=8.0),
    )
    result = measure_survey(blank(), Regions(items, "blocks"), SCALE, stated=Stated(frequency_hz=2.44175e9))
    assert [block.name for block in result.blocks] == ["coil"]  # the path has no row of its own
    inductor = result.to_dict()["blocks"][0]["inductor"]
    assert inductor["method"] == "path"
    assert inductor["shape"] == "square"
    # Square, 3 turns, 200 um, 8 um wide, 2 um apart, 2 um thick: 3.10 nH at 1 um and 3.01 nH at 3 um by an
    # independent filament solution; a drawn spiral's last sides are shorter, hence 3 %.
    assert inductor["inductance_nh"] == pytest.approx(3.06, rel=0.03)
    assert inductor["inductance_nh_u"] > 0
    farads = 1 / ((2 * math.pi * 2.44175e9) ** 2 * inductor["inductance_nh"] * 1e-9)
    assert inductor["capacitance_at_pf"] == pytest.approx(farads * 1e12)
    assert inductor["frequency_hz"] == 2.44175e9
    assert any("2 um thick" in text for text in result.assumptions)


def test_the_resonant_capacitance_of_the_reference():
    # 2 nH at 2441.75 MHz needs 2.12426 pF (recomputed from C = 1/((2 pi f)^2 L)).
    assert tuning_capacitance_pf(2.0, 2441.75e6) == pytest.approx(2.12426, abs=5e-6)


def test_a_lone_conductor_path_is_an_inductor_of_its_own():
    path = Region("line", "conductor", LineString(spiral(2, 300, 16, 4, (400, 300))), width_um=8.0)
    block = measure_survey(blank(), Regions((path,), "blocks"), SCALE).blocks[0]
    assert block.inductor is not None
    assert block.area_um2 is None
    without = Region("line", "conductor", path.geometry)
    result = measure_survey(blank(), Regions((without,), "blocks"), SCALE)
    assert result.blocks[0].inductor is None
    assert "'line' was not measured: the path has no width" in "\n".join(result.warnings)


def test_an_inductor_that_the_picture_does_not_decide_is_refused_with_the_remedy():
    result = measure_survey(blank(), regions(("coil", "rf_inductor", box(100, 100, 300, 300))), SCALE)
    assert result.blocks[0].inductor is None
    assert result.blocks[0].area_um2 == 10_000
    (warning,) = [text for text in result.warnings if "'coil'" in text]
    assert "was not measured" in warning
    assert "conductor" in warning


def test_two_conductor_paths_in_one_inductor_are_refused():
    lines = [
        Region(f"line {i}", "conductor", LineString(spiral(2, 300 - i, 16, 4, (400, 300))), width_um=8.0)
        for i in range(2)
    ]
    coil = Region("coil", "rf_inductor", box(190, 90, 610, 510))
    result = measure_survey(blank(), Regions((coil, *lines), "blocks"), SCALE)
    assert result.blocks[0].inductor is None
    assert "2 conductor paths lie in it" in "\n".join(result.warnings)


def test_a_memory_array_is_measured_in_micrometres():
    margin, pitch = 40, 12.5
    picture = Memory(chequered(24, 16, pitch, margin))
    shape = box(margin, margin, margin + 24 * pitch, margin + 16 * pitch)
    result = measure_survey(picture, regions(("ram", "memory_array", shape)), SCALE)
    array = result.to_dict()["blocks"][0]["array"]
    assert array is not None, result.warnings
    for axis in "xy":
        error = array[f"pitch_{axis}_um"] - 6.25
        assert abs(error) < 3 * math.hypot(array[f"pitch_{axis}_um_u"], 1e-3)
        assert array[f"pitch_{axis}_um_u"] > 0.001 * 6.25 * 0.999  # never below the scale's part
    assert array["cell_area_um2"] == pytest.approx(array["pitch_x_um"] * array["pitch_y_um"])
    assert (array["columns"], array["rows"], array["cells"], array["banks"]) == (24, 16, 384, 1)


@pytest.mark.parametrize("pitch", [12.5, 12.0, 13.0])
def test_a_large_array_is_read_in_a_bounded_window_and_its_cells_are_not_guessed(monkeypatch, pitch: float):
    """Wherever the window cuts cells."""
    monkeypatch.setattr(details, "MAX_CROP_PX", 40_000)
    picture = Memory(chequered(40, 24, pitch, 30))
    shape = box(30, 30, 30 + 40 * pitch, 30 + 24 * pitch)
    result = measure_survey(picture, regions(("ram", "memory_array", shape)), SCALE, stated=Stated(find_die=False))
    assert picture.largest <= 40_000
    array = result.blocks[0].array
    assert array is not None, result.warnings
    assert array.pitch_x_um == pytest.approx(pitch / 2, abs=0.02)
    assert (array.columns, array.rows, array.cells, array.banks) == (None, None, None, None)
    assert any("cells were not counted" in text for text in result.warnings)


def test_a_window_s_pitch_does_not_need_a_full_rectangle(monkeypatch):
    monkeypatch.setattr(details, "MAX_CROP_PX", 40_000)
    shape = box(30, 30, 530, 330).difference(box(0, 0, 230, 130))
    picture = Memory(chequered(40, 24, 12.5, 30))
    result = measure_survey(picture, regions(("ram", "memory_array", shape)), SCALE, stated=Stated(find_die=False))
    array = result.blocks[0].array
    assert array is not None, result.warnings
    assert array.pitch_x_um == pytest.approx(6.25, abs=0.02)


def test_an_array_that_is_not_one_and_one_in_parts_are_refused():
    parts = MultiPolygon([box(10, 10, 200, 200), box(300, 10, 400, 200)])
    result = measure_survey(
        blank(),
        regions(("flat", "memory_array", box(10, 300, 300, 590)), ("two", "memory_array", parts)),
        SCALE,
    )
    assert [block.array for block in result.blocks] == [None, None]
    text = "\n".join(result.warnings)
    assert "memory array 'flat' was not measured" in text
    assert "memory array 'two' was not measured: it is drawn in several parts" in text


def test_a_scale_without_uncertainty_is_said_and_null():
    scale = scale_of_picture(0.5, 0.5, source="mosaic")
    result = measure_survey(blank(), regions(("a", "logic", box(0, 0, 90, 90))), scale)
    assert "leaves the scale out" in result.warnings[0]
    assert [line.name for line in result.blocks[0].budget] == ["vertices", "pixel size", "edges"]
    plain = to_plain(result.to_dict())
    assert plain["scale"]["um_per_px_x_u"] is None
    assert plain["blocks"][0]["area_um2_u"] > 0


def test_what_the_scale_takes_for_granted_is_said():
    one = regions(("a", "logic", box(0, 0, 90, 90)))
    both = Scale(0.5, 0.001, 0.5, 0.001, 10.0, 0.0, 100, 0.0, "two pictures", axes_independent=True)
    assert any("pixels are square" in text for text in measure_survey(blank(), one, SCALE).assumptions)
    assert not any("pixels are square" in text for text in measure_survey(blank(), one, both).assumptions)


def test_progress_counts_blocks():
    calls = []
    items = regions(("a", "logic", box(0, 0, 9, 9)), ("b", "logic", box(20, 0, 29, 9)))
    measure_survey(blank(), items, SCALE, progress=lambda done, total: calls.append((done, total)))
    assert calls == [(1, 2), (2, 2)]


@pytest.mark.parametrize(
    ("settings", "error"),
    [
        ({"thickness_um": math.nan}, SettingsError),
        ({"thickness_um": -1.0}, SettingsError),
        ({"thickness_um": 0.0}, SettingsError),
        ({"frequency_hz": math.nan}, SettingsError),
        ({"frequency_hz": -5.0}, SettingsError),
        ({"vertex_u_px": -0.1}, SettingsError),
        ({"edge_u_px": math.inf}, SettingsError),
    ],
)
def test_unusable_settings(settings, error):
    with pytest.raises(error):
        measure_survey(blank(), regions(("a", "logic", box(0, 0, 9, 9))), SCALE, stated=Stated(**settings))


@pytest.mark.parametrize("value", [0.0, -1.0, math.nan, math.inf])
def test_unusable_scales(value):
    scale = Scale(value, 0.0, 1.0, 0.0, 10.0, 0.0, 1, 0.0, "ruler.json")
    with pytest.raises(ScaleError, match=r"ruler\.json"):
        measure_survey(blank(), regions(("a", "logic", box(0, 0, 9, 9))), scale)


def test_a_bad_factor_names_its_trace():
    antenna = Region("antenna", "trace", LineString([(0, 0), (9, 0)]), properties={"velocity_factor": 7})
    with pytest.raises(SettingsError, match="trace 'antenna': velocity_factor 7"):
        measure_survey(blank(), Regions((antenna,), "blocks"), SCALE, stated=Stated(frequency_hz=1e9))


def test_a_block_outside_the_mosaic_is_an_error():
    with pytest.raises(AnnotationError, match="'a' reaches"):
        measure_survey(blank(), regions(("a", "logic", box(700, 0, 900, 9))), SCALE)
