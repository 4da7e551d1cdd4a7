"""Dies compared: one table and one scale for dies that differ in size, scale, kinds and completeness."""

from __future__ import annotations

import csv
import json
import re
from pathlib import Path

import pytest
from compare_surveys import make_survey
from hypothesis import given
from hypothesis import strategies as st
from typer.testing import CliRunner

from dieplat.compare import Value, compare_dies, ratio, write_table
from dieplat.errors import SettingsError
from dieplat.report.compare_page import bar_groups, outlines, render_comparison, table_rows
from dieplat_cli.app import app

CORE = {"Core": ("logic", (100.0, 100.0, 600.0, 500.0))}
MIXED = {
    "Core": ("logic", (100.0, 100.0, 600.0, 500.0)),
    "Bank A": ("memory_array", (700.0, 100.0, 900.0, 300.0)),
    "Bank B": ("memory_array", (700.0, 400.0, 900.0, 600.0)),
}


@pytest.fixture
def two(tmp_path: Path) -> list[Path]:
    """Two dies photographed at different magnifications; the second is half as wide."""
    return [
        make_survey(tmp_path / "a", title="Marmot M1", blocks=MIXED),
        make_survey(tmp_path / "b", title="Marmot M2 <small> & late", um_per_px=0.25, blocks=CORE),
    ]


def test_areas_and_shares_of_two_dies_stand_side_by_side(two: list[Path]) -> None:
    comparison = compare_dies(two)
    first, second = comparison.dies
    assert (first.name, second.name) == ("Marmot M1", "Marmot M2 <small> & late")
    assert comparison.kinds == ("logic", "memory_array", "unassigned")
    # 500 x 400 px at 0.5 and at 0.25 um a pixel.
    assert first.line("logic").area_um2.value == pytest.approx(50_000.0)
    assert second.line("logic").area_um2.value == pytest.approx(12_500.0)
    assert first.line("memory_array").count == 2
    assert second.line("memory_array") is None
    assert first.line("logic").share.value == pytest.approx(0.25) == second.line("logic").share.value
    assert first.line("logic").share.u == pytest.approx(0.00025)
    assert first.line("unassigned").share.u == 0.0005


def test_outlines_are_in_micrometres_whatever_the_scale(two: list[Path]) -> None:
    first, second = compare_dies(two).dies
    assert first.extent_um == pytest.approx((0, 0, 500, 400))
    assert second.extent_um == pytest.approx((0, 0, 250, 200))


def test_drawings_share_one_scale(two: list[Path]) -> None:
    pictures, bar_um = outlines(compare_dies(two))
    widths = [float(re.search(r'viewBox="0 0 (\S+)', picture.drawing).group(1)) for picture in pictures]
    # 6 units of margin on either side.
    assert widths[0] - 12 == pytest.approx(2 * (widths[1] - 12))
    # On the page each drawing takes its share of a column, so a unit is as long in both.
    assert widths[1] / widths[0] == pytest.approx(pictures[1].share / pictures[0].share)
    assert bar_um == 100.0 or bar_um == 200.0


def test_bars_share_one_scale_and_carry_their_uncertainty(two: list[Path]) -> None:
    logic = bar_groups(compare_dies(two), of_shares=False)[0]
    long = [float(re.search(r'<rect [^>]*width="([\d.]+)%', bar.drawing).group(1)) for bar in logic.bars]
    assert long[0] == pytest.approx(4 * long[1], rel=1e-3)  # three decimals are written
    low, high = (float(x) for x in re.search(r'x1="([\d.]+)%" x2="([\d.]+)%"', logic.bars[0].drawing).groups())
    assert high - low == pytest.approx(long[0] * 4 * 0.004, rel=1e-2)


def test_a_kind_that_nobody_drew_is_said_not_to_be_drawn(two: list[Path]) -> None:
    rows = {what: texts for what, _, texts in table_rows(compare_dies(two))}
    assert rows["Memory array"][1] == "none drawn"
    assert rows["Memory array"][0].endswith("2 blocks")


def test_a_die_without_an_outline_has_areas_and_no_shares(tmp_path: Path) -> None:
    bare = make_survey(tmp_path / "bare", title="Bare", die_px=None)
    full = make_survey(tmp_path / "full", title="Full")
    comparison = compare_dies([bare, full])
    line = comparison.dies[0].line("logic")
    assert line.share is None
    assert line.area_um2.value == pytest.approx(50_000.0)
    assert "no die outline" in comparison.dies[0].notes[0]
    assert bar_groups(comparison, of_shares=True)[0].bars[0].words == "no die outline"
    assert "no die outline" in render_comparison(comparison)


def test_without_drawings_the_die_is_its_sides(tmp_path: Path) -> None:
    paths = [
        make_survey(tmp_path / "a", title="A", outlines=False) / "measurements.json",
        make_survey(tmp_path / "b", title="B"),
    ]
    first = compare_dies(paths).dies[0]
    assert first.extent_um == (0.0, 0.0, 500.0, 400.0)
    assert any("not shown" in note for note in first.notes)


def test_without_drawings_and_die_there_is_a_table_still(tmp_path: Path) -> None:
    paths = [make_survey(tmp_path / name, title=name, die_px=None, outlines=False) for name in "ab"]
    page = render_comparison(compare_dies(paths))
    assert "Logic" in page
    assert 'class="outline"' not in page


