"""Gaps between banks, and why one memory can look like several arrays."""

from __future__ import annotations

import pytest

from dieplat.measurement.array_words import explain_banks, gaps_between
from dieplat.values import ArrayLattice, Bank


def lattice(*banks: Bank) -> ArrayLattice:
    """Cells of 10 px x 5 px."""
    return ArrayLattice(10.0, 0.001, 5.0, 0.001, 0.0, 0, 0, 0, banks)


def test_one_bank_has_no_gaps():
    found = lattice(Bank((0, 0, 100, 100), 10, 20))
    assert gaps_between(found, (1.0, 0.5)) == ()
    assert "one bank" in explain_banks(found, ())[0]


def test_straps_and_rows_of_circuits_are_told_apart():
    banks = [
        Bank((x, y, x + 100, y + 100), 10, 20)
        # 20 px = 2 cells apart along x, 60 px = 12 cells along y; a turn of the picture moves banks a little.
        for x, y in ((0, 0), (120.3, 0.4), (240.5, 0.8), (0.6, 160), (120.9, 160.4), (241.1, 160.8))
    ]
    found = lattice(*banks)
    along_x, along_y = gaps_between(found, (1.0, 0.5))
    assert (along_x.axis, along_x.count, along_y.axis, along_y.count) == ("x", 2, "y", 1)
    assert along_x.pitches == pytest.approx(2.0, abs=0.1)
    assert along_x.width_um == pytest.approx(2.0, abs=0.1)
    assert along_y.pitches == pytest.approx(12.0, abs=0.2)
    assert along_y.width_um == pytest.approx(6.0, abs=0.1)
    said = " ".join(explain_banks(found, (along_x, along_y)))
    assert "6 banks" in said
    assert "straps" in said
    assert "sense amplifiers" in said
    assert "several arrays" in said


def test_gaps_of_unlike_width_are_named_apart():
    found = lattice(*(Bank((x, 0, x + 100, 100), 10, 20) for x in (0, 120, 240, 420)))
    narrow, wide = gaps_between(found, (1.0, 0.5))
    assert (narrow.count, wide.count) == (2, 1)
    assert narrow.pitches == pytest.approx(2.0)
    assert wide.pitches == pytest.approx(8.0)
