"""What the page in Chromium keeps, shows and says: saved, loaded again, fought over, exported.

Accessibility is judged by axe-core (Deque Systems; rules for WCAG 2.2), where its file is installed.
"""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Any

import imagecodecs
import pytest
from browser_page import AXE, Page, area_px2
from page_server import SCALE, Running, running

from dieplat.annotate.drawing import DrawingFile
from dieplat.annotate.numbers import Conditions
from dieplat.annotate.picture import ShownPicture
from dieplat.annotate.session import Session
from dieplat.mosaicfile.read import Mosaic, open_mosaic
from dieplat.mosaicfile.write import write_mosaic

pytestmark = pytest.mark.browser


def test_name_kind_and_notes_are_edited(page: Page) -> None:
    page.click((350, 350))
    page.tab.fill("#one-name", "Sequencer <1>")
    page.keys("Tab")
    page.tab.select_option("#one-kind", "analog")
    page.tab.fill("#one-notes", "two clocks")
    page.keys("Tab")
    found = page.named("Sequencer <1>")["properties"]
    assert (found["kind"], found["notes"], found["colour_of_my_own"]) == ("analog", "two clocks", "teal")


def test_what_is_known_on_a_board_is_written_down(page: Page) -> None:
    page.tab.get_by_role("button", name="Wire").click()
    page.tab.get_by_text("Known on a board").click()
    page.tab.get_by_label("its length").fill("25000")
    page.tab.get_by_label("its length").press("Tab")
    assert page.named("Wire")["properties"]["length_um"] == 25000
    page.tab.get_by_label("its length").fill("")
    page.tab.get_by_label("its length").press("Tab")
    assert "length_um" not in page.named("Wire")["properties"]


def test_saved_work_is_there_after_loading_again(page: Page) -> None:
    page.keys("2")
    page.click((600, 300), (700, 400))
    saved = page.saved()
    page.open()
    assert page.tab.evaluate("dieplat.drawing.features.length") == len(saved) == 4


def test_two_pages_do_not_overwrite_each_other(page: Page, browser: Any) -> None:
    # A page that is not looked at does not look for changes either: else it might load the other's in time.
    page.tab.evaluate("Object.defineProperty(document, 'hidden', { get: () => true })")
    context = browser.new_context(viewport={"width": 1280, "height": 800})
    other = Page(context.new_page(), page.server)
    other.keys("2")
    other.click((600, 300), (700, 400))
    assert len(other.saved()) == 4
    page.keys("2")
    page.click((600, 600), (800, 800))
    page.tab.wait_for_selector("#trouble:not([hidden])")
    assert "Nothing was overwritten" in page.tab.locator("#trouble").inner_text()
    assert len(json.loads(page.server.drawing.read_text(encoding="utf-8"))["features"]) == 4
    page.tab.get_by_role("button", name="Load theirs").click()
    assert area_px2(page.saved()[3]) == pytest.approx(10_000, rel=0.03)
    page.complaints = [text for text in page.complaints if "412" not in text]
    context.close()


def test_what_another_program_writes_appears(page: Page) -> None:
    document = json.loads(page.server.drawing.read_text(encoding="utf-8"))
    document["features"][1]["properties"]["name"] = "Renamed"
    page.server.drawing.write_text(json.dumps(document), encoding="utf-8")
    page.tab.get_by_role("button", name="Renamed").wait_for(timeout=8000)


def test_an_outline_that_crosses_itself_is_not_saved_and_says_so(page: Page) -> None:
    page.keys("1")
    page.click((600, 300), (800, 500), (800, 300), (600, 500))
    page.keys("Enter")
    page.tab.wait_for_selector("#trouble:not([hidden])")
    assert "Logic 1" in page.tab.locator("#trouble").inner_text()
    assert len(json.loads(page.server.drawing.read_text(encoding="utf-8"))["features"]) == 3
    page.keys("Control+z")
    assert len(page.saved()) == 3
    page.complaints = [text for text in page.complaints if "400" not in text]


def test_a_proposal_counts_once_it_is_accepted(page: Page) -> None:
    document = json.loads(page.server.drawing.read_text(encoding="utf-8"))
    ring = [[600, 600], [800, 600], [800, 700], [600, 700], [600, 600]]
    document["features"].append(
        {
            "type": "Feature",
            "properties": {"name": "Found", "kind": "logic", "proposed": True, "confidence": 0.8},
            "geometry": {"type": "Polygon", "coordinates": [ring]},
        }
    )
    page.server.drawing.write_text(json.dumps(document), encoding="utf-8")
    page.open()
    page.tab.wait_for_function("() => dieplat.page.numbers?.summary[0].count === 1")
    page.tab.get_by_role("button", name="Found").click()
    page.tab.locator("[data-do=accept]").click()
    page.tab.wait_for_function("() => dieplat.page.numbers?.summary[0].count === 2")
    assert page.named("Found")["properties"] == {"name": "Found", "kind": "logic"}


def test_the_view_is_saved_as_a_picture(page: Page) -> None:
    page.tab.locator("#view-out").click()
    page.tab.fill("#ask input[name=width]", "1000")
    with page.tab.expect_download() as download:
        page.tab.locator("#ask button[value=yes]").click()
    picture = imagecodecs.imread(download.value.path().read_bytes())
    assert picture.shape[1] == 1000


