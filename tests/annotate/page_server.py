"""A small mosaic, a drawing on it, and a server that really runs."""

from __future__ import annotations

import contextlib
import http.client
import json
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
import uvicorn

from dieplat.annotate.drawing import DrawingFile
from dieplat.annotate.guard import COOKIE, HEADER
from dieplat.annotate.numbers import Conditions
from dieplat.annotate.picture import ShownPicture
from dieplat.annotate.server import build_app, configuration, listen
from dieplat.annotate.session import Session
from dieplat.mosaicfile.read import Mosaic, open_mosaic
from dieplat.mosaicfile.write import write_mosaic
from dieplat.values import Scale

KEY = "a-key-for-tests-only"
SCALE = Scale(0.5, 0.0005, 0.5, 0.0005, 10.0, 0.005, 80, 0.0, "test ruling", common_u_rel=0.0005)


def square(x: float, y: float, side: float) -> dict[str, Any]:
    """A GeoJSON square."""
    ring = [[x, y], [x + side, y], [x + side, y + side], [x, y + side], [x, y]]
    return {"type": "Polygon", "coordinates": [ring]}


def feature(name: str, kind: str, geometry: dict[str, Any], **more: Any) -> dict[str, Any]:
    """A GeoJSON feature as annotations have them."""
    return {"type": "Feature", "properties": {"name": name, "kind": kind, **more}, "geometry": geometry}


def document(*features: dict[str, Any]) -> dict[str, Any]:
    """A GeoJSON collection in mosaic pixels."""
    return {"type": "FeatureCollection", "coordinates_in": "mosaic_px", "features": list(features)}


@pytest.fixture(scope="session")
def pixels() -> np.ndarray[Any, np.dtype[np.uint8]]:
    """1500 x 1100 RGB: smooth colours, which JPEG keeps to a few levels, and one bright square with soft edges."""
    y, x = np.mgrid[:1100, :1500]
    planes = [40 + x / 12, 30 + y / 9, 90 + 60 * np.sin(x / 90) * np.cos(y / 70)]
    square = np.zeros((1100, 1500), np.float32)
    square[950:1050, 900:1000] = 80
    square = cv2.GaussianBlur(square, (0, 0), 1.2)
    return np.clip(np.stack(planes, axis=2) + square[..., None], 0, 255).astype(np.uint8)


@pytest.fixture(scope="session")
def mosaic(pixels: Any, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Mosaic]:
    """The same as a pyramid on disk."""
    path = tmp_path_factory.mktemp("mosaic") / "mosaic.ome.tif"
    write_mosaic(path, [pixels], width_px=1500, height_px=1100, channels=3, dtype="uint8", um_per_px=(0.5, 0.5))
    with open_mosaic(path) as opened:
        yield opened


@dataclass(frozen=True)
class Running:
    """A running server and how to ask it."""

    port: int
    drawing: Path

    def ask(
        self, method: str, path: str, body: Any = None, *, key: str | None = KEY, **headers: str
    ) -> tuple[int, dict[str, str], bytes]:
        """One request, as our own page sends it unless told otherwise."""
        given = {"Host": f"127.0.0.1:{self.port}"}
        if key is not None:
            given |= {"Cookie": f"{COOKIE}={key}", HEADER: key}
        given |= {name.replace("_", "-"): value for name, value in headers.items()}
        data = json.dumps(body).encode() if isinstance(body, dict) else body
        with contextlib.closing(http.client.HTTPConnection("127.0.0.1", self.port, timeout=20)) as connection:
            connection.request(method, path, data, given)
            answer = connection.getresponse()
            return answer.status, {k.lower(): v for k, v in answer.getheaders()}, answer.read()

    def json(self, method: str, path: str, body: Any = None, **more: str) -> Any:
        """The same, for answers in JSON that must be right."""
        status, _, data = self.ask(method, path, body, **more)
        assert status == 200, data
        return json.loads(data)


@pytest.fixture
def server(mosaic: Mosaic, tmp_path: Path) -> Iterator[Running]:
    """A server on a free port with a drawing of two blocks on a die."""
    path = tmp_path / "blocks.geojson"
    features = (
        feature("Die", "die", square(100, 100, 900)),
        feature("Core", "logic", square(200, 200, 300), colour_of_my_own="teal"),
        feature("Wire", "trace", {"type": "LineString", "coordinates": [[200, 700], [400, 700]]}),
    )
    path.write_text(json.dumps(document(*features)), encoding="utf-8")
    session = Session("Test die", (ShownPicture(mosaic, "top metal"),), DrawingFile(path), Conditions(mosaic, SCALE))
    with running(session) as port:
        yield Running(port, path)


@contextlib.contextmanager
def running(session: Session) -> Iterator[int]:
    """Serve in a thread; gives the port."""
    listening = listen()
    port = int(listening.getsockname()[1])
    app = build_app(session, key=KEY, port=port)
    server = uvicorn.Server(configuration(app))
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]}, daemon=True)
    thread.start()
    limit = time.monotonic() + 20
    while not server.started and time.monotonic() < limit:
        time.sleep(0.01)
    try:
        yield port
    finally:
        server.should_exit = True
        thread.join(20)
        listening.close()
