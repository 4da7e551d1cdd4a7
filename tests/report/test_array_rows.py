"""What the report says of a memory array."""

from __future__ import annotations

import pytest
from shapely.geometry import Point

from dieplat.report.array_rows import array_facts, bits, capacity_words, technology_rows
from dieplat.report.lattice import DrawnBank, DrawnLattice, drawn_lattice
from dieplat.report.sheets import array_sheet

ARRAY = {
    "pitch_x_um": 1.2,
    "pitch_x_um_u": 0.001,
    "pitch_y_um": 1.58,
    "pitch_y_um_u": 0.001,
    "cell_area_um2": 1.896,
    "cell_area_um2_u": 0.002,
    "cells": 2**20,
    "bits_per_cell": 1,
    "capacity_bits": 2**20,
}


@pytest.mark.parametrize(
    ("count", "text"), [(900, "900 bits"), (8192, "1.000 KiB"), (2**20, "128.0 KiB"), (2**23, "1.000 MiB")]
)
def test_capacity_in_binary_units(count: int, text: str) -> None:
    """1 KiB is 1024 bytes of 8 bits (IEC 80000-13)."""
    assert bits(count) == text


def test_a_capacity_is_as_stated_or_an_if() -> None:
    assert capacity_words(ARRAY) == ("With 1 bit a cell, as stated, that is 128.0 KiB.",)
    (said,) = capacity_words(ARRAY | {"capacity_bits": None})
    assert said.startswith("If every cell holds one bit")
    assert capacity_words(ARRAY | {"cells": None}) == ()


def test_a_count_that_may_be_another_says_so_in_the_headline() -> None:
    block = {"name": "RAM", "kind": "memory_array", "array": ARRAY | {"cells": 2048}}
    assert array_sheet(block).headline == "2\u202f048 cells"
    block["array"]["other_cells"] = [1024, 4096]
    words = "2\u202f048 cells, or 1\u202f024 or 4\u202f096 if a symmetric cell is counted the other way"
    assert array_sheet(block).headline == words


def test_facts_hold_the_share_with_its_uncertainty() -> None:
    facts = dict(array_facts(ARRAY | {"efficiency": 0.63, "efficiency_u": 0.002}))
    assert facts["Cells' share of the outline"] == "63.00 ± 0.40 %"


def test_technologies_name_their_basis_and_source() -> None:
    item = {"kind": "SRAM 6T", "node_low_nm": 103.0, "node_high_nm": 135.0, "basis": "a rule", "sources": ["a book"]}
    assert technology_rows({"technology": [item]}) == (("SRAM 6T", "103 to 135 nm", "a rule. Source: a book"),)


def test_the_lattice_on_the_picture_is_the_one_that_was_counted() -> None:
    """A bank of 3 x 2 cells of 10 px x 5 px, turned by 90 degrees: its rows run down."""
    lattice = DrawnLattice((10.0, 5.0), 90.0, (DrawnBank(100.0, 50.0, 3, 2),))
    assert lattice.frames().bounds == pytest.approx((90.0, 50.0, 100.0, 80.0))
    lines = lattice.lines_in((0.0, 0.0, 200.0, 200.0))
    # 4 borders of 10 px and 3 of 30 px.
    assert lines.length == pytest.approx(4 * 10 + 3 * 30)
    assert lines.distance(Point(95.0, 65.0)) < 1e-9
    assert lattice.lines_in((0.0, 0.0, 20.0, 20.0)).is_empty


def test_old_measurements_without_banks_have_no_lattice() -> None:
    assert drawn_lattice(ARRAY, (0.1, 0.1)).banks == ()
    assert drawn_lattice(ARRAY, (0.1, 0.1)).frames().is_empty
