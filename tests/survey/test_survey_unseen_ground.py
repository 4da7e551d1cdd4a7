"""Blocks that reach onto ground no tile shows: a 2 x 2 grid of which the lower right tile is missing."""

import numpy as np
import pytest
from shapely.geometry import LineString, box

from dieplat.measurement.coverage import photographed_ground, unseen_share
from dieplat.survey import measure_survey
from dieplat.values import Layout, PlacedTile, Region, Regions, Scale
from dieplat.values.stated import Stated

SCALE = Scale(0.5, 0.0005, 0.5, 0.0005, 10.0, 0.0, 100, 0.0, "ruler")
PITCH_PX, TILE_PX, SIZE_PX = 10, 220, 420  # tiles overlap by 20 px
CORNERS = [(0.0, 0.0), (200.0, 0.0), (0.0, 200.0), (200.0, 200.0)]


def grid(*corners):
    tiles = tuple(PlacedTile(f"t{i}", x, y, 0.1, 0.1, "overlap") for i, (x, y) in enumerate(corners))
    return Layout(SIZE_PX, SIZE_PX, TILE_PX, TILE_PX, tiles, (), (), 0.1)


GAPPED = grid(*CORNERS[:3])


class Cells:
    """A mosaic full of cells of 10 px pitch, black where the missing tile would lie; counts what is read."""

    def __init__(self):
        rng = np.random.default_rng(3)
        cell = np.kron(rng.integers(60, 220, (5, 5)), np.ones((2, 2)))
        cells = np.tile(cell, (SIZE_PX // PITCH_PX, SIZE_PX // PITCH_PX))
        self.picture = np.clip(cells + rng.normal(0, 3, cells.shape), 0, 255).astype(np.uint8)
        self.picture[TILE_PX:, TILE_PX:] = 0
        self.height_px = self.width_px = SIZE_PX
        self.reads = 0

    def read(self, x0, y0, x1, y1, level=0):
        self.reads += 1
        return self.picture[y0:y1, x0:x1].copy()


def survey(mosaic, *items, layout=GAPPED):
    return measure_survey(mosaic, Regions(items, "blocks"), SCALE, stated=Stated(find_die=False), layout=layout)


def about(result, name):
    return [text for text in result.warnings if f"'{name}'" in text]


def test_the_share_no_tile_shows():
    ground = photographed_ground(GAPPED)
    assert ground.area == SIZE_PX**2 - 200**2
    assert unseen_share(box(10, 10, 210, 410), ground) == 0
    assert unseen_share(box(120, 220, 320, 320), ground) == pytest.approx(0.5)
    assert unseen_share(box(300, 300, 400, 400), ground) == pytest.approx(1)
    assert unseen_share(LineString([(120, 300), (320, 300)]), ground) == pytest.approx(0.5)
    # 2 x 2 px beyond the tiles is let pass, a hair more is not.
    assert unseen_share(box(100, 100, 222, 222), ground) == 0
    assert unseen_share(box(100, 100, 222.1, 222.1), ground) > 0


@pytest.mark.parametrize(("kind", "word"), [("memory_array", "memory array"), ("rf_inductor", "inductor")])
def test_a_block_on_the_gap_is_not_measured_from_pixels(kind, word):
    mosaic = Cells()
    result = survey(mosaic, Region("m", kind, box(120, 100, 320, 320)))
    (block,) = result.blocks
    assert (block.array, block.inductor) == (None, None)
    assert block.area_um2 == 200 * 220 / 4
    assert mosaic.reads == 0
    assert about(result, "m") == [  # 100 x 100 of 200 x 220 px
        f"{word} 'm' was not measured: 22.7 % of its outline lies where no tile was photographed; "
        "photograph the gap or redraw the outline"
    ]


def test_the_same_picture_is_measured_where_tiles_show_it():
    shape = box(20, 20, 200, 400)
    result = survey(Cells(), Region("m", "memory_array", shape))
    array = result.blocks[0].array
    assert array is not None, result.warnings
    assert array.pitch_x_um == pytest.approx(5, abs=0.01)
    assert not any("photographed" in text for text in result.warnings)


def test_other_blocks_and_the_die_keep_their_numbers_and_say_so():
    result = survey(
        Cells(),
        Region("chip", "die", box(0, 0, SIZE_PX, SIZE_PX)),
        Region("core", "logic", box(120, 220, 320, 320)),
        Region("pad", "io_pad", box(10, 10, 60, 60)),
        Region("wire", "trace", LineString([(120, 300), (320, 300)])),
    )
    assert result.blocks[0].area_um2 == 5000
    assert about(result, "chip") == ["'chip': its area is that of its outline, and 22.7 % of it was not photographed"]
    assert about(result, "core") == ["'core': its area is that of its outline, and 50 % of it was not photographed"]
    assert about(result, "pad") == []
    assert about(result, "wire") == [
        "'wire': its length is that of the drawn line, and 50 % of it was not photographed"
    ]


def test_an_inductor_with_a_drawn_path_is_measured_across_the_gap():
    line = LineString([(150, 150), (350, 150), (350, 350), (150, 350), (150, 170), (330, 170), (330, 330), (170, 330)])
    result = survey(
        Cells(),
        Region("coil", "rf_inductor", box(120, 120, 400, 400)),
        Region("coil line", "conductor", line, width_um=4.0),
    )
    assert result.blocks[0].inductor is not None, result.warnings
    (warning,) = about(result, "coil")
    assert "area is that of its outline" in warning


def test_without_a_layout_or_a_gap_nothing_is_said():
    block = Region("core", "logic", box(120, 220, 320, 320))
    for layout in (None, grid(*CORNERS)):
        result = survey(Cells(), block, layout=layout)
        assert about(result, "core") == []
