"""The die of a survey: drawn or found, its size and direction, pads, dies on a wafer, what is left."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter
from shapely.affinity import rotate
from shapely.geometry import box

from dieplat.annotations import parse_regions
from dieplat.phantom.coverage import polygon_coverage
from dieplat.survey import measure_survey
from dieplat.survey.die import FOUND_NAME
from dieplat.survey.snap import snap_regions
from dieplat.values import Layout, PlacedTile, Region, Regions, Scale
from dieplat.values.stated import Stated, WaferPlan
from memory_mosaic import Memory

SCALE = Scale(0.5, 0.0005, 0.5, 0.0005, 10.0, 0.0, 100, 0.0, "ruler")
TURN = 0.6


def turned(shape):
    return rotate(shape, TURN, origin=(400, 300))


DIE = turned(box(40, 50, 760, 550))
PADS = [turned(box(80 + 60 * i, 70, 110 + 60 * i, 100)) for i in range(9)]
CORE = turned(box(150, 150, 600, 450))


def shown():
    shade = np.full((600, 800), 28.0)
    for polygon, value in ((DIE, 70.0), (CORE, 120.0), *((pad, 200.0) for pad in PADS)):
        covered = polygon_coverage(polygon, 600, 800)
        shade = shade * (1 - covered) + value * covered
    noisy = gaussian_filter(shade, 0.8) + np.random.default_rng(3).normal(0, 2, shade.shape)
    return Memory(np.clip(np.round(noisy), 0, 255).astype(np.uint8))


def drawn(*, die=True):
    items = [Region("core", "logic", CORE), *(Region(f"pad {i}", "io_pad", pad) for i, pad in enumerate(PADS))]
    return Regions((Region("die", "die", DIE), *items) if die else tuple(items), "blocks")


def test_size_direction_and_shares_of_a_drawn_die():
    result = measure_survey(shown(), drawn(), SCALE)
    die = result.die
    assert die is not None
    assert not die.found
    assert (die.width_um, die.height_um) == pytest.approx((360, 250), rel=1e-9)
    assert die.rotation_deg == pytest.approx(TURN, abs=1e-9)
    # Sides of 720 and 500 px whose corners err by 0.5 px: each side turns by 0.5 sqrt(2) / l, weights l^2.
    squares = np.array([720.0, 500.0, 720.0, 500.0]) ** 2
    expected = math.sqrt(np.sum((squares / squares.sum()) ** 2 * 2 * 0.25 / squares))
    neighbours = die.rotation_deg_u / math.degrees(expected)
    assert 0.5 < neighbours < 1.5  # corners belong to two sides each, so the sides are not independent
    assert [line.name for line in die.width_budget] == [line.name for line in die.budget]
    assert result.unassigned_share == pytest.approx(1 - (450 * 300 + 9 * 900) / (720 * 500), rel=1e-9)
    assert 0 < result.unassigned_share_u < 0.002
    plain = result.to_dict()
    assert plain["die"]["rotation_deg"] == die.rotation_deg
    assert plain["unassigned_share"] == result.unassigned_share


def test_a_die_that_nobody_drew_is_found_and_said_to_be():
    result = measure_survey(shown(), drawn(die=False), SCALE)
    die = result.die
    assert die is not None
    assert die.found
    assert die.name == FOUND_NAME
    assert (die.width_um, die.height_um) == pytest.approx((360, 250), abs=0.2)
    assert die.rotation_deg == pytest.approx(TURN, abs=0.02)
    assert len(die.outline_px) == 4
    assert "it was found in the picture" in result.warnings[0]
    assert result.blocks[0].share_of_die == pytest.approx(450 * 300 / (720 * 500), abs=0.001)
    names = [line.name for line in die.budget if line.u > 0]
    assert "vertices found" in names
    assert "vertices" not in names


@pytest.mark.parametrize(
    ("tiles", "unseen"),
    [
        ([(0, 0), (300, 0), (0, 250), (300, 250)], False),
        ([(0, 0), (300, 0), (0, 250)], True),  # a corner of the die is missing
        ([(0, 0), (259, 0), (0, 250), (259, 250)], True),  # its right side lies along the picture's end
    ],
)
def test_a_die_is_found_only_where_all_of_it_was_photographed(tiles, unseen):
    placed = tuple(PlacedTile(f"t{k}", float(x), float(y), 0.01, 0.01, "overlap") for k, (x, y) in enumerate(tiles))
    layout = Layout(800, 600, 500, 350, placed, (), (), 0.01)
    result = measure_survey(shown(), drawn(die=False), SCALE, layout=layout)
    assert (result.die is None) == unseen
    assert ("was not photographed), so there are no shares" in result.warnings[0]) == unseen


def test_a_die_is_not_looked_for_when_told_not_to():
    result = measure_survey(shown(), drawn(die=False), SCALE, stated=Stated(find_die=False))
    assert result.die is None
    assert result.warnings[0] == "no die outline is drawn, so there are no shares and no unassigned area"


def test_pads_and_their_pitch():
    result = measure_survey(shown(), drawn(), SCALE)
    assert result.die is not None
    assert result.die.pads == 9
    (row,) = result.die.pad_rows
    assert (row.side, row.count, row.even) == ("top", 9, True)
    assert row.pitch_um == pytest.approx(30.0, rel=1e-9)
    # A square's centroid moves by 1/4 of a corner's error along the row and by 1/12 of that across it; four corners,
    # two pads, over 8 steps; and the scale.
    vertices = 0.5 * 0.5 * math.sqrt(4 * (1 / 16 + 1 / 144)) * math.sqrt(2) / 8
    assert row.pitch_um_u == pytest.approx(math.hypot(vertices, 0.001 * 30.0), rel=0.01)


def test_an_uneven_row_has_its_usual_pitch_and_says_so():
    regions = drawn()
    gap = tuple(region for region in regions.regions if region.name != "pad 4")
    result = measure_survey(shown(), replace(regions, regions=gap), SCALE)
    assert result.die is not None
    (row,) = result.die.pad_rows
    assert (row.count, row.even) == (8, False)
    assert row.pitch_um == pytest.approx(30.0, rel=1e-9)


def test_dies_on_the_wafer_that_was_stated():
    result = measure_survey(shown(), drawn(), SCALE, stated=Stated(wafer=WaferPlan(200.0, 2.0, 50.0)))
    assert result.die is not None
    wafer = result.die.wafer
    assert wafer is not None
    area = 0.41 * 0.30
    assert wafer.dies_formula == int(math.pi * 196 * (196 / (4 * area) - 1 / math.sqrt(2 * area)))
    assert wafer.dies_placed == pytest.approx(wafer.dies_formula, rel=0.01)
    assert "200 mm" in wafer.assumption


def test_snapped_outlines_carry_their_own_uncertainty_into_the_survey():
    rng = np.random.default_rng(5)
    rough = []
    for region in drawn().regions:
        points = np.asarray(region.geometry.exterior.coords)[:-1]
        moved = points + rng.normal(0, 0.5, points.shape)
        rough.append(
            {
                "type": "Feature",
                "properties": {"name": region.name, "kind": region.kind, "own": 7},
                "geometry": {"type": "Polygon", "coordinates": [[*moved.tolist(), moved[0].tolist()]]},
            }
        )
    regions = parse_regions({"type": "FeatureCollection", "features": rough})
    mosaic = shown()
    refined, told = snap_regions(mosaic, regions)
    assert all(item.result.found == 4 for item in told), [item.result.moves for item in told]
    assert refined.regions[0].properties["own"] == 7
    assert refined.regions[0].properties["drawn"] == rough[0]["geometry"]
    before, after = (measure_survey(mosaic, items, SCALE) for items in (regions, refined))
    true = {"die": 720 * 500 / 4, "core": 450 * 300 / 4} | {f"pad {i}": 225.0 for i in range(9)}
    for rough_block, block in zip(before.blocks, after.blocks, strict=True):
        drawn_u, found_u = (
            math.hypot(*(line.u for line in item.budget if line.name != "scale")) for item in (rough_block, block)
        )
        # The offset common to all edges alone goes from 0.144 to 0.115 px; the vertices gain more.
        assert found_u < 0.8 * drawn_u
        assert abs(block.area_um2 - true[block.name]) < 2 * block.area_um2_u
    assert after.die is not None
    assert abs(after.die.area_um2 - true["die"]) < 2 * after.die.area_um2_u
    only, (one,) = snap_regions(mosaic, regions, only=["core"])
    assert one.name == "core"
    assert only.regions[0].geometry.equals_exact(regions.regions[0].geometry, 0.0)
