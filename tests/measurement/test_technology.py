"""Cell areas against published ones: candidates with their assumptions, nothing where nothing fits.

The data's sources stand in its lines; worked numbers are those of the published cell sizes that they name.
"""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dieplat.errors import SettingsError
from dieplat.measurement.technology import (
    SHORTEST_UM,
    candidates,
    cell_rules,
    check_kind,
    published_cells,
    published_spread,
)

LARGE = (1.0, 1.0)


def nodes(area_um2: float, kind: str, u_rel: float = 0.001) -> set[float]:
    """Nodes of published cells that fit."""
    found = candidates(area_um2, u_rel * area_um2, pitch_um=LARGE, kind=kind)
    return {item.node_low_nm for item in found if item.node_low_nm == item.node_high_nm}


def test_a_published_cell_of_130_nm_is_consistent_with_130_nm():
    """Cell of 1.200 um x 1.580 um: LEF SIZE in google/skywater-pdk-libs-sky130_fd_bd_sram, openram_sp_cell."""
    area = 1.200 * 1.580
    assert area == pytest.approx(1.896)
    # 1 Mbit of such cells: 1.988 mm2 of cells alone.
    assert area * 2**20 * 1e-6 == pytest.approx(1.988, abs=0.0005)
    found = candidates(area, 0.002, pitch_um=(1.2, 1.58), kind="SRAM 6T")
    assert 130.0 in {item.node_low_nm for item in found}


def test_there_is_never_one_node_alone():
    """A relaxed cell of a finer node looks the same, so the rule in F^2 stands beside the published cells."""
    for cell in published_cells():
        if cell.area_um2 > 0.5:
            found = candidates(cell.area_um2, 0.01 * cell.area_um2, pitch_um=LARGE, kind=cell.kind)
            assert len({(item.node_low_nm, item.node_high_nm) for item in found}) > 1, cell


@pytest.mark.parametrize(
    ("f2", "feature_um", "kind"),
    [
        # 8 F^2 at 0.18 um = 0.2592 um^2, 10 F^2 at 0.13 um = 0.169 um^2: products of the rules read in the sources.
        (8, 0.18, "DRAM, folded bit line"),
        (10, 0.13, "NOR flash"),
        (4, 0.13, "NAND flash"),
        (6, 0.078, "DRAM, open bit line"),
    ],
)
def test_cells_in_squares_of_the_feature_size(f2: float, feature_um: float, kind: str):
    area = f2 * feature_um**2
    (found,) = candidates(area, 0.001 * area, pitch_um=LARGE, kind=kind)
    assert found.node_low_nm < 1e3 * feature_um < found.node_high_nm
    assert "F²" in found.basis


def test_nothing_is_said_below_what_light_shows():
    assert candidates(0.05, 0.0001, pitch_um=(0.25, 0.2)) == ()
    assert candidates(0.4, 0.0001, pitch_um=(SHORTEST_UM - 0.001, 1.3)) == ()


def test_nothing_is_said_where_nothing_fits():
    assert candidates(1e6, 10.0, pitch_um=(1e3, 1e3)) == ()
    assert nodes(3.4, "SRAM 6T") == set()


@given(st.floats(0.3, 12.0), st.floats(0.0, 0.05), st.floats(0.0, 0.1))
def test_more_uncertainty_never_removes_a_candidate(area_um2: float, u_rel: float, more: float):
    assert nodes(area_um2, "SRAM 6T", u_rel) <= nodes(area_um2, "SRAM 6T", u_rel + more)


def test_the_tolerance_holds_the_spread_of_published_cells():
    """Hand-worked for two cells of one node: the deviation of ln(1.0), ln(1.21) about their mean, 1 degree of freedom
    a node, pooled over two such nodes."""
    cells = [cell for cell in published_cells() if cell.kind == "SRAM 6T" and cell.node_nm in (180.0, 130.0)]
    logs = {node: [math.log(c.area_um2) for c in cells if c.node_nm == node] for node in (180.0, 130.0)}
    squares = sum((x - sum(one) / len(one)) ** 2 for one in logs.values() for x in one)
    assert published_spread(cells) == pytest.approx(math.sqrt(squares / (len(cells) - 2)))
    assert 0.05 < published_spread(cells) < 0.2


def test_unknown_uncertainty_counts_as_none():
    assert candidates(2.0, math.nan, pitch_um=LARGE, kind="SRAM 6T")


def test_every_line_of_data_names_its_source_and_mark():
    for line in (*published_cells(), *cell_rules()):
        assert line.source
        assert line.mark in ("read", "from memory")
    assert any("from memory" in text for item in candidates(2.0, 0.02, pitch_um=LARGE) for text in item.sources)


def test_kinds_may_be_named_in_part():
    assert check_kind("dram") == "dram"
    kinds = {item.kind for item in candidates(0.5, 0.005, pitch_um=LARGE, kind="DRAM")}
    assert kinds == {"DRAM, folded bit line", "DRAM, open bit line", "embedded DRAM"}
    with pytest.raises(SettingsError, match="not known; use one of SRAM 6T"):
        check_kind("core rope")
