"""Chromium with the page open in it, for tests that draw on it."""

from __future__ import annotations

import itertools
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from page_server import KEY, Running

from chromium import chromium

ARGUMENTS = ["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--no-first-run"]
AXE = Path(__file__).resolve().parents[2] / "pipeline" / "page" / "node_modules" / "axe-core" / "axe.min.js"
SAVED_MS = 5000


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    """Chromium. Skipped without it, except in CI, where it must be there."""
    path = chromium()
    playwright = pytest.importorskip("playwright.sync_api")
    with playwright.sync_playwright() as driver:
        opened = driver.chromium.launch(executable_path=path, args=ARGUMENTS)
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