def test_no_serious_fault_of_accessibility(page: Page) -> None:
    if not AXE.exists():
        reason = f"no {AXE.name}; run npm ci in pipeline/page"
        if os.environ.get("CI"):
            pytest.fail(reason)
        pytest.skip(reason)
    page.click((350, 350))
    page.keys("h")
    for state in ("keys", "block"):
        page.tab.evaluate(AXE.read_text(encoding="utf-8"))
        found = page.tab.evaluate("axe.run()")
        serious = [v for v in found["violations"] if v["impact"] in ("serious", "critical")]
        told = [(v["id"], [node["html"][:120] for node in v["nodes"]]) for v in serious]
        assert told == [], state
        page.keys("Escape")


def test_corners_are_found_on_the_picture(page: Page) -> None:
    """The picture has a bright square at 900..1000 x 950..1050; it is drawn a pixel or two off."""
    page.tab.evaluate("dieplat.die.view.setResolution(0.5), dieplat.die.view.setCenter([950, -1000])")
    page.tab.wait_for_timeout(500)
    page.keys("1")
    page.click((901.5, 948.5), (1001.5, 951), (999, 1051.5), (898.5, 1049))
    page.tab.keyboard.down("e")
    page.keys("Enter")
    page.tab.keyboard.up("e")
    page.tab.wait_for_function("() => document.querySelector('#hint').textContent.includes('corners found')")
    found = page.named("Logic 1")
    ring = found["geometry"]["coordinates"][0]
    expected = [(900, 950), (1000, 950), (1000, 1050), (900, 1050)]
    assert all(pytest.approx(want, abs=0.1) == tuple(got) for want, got in zip(expected, ring[:4], strict=True))
    page.keys("Control+z")
    assert page.named("Logic 1")["geometry"]["coordinates"][0][0] == pytest.approx([901.5, 948.5], abs=0.6)


def test_a_known_length_gives_the_scale_and_says_how_good_it_is(browser: Any, mosaic: Mosaic, tmp_path: Path) -> None:
    path = tmp_path / "new.geojson"
    session = Session("New", [ShownPicture(mosaic, "die")], DrawingFile(path), Conditions(mosaic, None))
    session.scale_path = tmp_path / "scale.json"
    with running(session) as port:
        page = Page(browser.new_page(viewport={"width": 1280, "height": 800}), Running(port, path))
        assert "no scale" in page.tab.locator("#bar b").inner_text()
        page.keys("8")
        page.click((200, 500), (1200, 500))
        page.keys("Enter")
        page.tab.fill("#ask input[name=length]", "500")
        page.tab.locator("#ask button[value=yes]").click()
        page.tab.wait_for_function("() => document.querySelector('#hint').textContent.includes('micrometer')")
        page.keys("2")
        page.click((300, 300), (500, 400))
        page.tab.wait_for_function("() => dieplat.page.numbers?.blocks.length === 1")
        area = page.tab.evaluate("dieplat.page.numbers.blocks[0].area_um2")
        page.tab.close()
    kept = json.loads(session.scale_path.read_text(encoding="utf-8"))
    assert kept["um_per_px_x"] == pytest.approx(0.5, rel=2e-3)
    assert area == pytest.approx(5000, rel=0.03)


def test_a_second_picture_lies_at_the_other_side_of_the_divider(
    browser: Any, mosaic: Mosaic, pixels: Any, tmp_path: Path
) -> None:
    inverted = tmp_path / "lower.ome.tif"
    write_mosaic(inverted, [255 - pixels], width_px=1500, height_px=1100, channels=3, dtype="uint8")
    with open_mosaic(inverted) as lower:
        shown = [ShownPicture(mosaic, "top"), ShownPicture(lower, "lower")]
        session = Session("Two", shown, DrawingFile(tmp_path / "b.geojson"), Conditions(mosaic, SCALE))
        with running(session) as port:
            page = Page(
                browser.new_page(viewport={"width": 1280, "height": 800}), Running(port, tmp_path / "b.geojson")
            )
            page.tab.locator("#show summary").click()
            page.tab.select_option("#beside", label="lower")
            page.tab.wait_for_selector("#divider:not([hidden])")
            page.tab.wait_for_timeout(1500)
            picture = imagecodecs.imread(page.tab.locator("#die").screenshot()).astype(int)
            columns = [round(page.screen(x, 500)[0]) for x in (300, 1200)]
            row = round(page.screen(0, 500)[1])
            page.tab.select_option("#picture", label="lower")
            page.tab.wait_for_selector("#divider", state="hidden")
            offered = page.tab.locator("#beside option:enabled").all_inner_texts()
            page.tab.close()
    assert offered == ["nothing", "top"]
    left, right = (picture[row, column, :3] for column in columns)
    assert abs(left - pixels[500, 300]).max() < 14
    assert abs(right - (255 - pixels[500, 1200].astype(int))).max() < 14


def test_brightness_is_changed_and_put_back(page: Page) -> None:
    page.tab.locator("#show summary").click()
    with page.tab.expect_request(lambda request: "/iiif/0@" in request.url):
        page.tab.locator("#high").fill("500")
        page.tab.locator("#high").dispatch_event("change")
    page.tab.locator("#plain").click()
    assert page.tab.evaluate("dieplat.die.tones[0].high") == 255
