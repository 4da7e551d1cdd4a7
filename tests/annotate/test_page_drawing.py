"""Drawing on the page in Chromium, by mouse and by keys."""

from __future__ import annotations

from typing import Any

import pytest
from browser_page import Page, area_px2
from page_server import SCALE

from dieplat.annotations import load_regions
from dieplat.mosaicfile.read import Mosaic
from dieplat.survey import measure_survey

pytestmark = pytest.mark.browser


def test_the_picture_is_there_and_the_bar_is_right(page: Page) -> None:
    page.tab.wait_for_timeout(500)
    x0, _ = page.screen(0, 0)
    x1, _ = page.screen(1000, 0)
    bar = page.tab.locator("#bar span").bounding_box()
    length_um = float(page.tab.locator("#bar").get_attribute("data-um"))
    assert bar["width"] == pytest.approx(length_um / 0.5 * (x1 - x0) / 1000, abs=0.6)
    assert page.tab.locator("#title").inner_text() == "Test die"


def test_an_outline_is_drawn_and_measured_to_the_last_digit(page: Page, mosaic: Mosaic) -> None:
    page.keys("1")
    page.click((600, 300), (800, 310), (790, 500))
    page.tab.mouse.move(*page.screen(610, 480))
    page.tab.wait_for_function("() => document.querySelector('#hint').textContent.includes('Area')")
    page.click((610, 480))
    page.keys("Enter")
    drawn = page.named("Logic 1")
    assert drawn["properties"]["kind"] == "logic"
    assert area_px2(drawn) == pytest.approx(34450, rel=0.03)
    page.tab.wait_for_function("() => dieplat.page.numbers?.blocks.length === 4")
    shown = page.tab.evaluate("dieplat.page.numbers.blocks[3].area_um2")
    measured = measure_survey(mosaic, load_regions(page.server.drawing), SCALE).to_dict()["blocks"]
    assert shown == next(block["area_um2"] for block in measured if block["name"] == "Logic 1")


def test_box_even_sides_line_and_mark(page: Page) -> None:
    page.keys("2")
    page.click((600, 300), (700, 400))
    page.keys("3")
    page.click((800, 700), (850, 700))
    page.keys("4")
    page.click((300, 850), (500, 850), (500, 900))
    page.keys("Enter", "5")
    page.click((700, 850))
    saved = page.saved()
    kinds = [(feature["geometry"]["type"], feature["properties"]["kind"]) for feature in saved[3:]]
    assert kinds == [("Polygon", "logic"), ("Polygon", "logic"), ("LineString", "trace"), ("Point", "other")]
    assert area_px2(saved[3]) == pytest.approx(10_000, rel=0.03)
    assert len(saved[4]["geometry"]["coordinates"][0]) == 9
    assert area_px2(saved[4]) == pytest.approx(8 / 2 * 50**2 * 0.5**0.5, rel=0.03)


def test_a_corner_is_dragged_and_taken_back(page: Page) -> None:
    page.click((350, 350))
    assert page.tab.locator("#one-title").inner_text() == "Core"
    page.drag((500, 500), (560, 540))
    assert area_px2(page.named("Core")) == pytest.approx(300 * 300 + (60 + 40) * 300 / 2, rel=0.02)
    page.keys("Control+z")
    assert area_px2(page.named("Core")) == 90_000
    page.keys("Control+Shift+z")
    assert area_px2(page.named("Core")) > 100_000
    assert page.named("Core")["properties"]["colour_of_my_own"] == "teal"


def test_a_block_is_moved_with_alt(page: Page) -> None:
    page.click((350, 350))
    page.tab.keyboard.down("Alt")
    page.drag((350, 350), (450, 350))
    page.tab.keyboard.up("Alt")
    core = page.named("Core")
    assert area_px2(core) == pytest.approx(90_000, rel=1e-6)
    assert core["geometry"]["coordinates"][0][0][0] == pytest.approx(300, abs=4)


def test_corners_snap_to_those_that_are_there(page: Page) -> None:
    page.keys("1")
    page.click((502, 202), (700, 200), (700, 502), (502, 499))
    page.keys("Enter")
    ring = page.named("Logic 1")["geometry"]["coordinates"][0]
    assert [500, 200] in ring
    assert [500, 500] in ring


