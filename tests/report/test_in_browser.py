"""The page in a real browser: no requests, no errors, no sideways scrolling, readable in both schemes."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from chromium import chromium
from dieplat.phantom.board import make_board
from dieplat.report import write_report
from dieplat_cli.app import app

pytestmark = pytest.mark.browser

ARGUMENTS = [
    "--no-sandbox",
    "--headless",
    "--disable-gpu",
    "--disable-background-networking",
    "--no-first-run",
]


@pytest.fixture(scope="module")
def context(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    """A browser with a profile of its own. Skipped without Chromium, except in CI, where it must be there."""
    path = chromium()
    playwright = pytest.importorskip("playwright.sync_api")
    with playwright.sync_playwright() as driver:
        opened = driver.chromium.launch_persistent_context(
            str(tmp_path_factory.mktemp("profile")), executable_path=path, args=ARGUMENTS
        )
        yield opened
        opened.close()


@pytest.fixture(scope="module", params=["full_folder", "bare_folder", "board"])
def url(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> str:
    """A report with everything in it, one with almost nothing, and the page on a photographed board."""
    if request.param == "board":
        folder = tmp_path_factory.mktemp("board")
        make_board(folder, seed=14)
        names = [str(folder / name) for name in ("board.jpg", "board.geojson", "board.json")]
        question = ["--channel", "6", "--velocity-factor", "0.75:0.85"]
        done = CliRunner().invoke(app, ["board", *names[:2], "--out", names[2], *question])
        assert done.exit_code == 0, done.output
        return (folder / "board.html").as_uri()
    out = tmp_path_factory.mktemp("page") / "report.html"
    return write_report(request.getfixturevalue(request.param), out).as_uri()


@pytest.mark.parametrize("width", [360, 820, 1440])
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_the_page_asks_for_nothing_and_fits(context: Any, url: str, width: int, scheme: str) -> None:
    requests: list[str] = []
    complaints: list[str] = []
    page = context.new_page()
    page.on("request", lambda request: requests.append(request.url))
    page.on("console", lambda message: complaints.append(message.text))
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.emulate_media(color_scheme=scheme)
    page.set_viewport_size({"width": width, "height": 900})
    page.goto(url)
    wide = page.evaluate("[document.documentElement.scrollWidth, document.documentElement.clientWidth]")
    broken = page.evaluate("[...document.images].filter(i => !i.complete || !i.naturalWidth).length")
    page.close()
    assert [address for address in requests if not address.startswith("data:")] == [url]
    assert complaints == []
    assert wide[0] <= wide[1]
    assert broken == 0


# WCAG 2.2, success criterion 1.4.3: 4.5 to 1 for text of ordinary size.
CONTRAST = """() => {
  const channel = v => { v /= 255; return v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4; };
  const light = c => 0.2126 * channel(c[0]) + 0.7152 * channel(c[1]) + 0.0722 * channel(c[2]);
  const parse = s => s.match(/[\\d.]+/g).map(Number);
  const ground = e => {
    for (; e; e = e.parentElement) {
      const c = parse(getComputedStyle(e).backgroundColor);
      if (c.length < 4 || c[3] === 1) return c;
    }
    return [255, 255, 255];
  };
  const poor = [];
  const texts = 'p, li, dt, dd, th, td, h1, h2, h3, h4, caption, figcaption, a, summary';
  for (const e of document.querySelectorAll(texts)) {
    if (!e.innerText || e.closest('.skip')) continue;
    const pair = [light(parse(getComputedStyle(e).color)), light(ground(e))].sort((a, b) => b - a);
    const ratio = (pair[0] + 0.05) / (pair[1] + 0.05);
    if (ratio < 4.5) poor.push(e.tagName + ' ' + e.innerText.slice(0, 30) + ' ' + ratio.toFixed(2));
  }
  return poor;
}"""


def test_tables_fit_a_small_window(context: Any, url: str) -> None:
    page = context.new_page()
    page.set_viewport_size({"width": 800, "height": 900})
    page.goto(url)
    cut = page.evaluate("[...document.querySelectorAll('.scroll')].filter(s => s.scrollWidth > s.clientWidth).length")
    page.close()
    assert cut == 0


def test_budgets_and_estimates_fit_a_phone(context: Any, url: str) -> None:
    page = context.new_page()
    page.set_viewport_size({"width": 360, "height": 800})
    page.goto(url)
    boxes = "[...document.querySelectorAll('.scroll')].filter(s => s.querySelector('table.close'))"
    cut = page.evaluate(f"{boxes}.filter(s => s.scrollWidth > s.clientWidth).map(s => s.innerText)")
    page.close()
    assert cut == []


def test_print_shows_what_went_in_and_no_heading_alone(context: Any, url: str) -> None:
    page = context.new_page()
    page.goto(url)
    page.emulate_media(media="print")
    hidden = page.evaluate("[...document.querySelectorAll('details.printed td')].filter(c => !c.offsetHeight).length")
    # A sheet that is nearly a page high leaves its section's heading behind, unless the section starts a page.
    late = page.evaluate(
        "[...document.querySelectorAll('section:has(> .sheet .whole)')]"
        ".filter(s => getComputedStyle(s).breakBefore !== 'page').length"
    )
    page.close()
    assert hidden == 0
    assert late == 0


@pytest.mark.parametrize("width", [360, 730, 800, 1100])
def test_facts_have_room_beside_their_names(context: Any, url: str, width: int) -> None:
    page = context.new_page()
    page.set_viewport_size({"width": width, "height": 900})
    page.goto(url)
    narrow = "[...document.querySelectorAll('dl.facts dd')].filter(d => d.getBoundingClientRect().width < 100)"
    squeezed = page.evaluate(f"{narrow}.map(d => d.innerText)")
    page.close()
    assert squeezed == []


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_text_stands_out_from_its_ground(context: Any, url: str, scheme: str) -> None:
    page = context.new_page()
    page.emulate_media(color_scheme=scheme)
    page.goto(url)
    poor = page.evaluate(CONTRAST)
    page.close()
    assert poor == []


def test_it_prints_on_a4(context: Any, url: str, tmp_path: Path) -> None:
    page = context.new_page()
    page.goto(url)
    page.emulate_media(media="print", color_scheme="dark")
    ground = page.evaluate("getComputedStyle(document.body).backgroundColor")
    # The height of A4 less the margins, at 96 px an inch; a picture taller than this would be cut.
    page.set_viewport_size({"width": 687, "height": 1000})
    tallest = page.evaluate("Math.max(0, ...[...document.images].map(i => i.getBoundingClientRect().height))")
    wide = page.evaluate("[document.documentElement.scrollWidth, document.documentElement.clientWidth]")
    printed = page.pdf(prefer_css_page_size=True)
    page.close()
    assert ground == "rgb(255, 255, 255)"
    assert tallest < 1000
    assert wide[0] <= wide[1]
    # A4 is 210 mm x 297 mm (ISO 216), 595 x 842 points.
    assert b"/MediaBox [0 0 594.95" in printed or b"/MediaBox [0 0 595" in printed