def test_what_was_drawn_but_not_measured_is_said(two: list[Path]) -> None:
    file = two[0] / "measurements.json"
    document = json.loads(file.read_text(encoding="utf-8"))
    arrays = {"A": None, "B": {"cells": None}, "C": {"cells": 512, "other_cells": [1024]}, "D": {"cells": 64}}
    document["blocks"] = [{"name": name, "kind": "memory_array", "array": found} for name, found in arrays.items()]
    document["blocks"].append({"name": "L", "kind": "rf_inductor", "inductor": None})
    document["warnings"] = ["memory array 'A' was not measured: nothing repeats", "memory array 'AB': another's"]
    file.write_text(json.dumps(document), encoding="utf-8")
    comparison = compare_dies(two)
    assert comparison.dies[0].notes == (
        "memory array 'A' was not measured, only its area is here: nothing repeats",
        "memory array 'B' was looked at in part, so its cells are not counted",
        "memory array 'C' has 512 cells, or 1\u202f024 if a symmetric cell is counted the other way",
        "inductor 'L' was not measured, only its area is here",
    )
    printed = CliRunner().invoke(app, ["compare", *map(str, two)]).stdout
    for said in (" ".join(printed.split()), render_comparison(comparison)):
        assert "only its area is here: nothing repeats" in said


def test_dies_of_one_name_are_told_apart(tmp_path: Path) -> None:
    paths = [make_survey(tmp_path / name, title="Marmot") for name in ("x", "y")]
    names = [die.name for die in compare_dies([*paths, paths[0]]).dies]
    assert len(set(names)) == 3


def test_the_page_escapes_names_and_has_no_scripts(two: list[Path]) -> None:
    page = render_comparison(compare_dies(two))
    assert "&lt;small&gt; &amp; late" in page
    assert "<small> &" not in page
    assert "<script" not in page


def test_the_csv_has_every_value_with_its_uncertainty(two: list[Path], tmp_path: Path) -> None:
    write_table(compare_dies(two), tmp_path / "t.csv")
    rows = list(csv.DictReader((tmp_path / "t.csv").read_text(encoding="utf-8").splitlines()))
    logic = [row for row in rows if row["kind"] == "logic" and row["quantity"] == "area"]
    assert [float(row["value"]) for row in logic] == pytest.approx([50_000.0, 12_500.0])
    assert [float(row["u"]) for row in logic] == pytest.approx([200.0, 50.0])
    assert {row["unit"] for row in logic} == {"um2"}


@given(
    st.floats(1e-3, 1e6),
    st.floats(1e-3, 1e6),
    st.floats(0, 0.2),
    st.floats(0, 0.2),
)
def test_relative_uncertainties_of_a_ratio_add_in_squares(a: float, b: float, ua: float, ub: float) -> None:
    """JCGM 100, 5.1.6, example: for products of powers, relative variances add."""
    found = ratio(Value(a, a * ua), Value(b, b * ub))
    assert found.value == pytest.approx(a / b)
    assert (found.u / found.value) ** 2 == pytest.approx(ua**2 + ub**2, abs=1e-12)


def test_what_is_missing_or_no_survey_is_named(tmp_path: Path) -> None:
    good = make_survey(tmp_path / "good", title="Good")
    with pytest.raises(SettingsError, match="at least two"):
        compare_dies([good])
    with pytest.raises(SettingsError, match="no such file; run dieplat survey"):
        compare_dies([good, tmp_path])
    (tmp_path / "other.json").write_text(json.dumps({"a": 1}))
    with pytest.raises(SettingsError, match=r"other\.json: holds no measurements"):
        compare_dies([good, tmp_path / "other.json"])
    (tmp_path / "broken.json").write_text("{")
    with pytest.raises(SettingsError, match=r"broken\.json: is not valid JSON"):
        compare_dies([good, tmp_path / "broken.json"])


def test_the_command_prints_writes_and_replaces_only_what_is_ours(two: list[Path], tmp_path: Path) -> None:
    run = CliRunner()
    surveys = list(map(str, two))
    page, table = tmp_path / "c.html", tmp_path / "c.csv"
    printed = run.invoke(app, ["compare", *surveys, "--out", str(page)])
    assert printed.exit_code == 0
    assert "Marmot M1" in printed.stdout
    assert page.read_text(encoding="utf-8").startswith("<!doctype html>")
    for again in ([], ["--json"]):
        assert run.invoke(app, ["compare", *surveys, "--out", str(page), *again]).exit_code == 0
    assert run.invoke(app, ["compare", *surveys, "--out", str(table)]).exit_code == 0
    assert run.invoke(app, ["compare", *surveys, "--out", str(table)]).exit_code == 0
    page.write_text("my own notes")
    refused = run.invoke(app, ["compare", *surveys, "--out", str(page)])
    assert refused.exit_code == 1
    assert page.read_text() == "my own notes"
    found = json.loads(run.invoke(app, ["compare", *surveys, "--json"]).stdout)
    assert [die["name"] for die in found["dies"]] == ["Marmot M1", "Marmot M2 <small> & late"]


@pytest.mark.parametrize("name", ["c.pdf", "nowhere/c.html"])
def test_the_command_refuses_names_it_cannot_write(two: list[Path], tmp_path: Path, name: str) -> None:
    result = CliRunner().invoke(app, ["compare", *map(str, two), "--out", str(tmp_path / name)])
    assert result.exit_code == 1
    assert isinstance(result.exception, SettingsError)


def test_help_has_examples() -> None:
    text = CliRunner().invoke(app, ["compare", "--help"]).stdout
    assert "dieplat compare out/first out/second" in text
