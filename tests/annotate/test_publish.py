"""The published folder: whole, by the open standard, and the same page to look at."""

from __future__ import annotations

import functools
import http.server
import json
import threading
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import imagecodecs
import numpy as np
import pytest
from page_server import SCALE, document, feature, square

from dieplat.annotate.drawing import DrawingFile
from dieplat.annotate.numbers import Conditions
from dieplat.annotate.picture import ShownPicture
from dieplat.annotate.publish import MANIFEST, publish
from dieplat.annotate.session import Session
from dieplat.errors import OutputExistsError
from dieplat.mosaicfile.read import Mosaic


@pytest.fixture
def session(mosaic: Mosaic, tmp_path: Path) -> Session:
    """A die with one block."""
    path = tmp_path / "blocks.geojson"
    features = feature("Die", "die", square(100, 100, 900)), feature("Core", "logic", square(200, 200, 300))
    path.write_text(json.dumps(document(*features)), encoding="utf-8")
    return Session("Shown die", [ShownPicture(mosaic, "top")], DrawingFile(path), Conditions(mosaic, SCALE))


def test_every_listed_tile_and_size_is_there(session: Session, tmp_path: Path) -> None:
    """IIIF Image API 3.0, level 0: what `tiles` and `sizes` list must work; x = n tw s, size = ceil(clipped / s)."""
    publish(session, tmp_path / "show")
    base = tmp_path / "show" / "iiif" / "0"
    found = json.loads((base / "info.json").read_text())
    assert found["profile"] == "level0"
    assert (base / "full" / "max" / "0" / "default.jpg").is_file()
    for size in found["sizes"]:
        assert (base / "full" / f"{size['width']},{size['height']}" / "0" / "default.jpg").is_file()
    (tiles,) = found["tiles"]
    for s in tiles["scaleFactors"]:
        for y in range(0, 1100, 512 * s):
            for x in range(0, 1500, 512 * s):
                w, h = min(512 * s, 1500 - x), min(512 * s, 1100 - y)
                region = "full" if (w, h) == (1500, 1100) else f"{x},{y},{w},{h}"
                path = base / region / f"{-(-w // s)},{-(-h // s)}" / "0" / "default.jpg"
                assert imagecodecs.imread(path.read_bytes()).shape[:2] == (-(-h // s), -(-w // s))


def test_tiles_show_the_picture(session: Session, pixels: Any, tmp_path: Path) -> None:
    with ThreadPoolExecutor(2) as executor:
        publish(session, tmp_path / "show", executor=executor)
    path = tmp_path / "show" / "iiif" / "0" / "512,0,512,512" / "512,512" / "0" / "default.jpg"
    shown = imagecodecs.imread(path.read_bytes()).astype(int)
    assert np.abs(shown - pixels[:512, 512:1024]).max() <= 12


def test_a_folder_of_ones_own_is_left_alone(session: Session, tmp_path: Path) -> None:
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "letter.txt").write_text("dear")
    with pytest.raises(OutputExistsError, match="mine"):
        publish(session, tmp_path / "mine")
    publish(session, tmp_path / "show")
    (tmp_path / "show" / "old").write_text("x")
    publish(session, tmp_path / "show")
    assert not (tmp_path / "show" / "old").exists()
    assert (tmp_path / "show" / MANIFEST).is_file()


@pytest.fixture
def address(session: Session, tmp_path: Path) -> Iterator[str]:
    """The folder on a plain web server."""
    publish(session, tmp_path / "show")

    class Quiet(http.server.SimpleHTTPRequestHandler):
        def log_message(self, format: str, *args: Any) -> None:
            pass

    server = http.server.ThreadingHTTPServer(
        ("127.0.0.1", 0), functools.partial(Quiet, directory=str(tmp_path / "show"))
    )
    threading.Thread(target=server.serve_forever, daemon=True).start()
    yield f"http://127.0.0.1:{server.server_port}/"
    server.shutdown()
    server.server_close()


@pytest.mark.browser
def test_the_audience_looks_and_changes_nothing(browser: Any, address: str, session: Session) -> None:
    complaints: list[str] = []
    before = session.drawing.path.read_bytes()
    tab = browser.new_page(viewport={"width": 1280, "height": 800})
    tab.on("console", lambda message: message.type == "error" and complaints.append(message.text))
    tab.on("response", lambda answer: answer.status >= 400 and complaints.append(answer.url))
    tab.on("pageerror", lambda error: complaints.append(str(error)))
    tab.goto(address)
    tab.wait_for_selector("html[data-ready=yes]", timeout=20000)
    tab.get_by_role("button", name="Core").click()
    tab.wait_for_function("() => document.querySelector('#one-numbers').textContent.includes('22,500')")
    assert not tab.locator("#how").is_visible()
    tab.keyboard.press("1")
    tab.keyboard.press("Delete")
    tab.wait_for_timeout(700)
    assert tab.evaluate("dieplat.drawing.features.length") == 2
    assert session.drawing.path.read_bytes() == before
    tab.close()
    assert complaints == []