def test_a_hole_is_taken_out_and_a_block_cut_in_two(page: Page) -> None:
    page.click((350, 350))
    page.keys("6")
    page.click((300, 300), (400, 300), (400, 400), (300, 400))
    page.keys("Enter")
    page.tab.wait_for_function("() => dieplat.drawing.features[1].geometry.coordinates.length === 2")
    assert area_px2(page.named("Core")) == pytest.approx(80_000, rel=0.02)
    page.keys("7")
    page.click((250, 150), (250, 550))
    page.keys("Enter")
    page.tab.wait_for_function("() => dieplat.drawing.features.length === 4")
    names = [feature["properties"]["name"] for feature in page.saved()]
    assert names == ["Die", "Core", "Wire", "Core 1"]
    assert sum(area_px2(page.named(name)) for name in ("Core", "Core 1")) == pytest.approx(80_000, rel=0.02)


def test_a_late_answer_about_a_stroke_is_not_shown_beside_a_block(page: Page) -> None:
    page.click((350, 350))
    page.keys("7")

    def late(route: Any) -> None:
        if "LineString" in route.request.post_data.rpartition('"now"')[2]:
            page.tab.wait_for_timeout(1000)
        route.continue_()

    page.tab.route("**/numbers", late)
    page.click((250, 150))
    page.tab.mouse.move(*page.screen(250, 500))
    page.click((250, 550))
    page.keys("Enter")
    page.tab.wait_for_function("() => dieplat.drawing.features.length === 4")
    page.tab.wait_for_timeout(2500)
    page.tab.unroute("**/numbers", late)
    rows = page.tab.locator("#one-numbers tr").all_inner_texts()
    assert [row.split("\t")[0] for row in rows] == ["Area", "Share of the die", "Perimeter"]


def test_two_blocks_are_joined(page: Page) -> None:
    page.keys("2")
    page.click((480, 250), (700, 450))
    page.keys("Escape")
    page.tab.locator("[data-do=join]").click()
    page.tab.locator("#ask select").select_option(label="Core")
    page.tab.locator("#ask button[value=yes]").click()
    page.tab.wait_for_function("() => dieplat.drawing.features.length === 3")
    assert area_px2(page.named("Logic 1")) == pytest.approx(90_000 + 200 * 200, rel=0.03)


def test_everything_by_the_keys_alone(page: Page) -> None:
    """Draw a box and an outline, name it, change its kind, walk its corners, copy it, take all back."""
    page.tab.locator("#die").focus()
    page.keys("2", "ArrowRight", "Space")
    page.keys(*["ArrowRight"] * 6, *["ArrowDown"] * 4, "Space")
    first = page.saved()[3]
    resolution = page.tab.evaluate("dieplat.die.view.getResolution()")
    assert area_px2(first) == pytest.approx(6 * 12 * 4 * 12 * resolution**2, rel=0.01)
    page.keys("1", "Space", *["ArrowLeft"] * 5, "Space", *["ArrowUp"] * 5, "Space", "ArrowDown", "Backspace")
    page.keys(*["ArrowUp"] * 2, "Space", "Enter", "Escape")
    assert len(page.saved()) == 5
    page.keys(".", ".", "ArrowRight", "Shift+ArrowDown")
    moved = page.saved()[4]["geometry"]["coordinates"][0]
    page.keys("Control+z", "Control+z")
    before = page.saved()[4]["geometry"]["coordinates"][0]
    changes = [(a[0] - b[0], a[1] - b[1]) for a, b in zip(moved, before, strict=True) if a != b]
    assert changes == [pytest.approx((1.0, 0.1), abs=1e-6)]
    page.keys("Insert")
    assert len(page.saved()[4]["geometry"]["coordinates"][0]) == len(before) + 1
    page.keys("Delete", "c")
    assert len(page.saved()) == 6
    page.keys("Delete")
    assert len(page.saved()) == 5
    page.keys(*["Control+z"] * 6)
    assert [feature["properties"]["name"] for feature in page.saved()] == ["Die", "Core", "Wire"]
