"""The server killed while drawings are being saved, and a full disk: what was confirmed is on disk, whole."""

from __future__ import annotations

import errno
import http.client
import json
import os
import re
import signal
import subprocess
import sys
import threading
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from page_server import Running, document, feature, square

from dieplat.annotate.guard import COOKIE, HEADER
from dieplat.mosaicfile.read import Mosaic

KILLS = int(os.environ.get("DIEPLAT_KILLS", "4"))
"""Each takes a second or two; set it to 100 for the whole study."""

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="no such signal")


def start(mosaic: Path, drawing: Path) -> tuple[subprocess.Popen[str], int, str]:
    """`dieplat annotate` in a process of its own; gives its port and key."""
    begin = "from dieplat_cli.app import main; main()"
    command = [sys.executable, "-c", begin, "annotate", str(mosaic), str(drawing), "--no-open", "--json"]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)
    assert process.stdout is not None
    link = process.stdout.readline() + process.stdout.readline() + process.stdout.readline()
    found = re.search(r":(\d+)/\?key=([\w-]+)", link)
    assert found, link
    return process, int(found[1]), found[2]


def put(port: int, key: str, drawn: dict[str, Any], version: str) -> str:
    """Save; returns the confirmed version."""
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=20)
    headers = {"Host": f"127.0.0.1:{port}", "Cookie": f"{COOKIE}={key}", HEADER: key, "If-Match": f'"{version}"'}
    connection.request("PUT", "/drawing", json.dumps(drawn), headers)
    answer = connection.getresponse()
    assert answer.status == 200
    return str(json.loads(answer.read())["version"])


def test_a_killed_server_has_lost_nothing_that_it_confirmed(mosaic: Mosaic, tmp_path: Path) -> None:
    rng = np.random.default_rng(8)
    for number in range(KILLS):
        drawing = tmp_path / f"blocks_{number}.geojson"
        process, port, key = start(mosaic.path, drawing)
        timer = threading.Timer(float(rng.uniform(0.0, 0.4)), process.send_signal, [signal.SIGKILL])
        confirmed, version = -1, "none"
        timer.start()
        try:
            for step in range(100_000):
                drawn = document(*(feature(f"B{k}", "logic", square(10 * k, step % 900, 8)) for k in range(60)))
                drawn["step"] = step
                version = put(port, key, drawn, version)
                confirmed = step
        except (OSError, http.client.HTTPException):
            pass  # the kill came
        timer.join()
        process.wait()
        assert process.stdout is not None
        process.stdout.close()
        if drawing.exists():
            kept = json.loads(drawing.read_text(encoding="utf-8"))
            assert kept["step"] in (confirmed, confirmed + 1)
            assert len(kept["features"]) == 60
        else:
            assert confirmed == -1


def test_a_save_that_finds_no_room_says_so_and_leaves_the_drawing(
    server: Running, monkeypatch: pytest.MonkeyPatch
) -> None:
    found = server.json("GET", "/drawing")
    first = document(feature("Kept", "logic", square(10, 10, 50)))
    saved = server.json("PUT", "/drawing", first, If_Match=f'"{found["version"]}"')
    before = server.drawing.read_bytes()

    def full(_: int) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    changed = document(feature("Lost", "logic", square(20, 20, 50)))
    with monkeypatch.context() as patched:
        patched.setattr(os, "fsync", full)
        status, _, answer = server.ask("PUT", "/drawing", changed, If_Match=f'"{saved["version"]}"')
    assert status == 507
    assert "make room" in json.loads(answer)["error"]
    assert server.drawing.read_bytes() == before
    assert [path.name for path in server.drawing.parent.iterdir() if ".partial." in path.name] == []
    again = server.json("PUT", "/drawing", changed, If_Match=f'"{saved["version"]}"')
    assert server.json("GET", "/drawing")["version"] == again["version"]
