"""The page in Chromium: drawn on by mouse and by keys, saved, loaded again, fought over, exported.

Accessibility is judged by axe-core (Deque Systems; rules for WCAG 2.2), where its file is installed.
"""

from __future__ import annotations

import itertools
import json
import os
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import imagecodecs
import pytest
from page_server import KEY, SCALE, Running, running

from dieplat.annotate.drawing import DrawingFile
from dieplat.annotate.numbers import Conditions
from dieplat.annotate.picture import ShownPicture
from dieplat.annotate.session import Session
from dieplat.annotations import load_regions
from dieplat.mosaicfile.read import Mosaic, open_mosaic
from dieplat.mosaicfile.write import write_mosaic
from dieplat.survey import measure_survey

pytestmark = pytest.mark.browser

CHROMIUM = Path(os.environ.get("CHROMIUM") or shutil.which("chromium") or "/usr/bin/chromium")
ARGUMENTS = ["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--no-first-run"]
AXE = Path(__file__).resolve().parents[2] / "pipeline" / "page" / "node_modules" / "axe-core" / "axe.min.js"
SAVED_MS = 5000


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    """Chromium. Skipped without it, except in CI, where it must be there."""
    if not CHROMIUM.exists():
        reason = f"no Chromium at {CHROMIUM}; install it or set CHROMIUM to its path"
        if os.environ.get("CI"):
            pytest.fail(reason)
        pytest.skip(reason)
    playwright = pytest.importorskip("playwright.sync_api")
    with playwright.sync_playwright() as driver:
        opened = driver.chromium.launch(executable_path=str(CHROMIUM), args=ARGUMENTS)
        yield opened
        opened.close()


class Page:
    """An open page: places are mosaic pixels."""

    def __init__(self, tab: Any, server: Running) -> None:
        self.tab = tab
        self.server = server
        self.complaints: list[str] = []
        self.strangers: list[str] = []
        tab.on("pageerror", lambda error: self.complaints.append(str(error)))
        tab.on("console", lambda message: message.type == "error" and self.complaints.append(message.text))
        own = f"http://127.0.0.1:{server.port}/"
        tab.on("request", lambda r: r.url.startswith((own, "blob:", "data:")) or self.strangers.append(r.url))
        self.open()

    def open(self) -> None:
        """Open the link, as the program prints it."""
        self.tab.goto(f"http://127.0.0.1:{self.server.port}/?key={KEY}")
        self.tab.wait_for_selector("html[data-ready=yes]", timeout=20000)

    def screen(self, x: float, y: float) -> tuple[float, float]:
        """Where a place of the mosaic is on the screen."""
        left, top = self.tab.evaluate(f"dieplat.die.map.getPixelFromCoordinate([{x}, {-y}])")
        return float(left), float(top)

    def click(self, *places: tuple[float, float]) -> None:
        """Click places one after the other; the map takes two quick clicks for one double-click."""
        for x, y in places:
            self.tab.mouse.move(*self.screen(x, y))
            self.tab.mouse.click(*self.screen(x, y))
            self.tab.wait_for_timeout(300)

    def drag(self, start: tuple[float, float], end: tuple[float, float]) -> None:
        """Drag from place to place."""
        self.tab.mouse.move(*self.screen(*start))
        self.tab.mouse.down()
        self.tab.mouse.move(*self.screen(*end), steps=8)
        self.tab.mouse.up()

    def keys(self, *keys: str) -> None:
        """Press keys."""
        for key in keys:
            self.tab.keyboard.press(key)

    def saved(self) -> list[dict[str, Any]]:
        """The features on disk, once the page says that they are saved."""
        self.tab.wait_for_function("() => dieplat.drawing.isSaved", timeout=SAVED_MS)
        return list(json.loads(self.server.drawing.read_text(encoding="utf-8"))["features"])

    def named(self, name: str) -> dict[str, Any]:
        """One feature on disk."""
        return next(feature for feature in self.saved() if feature["properties"]["name"] == name)


@pytest.fixture
def page(browser: Any, server: Running) -> Iterator[Page]:
    """The page, which must neither complain nor ask anybody else."""
    context = browser.new_context(viewport={"width": 1280, "height": 800}, bypass_csp=False)
    opened = Page(context.new_page(), server)
    yield opened
    context.close()
    assert opened.complaints == []
    assert opened.strangers == []


def area_px2(feature: dict[str, Any]) -> float:
    """Area of a polygon by the shoelace, holes taken out."""
    areas = []
    for ring in feature["geometry"]["coordinates"]:
        pairs = itertools.pairwise(ring)
        areas.append(abs(sum(x0 * y1 - x1 * y0 for (x0, y0), (x1, y1) in pairs)) / 2)
    return areas[0] - sum(areas[1:])


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
