"""The SVG figures are well-formed and show what the layout says."""

from __future__ import annotations

from xml.etree import ElementTree

import pytest
from made_up import layout_document

from dieplat.report.figures import (
    hatch_definitions,
    mark_of,
    shade_legend,
    shade_limits,
    share_bar,
    tile_map,
    tile_size,
)
from dieplat.report.palette import AREA_KINDS


def test_there_is_a_hatch_for_every_kind() -> None:
    found = {node.get("id") for node in ElementTree.fromstring(hatch_definitions()).iter("pattern")}
    assert found == {f"hatch-{kind}" for kind in (*AREA_KINDS, "unassigned")}


def test_widths_of_the_bar_are_the_shares() -> None:
    bar = ElementTree.fromstring(share_bar([("logic", "Logic <1>", 0.25), ("unassigned", "Rest", 0.75)], width=800))
    widths = [float(group[1].get("width", "")) for group in bar.iter("g")]
    assert widths == pytest.approx([200.0, 600.0])
    assert "Logic <1> 25.0 %" in str(bar.get("aria-label"))


def test_overlapping_blocks_do_not_leave_the_bar() -> None:
    bar = ElementTree.fromstring(share_bar([("logic", "A", 0.8), ("power", "B", 0.8)], width=800))
    assert sum(float(group[1].get("width", "")) for group in bar.iter("g")) == pytest.approx(800.0)


def test_the_map_marks_what_is_not_certain() -> None:
    layout = layout_document()
    drawn = ElementTree.fromstring(tile_map(layout))
    by_class: dict[str, int] = {}
    for group in drawn.iter("g"):
        by_class[str(group.get("class"))] = by_class.get(str(group.get("class")), 0) + 1
    assert by_class == {"links": 1, "doubt": 1, "staged": 1, "sure": 10}
    words = [text.text for text in drawn.iter("text")]
    assert [text for text in words if text and text[0] in "?ST"] == ["S 0.16", "? 0.12"]
    dashed = [path for path in drawn.iter("path") if path.get("class") == "unused"]
    assert len(dashed) == sum(not pair["used"] for pair in layout["pairs"])


def test_the_map_points_at_the_overlaps_that_fit_badly() -> None:
    layout = layout_document()
    used = [pair for pair in layout["pairs"] if pair["used"]]
    for pair, misfit_px in zip(used, (0.02, 0.3, 4.0), strict=False):
        pair["residual_px"] = misfit_px
    drawn = ElementTree.fromstring(tile_map(layout))
    grades = [path.get("class") for path in drawn.iter("path") if path.get("class") != "unused"]
    assert grades[:3] == ["good", "fair", "poor"]
    assert len(grades) == len(used)


def test_tiles_lie_where_the_layout_puts_them() -> None:
    layout = layout_document()
    drawn = ElementTree.fromstring(tile_map(layout, width=1200))
    rects = [group.find("rect") for group in drawn.iter("g") if group.get("class") != "links"]
    centres = [
        (
            float(r.get("x", "")) + float(r.get("width", "")) / 2,
            float(r.get("y", "")) + float(r.get("height", "")) / 2,
        )
        for r in rects
        if r is not None
    ]
    expected = [(t["x_px"] + 350 / 2, t["y_px"] + 330 / 2) for t in layout["tiles"]]
    assert [c for pair in centres for c in pair] == pytest.approx([c for pair in expected for c in pair], abs=0.11)


def test_marks() -> None:
    assert mark_of({"ambiguous": True, "placed_by": "stage"}) == "?"
    assert mark_of({"ambiguous": False, "placed_by": "tie"}) == "T"
    assert mark_of({"ambiguous": False, "placed_by": "overlap"}) == ""


def test_shades_are_in_order_and_cover_every_value() -> None:
    limits = shade_limits([0.0, 0.01, 1.0])
    assert list(limits) == sorted(limits)
    assert len(limits) == 4
    legend = shade_legend(layout_document())
    assert legend[0][1] == "0.040 px"
    assert legend[-1][1].endswith("0.24 px")


def test_a_layout_of_equal_tiles_has_one_shade() -> None:
    layout = layout_document()
    for tile in layout["tiles"]:
        tile |= {"x_px_u": 0.1, "y_px_u": 0.1}
    assert len(shade_legend(layout)) == 1


def test_ten_thousand_tiles_stay_small_and_keep_what_matters() -> None:
    layout = layout_document()
    good, doubtful = layout["tiles"][0], next(tile for tile in layout["tiles"] if tile["ambiguous"])
    tiles = [
        {
            **(doubtful if i == 4711 else good),
            "name": f"t{i}",
            "x_px": i % 100 * 280.0,
            "y_px": i // 100 * 280.0,
        }
        for i in range(10_000)
    ]
    fits = {**layout["pairs"][0], "residual_px": 0.02}
    pairs = [{**fits, "a": f"t{i}", "b": f"t{i + 1}", "used": i != 42} for i in range(9_999)]
    wide = {**layout, "tiles": tiles, "pairs": pairs, "width_px": 28_100, "height_px": 28_100}
    text = tile_map(wide)
    assert len(text) < 1_500_000
    drawn = ElementTree.fromstring(text)
    assert len(list(drawn.iter("rect"))) == 10_000
    assert [group.get("class") for group in drawn.iter("g")].count("doubt") == 1
    assert [path.get("class") for path in drawn.iter("path")] == ["unused"]


def test_tile_size_without_the_extra_keys() -> None:
    layout = layout_document()
    del layout["tile_width_px"]
    assert tile_size(layout) == (
        1200 - max(t["x_px"] for t in layout["tiles"]),
        900 - max(t["y_px"] for t in layout["tiles"]),
    )
