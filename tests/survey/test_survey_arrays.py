"""From a lattice in pixels to cells, bits and the cells' share of the block, with what the user states."""

from __future__ import annotations

import math
from typing import Any

import pytest
import shapely

from dieplat.errors import SettingsError
from dieplat.measurement.placement import Inputs, Placement
from dieplat.survey.arrays import ArrayWishes, array_wishes, describe_array
from dieplat.values import ArrayLattice, Bank, Region, Scale

EXACT = Placement(vertex_u_px=0.0, edge_u_px=0.0)


def scale(u_rel: float = 0.001, um_per_px: float = 0.1) -> Scale:
    """One ruling along x; both axes carry its value."""
    u = u_rel * um_per_px
    return Scale(um_per_px, u, um_per_px, u, 10.0, 0.01, 41, 0.0, "made up")


def lattice(*, u_px: float = 0.0, others: tuple[float, ...] = ()) -> ArrayLattice:
    """64 x 32 cells of 12.00 px x 15.80 px, in two banks, one above the other."""
    banks = (Bank((0, 0, 768, 252.8), 64, 16), Bank((0, 300.2, 768, 553.0), 64, 16))
    return ArrayLattice(12.0, u_px, 15.8, u_px, 0.0, 64, 32, 2048, banks, other_factors=others)


def region(**properties: Any) -> Region:
    """A block drawn around the array: 800 px x 600 px."""
    return Region("RAM", "memory_array", shapely.box(-16, -20, 784, 580), properties=properties)


def test_cells_become_micrometres_bits_and_a_share_of_the_block():
    """The cell is 1.200 um x 1.580 um, as in google/skywater-pdk-libs-sky130_fd_bd_sram, cells/openram_sp_cell."""
    wishes = ArrayWishes(bits_per_cell=1, memory_kind="SRAM 6T")
    found = describe_array(lattice(), region(), Inputs(scale(), EXACT), wishes=wishes, whole=True)
    assert found.cell_area_um2 == pytest.approx(1.896)
    assert found.capacity_bits == 2048
    assert found.capacity_bits_u == 0.0
    assert found.efficiency == pytest.approx(2048 * 12 * 15.8 / (800 * 600))
    assert 130.0 in {item["node_low_nm"] for item in found.technology}
    assert any("as stated" in text for text in found.technology_assumes)
    (gap,) = found.gaps
    assert (gap["axis"], gap["count"]) == ("y", 1)
    assert gap["width_um"] == pytest.approx(4.74)
    assert len(found.explanations) == 2


def test_the_share_of_cells_does_not_inherit_the_scale():
    for u_rel in (0.0, 0.05):
        found = describe_array(lattice(), region(), Inputs(scale(u_rel), EXACT), wishes=ArrayWishes(), whole=True)
        assert found.efficiency_u == pytest.approx(0.0, abs=1e-9)
        assert found.cell_area_um2_u == pytest.approx(2 * u_rel * found.cell_area_um2)


def test_the_share_of_cells_feels_the_outline_and_the_pitch():
    drawn = Inputs(scale(), Placement(vertex_u_px=0.0, edge_u_px=0.5))
    found = describe_array(lattice(), region(), drawn, wishes=ArrayWishes(), whole=True)
    # All edges half a pixel out: the block grows by half its perimeter.
    assert found.efficiency_u / found.efficiency == pytest.approx(0.5 * 2800 / 480_000, rel=1e-6)
    found = describe_array(lattice(u_px=0.012), region(), Inputs(scale(), EXACT), wishes=ArrayWishes(), whole=True)
    assert found.efficiency_u / found.efficiency == pytest.approx(math.hypot(0.012 / 12, 0.012 / 15.8))


def test_nothing_is_counted_where_only_a_part_was_seen():
    wishes = ArrayWishes(bits_per_cell=1)
    found = describe_array(lattice(), region(), Inputs(scale(), EXACT), wishes=wishes, whole=False)
    assert (found.cells, found.efficiency, found.capacity_bits, found.explanations) == (None, None, None, ())
    assert found.technology


@pytest.mark.parametrize(("whole", "counts"), [(True, (1024, 4096)), (False, ())])
def test_a_count_that_may_be_another_names_it(whole: bool, counts: tuple[int, ...]):
    doubted = lattice(others=(0.5, 2.0))
    found = describe_array(doubted, region(), Inputs(scale(), EXACT), wishes=ArrayWishes(), whole=whole)
    assert found.other_cells == counts


def test_no_technology_is_suggested_for_cells_that_light_cannot_show():
    small = scale(um_per_px=0.02)
    found = describe_array(lattice(), region(), Inputs(small, EXACT), wishes=ArrayWishes(), whole=True)
    assert found.technology == ()
    assert "visible light" in found.technology_assumes[0]


def test_what_the_user_states_is_read():
    assert array_wishes(region()) == ArrayWishes()
    assert array_wishes(region(bits_per_cell=0.5)).bits_per_cell == 0.5
    assert array_wishes(region(cells_per_period=2)).cells_per_period == (2, 2)
    assert array_wishes(region(cells_per_period=[2, 1])).cells_per_period == (2, 1)
    assert array_wishes(region(memory_kind="DRAM")).memory_kind == "DRAM"


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("bits_per_cell", 0),
        ("bits_per_cell", -1),
        ("bits_per_cell", True),
        ("bits_per_cell", "one"),
        ("bits_per_cell", math.nan),
        ("cells_per_period", 3),
        ("cells_per_period", True),
        ("cells_per_period", [1, 2, 1]),
        ("cells_per_period", [True, 2]),
        ("cells_per_period", "2"),
        ("memory_kind", 6),
        ("memory_kind", "core rope"),
    ],
)
def test_what_makes_no_sense_is_an_error_that_names_the_block(key: str, value: Any):
    with pytest.raises(SettingsError, match=f"memory array 'RAM': {key}"):
        array_wishes(region(**{key: value}))
