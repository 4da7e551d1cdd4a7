"""The page of compared dies in a real browser: no requests, no sideways scrolling, bars of one length for one value."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
from compare_surveys import make_survey

from chromium import chromium
from dieplat.compare import compare_dies
from dieplat.report.compare_page import write_comparison

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    """A page of three dies of unlike names and kinds. Skipped without Chromium, except in CI."""
    path = chromium()
    playwright = pytest.importorskip("playwright.sync_api")
    folder = tmp_path_factory.mktemp("compared")
    core = ("logic", (100.0, 100.0, 600.0, 500.0))
    surveys = [
        make_survey(folder / "a", title="The invented Marmot M1", um_per_px=1.6, blocks={"Core": core}),
        make_survey(
            folder / "b",
            title="M2",
            um_per_px=1.6,
            blocks={"Core": core, "RAM": ("memory_array", (700.0, 100.0, 700.5, 100.5))},
        ),
        make_survey(folder / "c", title="Antidisestablishmentarian", die_px=None, blocks={"Core": core}),
    ]
    out = folder / "c.html"
    write_comparison(compare_dies(surveys), out)
    with playwright.sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=path, args=["--no-sandbox", "--headless", "--disable-gpu"])
        opened = browser.new_page()
        opened.route("**/*", lambda route: route.continue_() if route.request.url == out.as_uri() else route.abort())
        opened.goto(out.as_uri())
        yield opened
        browser.close()


@pytest.mark.parametrize("width", [390, 800, 1280])
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_it_fits_windows_of_every_width(page: Any, width: int, scheme: str) -> None:
    page.emulate_media(color_scheme=scheme)
    page.set_viewport_size({"width": width, "height": 900})
    wide = page.evaluate("[document.documentElement.scrollWidth, document.documentElement.clientWidth]")
    assert wide[0] <= wide[1]


@pytest.mark.parametrize("width", [390, 800, 1280])
def test_every_bar_and_outline_is_drawn_to_the_same_scale(page: Any, width: int) -> None:
    page.set_viewport_size({"width": width, "height": 900})
    tracks = page.evaluate("[...document.querySelectorAll('svg.bar')].map(s => s.getBoundingClientRect().width)")
    rulers = page.evaluate("[...document.querySelectorAll('.ruler')].map(s => s.getBoundingClientRect().width)")
    # A browser places in 1/64 px.
    assert max(tracks) - min(tracks) < 0.1
    assert max(rulers) - min(rulers) < 0.1
    assert len(rulers) == 3
