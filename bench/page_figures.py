"""How quickly the page answers: tiles of a gigapixel mosaic, the first picture, frames while panning.

    python bench/page_figures.py --folder /tmp/page           # makes the mosaic there once: some 3 GB
    python bench/page_figures.py --folder /tmp/page --side 8192

Printed are the median and the 95th and 99th percentile of the time that 400 random tiles of the three finest levels
take by HTTP, one after the other on one connection, cold (first time asked for) and warm (asked for again); the time
from opening the link to the first picture in Chromium; and the longest and the 95th percentile of the frames while the
picture is dragged for some seconds with 1000 outlines on it. On a busy machine all of these say little.
"""

from __future__ import annotations

import argparse
import http.client
import json
import os
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from dieplat.annotate.guard import COOKIE
from dieplat.mosaicfile.write import TILE_PX, write_mosaic

SIDE_PX = 32768
TILES = 400
OUTLINES = 1000
PAN_MS = 4000
BAND_ROWS = 512


def bands(side_px: int, seed: int) -> Iterator[npt.NDArray[np.uint8]]:
    """Rows of a picture with edges, texture and noise, so that its tiles compress as photographs do."""
    rng = np.random.default_rng(seed)
    noise = rng.normal(0, 3, (BAND_ROWS, side_px, 1)).astype(np.float32)
    for top in range(0, side_px, BAND_ROWS):
        coarse = rng.integers(30, 220, (BAND_ROWS // 32, side_px // 32, 3)).astype(np.float32)
        band = cv2.resize(coarse, (side_px, BAND_ROWS), interpolation=cv2.INTER_NEAREST)
        wires = (np.arange(side_px) // 5 + top // BAND_ROWS) % 2 * 14.0
        band += wires[None, :, None].astype(np.float32) + np.roll(noise, int(rng.integers(side_px)), axis=1)
        yield np.clip(cv2.GaussianBlur(band, (0, 0), 0.9), 0, 255).astype(np.uint8)


def make(folder: Path, side_px: int) -> tuple[Path, Path]:
    """The mosaic and a drawing of many outlines on it."""
    folder.mkdir(parents=True, exist_ok=True)
    mosaic, drawing = folder / f"mosaic_{side_px}.ome.tif", folder / f"blocks_{side_px}.geojson"
    if not mosaic.exists():
        write_mosaic(
            mosaic,
            bands(side_px, 1),
            width_px=side_px,
            height_px=side_px,
            channels=3,
            dtype="uint8",
            um_per_px=(0.25, 0.25),
        )
    across = round(OUTLINES**0.5)
    step = side_px / (across + 1)
    features = []
    for number in range(OUTLINES):
        x, y = step * (1 + number % across), step * (1 + number // across)
        corner = np.linspace(0, 2 * np.pi, 9)[:-1]
        ring = np.stack([x + 0.4 * step * np.cos(corner), y + 0.4 * step * np.sin(corner)], axis=1).round(2).tolist()
        kind = ("logic", "memory_array", "analog", "io_pad")[number % 4]
        features.append(
            {
                "type": "Feature",
                "properties": {"name": f"Block {number}", "kind": kind},
                "geometry": {"type": "Polygon", "coordinates": [[*ring, ring[0]]]},
            }
        )
    drawing.write_text(json.dumps({"type": "FeatureCollection", "features": features}), encoding="utf-8")
    return mosaic, drawing


def tile_times_ms(port: int, key: str, side_px: int) -> tuple[list[float], list[float]]:
    """Cold and warm times of random tiles."""
    rng = np.random.default_rng(2)
    paths = []
    for _ in range(TILES):
        factor = 2 ** int(rng.integers(3))
        count = side_px // (TILE_PX * factor)
        x, y = (int(v) * TILE_PX * factor for v in rng.integers(0, count, 2))
        paths.append(f"/iiif/0/{x},{y},{TILE_PX * factor},{TILE_PX * factor}/{TILE_PX},{TILE_PX}/0/default.jpg")
    connection = http.client.HTTPConnection("127.0.0.1", port)
    passes = []
    for _ in range(2):
        times = []
        for path in paths:
            start = time.perf_counter()
            connection.request("GET", path, headers={"Cookie": f"{COOKIE}={key}"})
            answer = connection.getresponse()
            answer.read()
            if answer.status != 200:
                raise SystemExit(f"{path}: {answer.status}")
            times.append(1e3 * (time.perf_counter() - start))
        passes.append(times)
    return passes[0], passes[1]


COLLECT = """() => {
  window.frames_ms = [];
  let last = performance.now();
  const step = () => {
    const now = performance.now();
    window.frames_ms.push(now - last);
    last = now;
    requestAnimationFrame(step);
  };
  requestAnimationFrame(step);
}"""


def in_browser(link: str) -> tuple[float, list[float]]:
    """Milliseconds to the first picture, and of every frame while panning."""
    from playwright.sync_api import sync_playwright

    chromium = os.environ.get("CHROMIUM") or shutil.which("chromium") or "/usr/bin/chromium"
    arguments = ["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--no-first-run"]
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=chromium, args=arguments)
        tab = browser.new_page(viewport={"width": 1440, "height": 900})
        start = time.perf_counter()
        tab.goto(link, wait_until="commit")
        tab.wait_for_selector("html[data-drawn=yes]", timeout=60000, state="attached")
        first_ms = 1e3 * (time.perf_counter() - start)
        tab.wait_for_selector("html[data-ready=yes]", timeout=60000)
        tab.wait_for_timeout(3000)
        tab.evaluate("() => dieplat.die.view.setResolution(dieplat.die.view.getResolution() / 4)")
        tab.wait_for_timeout(3000)
        tab.mouse.move(700, 450)
        tab.mouse.down()
        tab.evaluate(COLLECT)
        begun = time.perf_counter()
        while (past := 1e3 * (time.perf_counter() - begun)) < PAN_MS:
            turn = 2 * np.pi * past / PAN_MS
            tab.mouse.move(700 + 350 * float(np.sin(turn)), 450 + 250 * float(1 - np.cos(turn)) - 250)
        tab.mouse.up()
        frames: list[float] = tab.evaluate("() => window.frames_ms.slice(2)")
        browser.close()
    return first_ms, frames


def told(name: str, times: list[float]) -> None:
    """One line of the table."""
    middle, most, last = np.percentile(times, (50, 95, 99))
    print(f"{name:24} median {middle:7.1f} ms  p95 {most:7.1f} ms  p99 {last:7.1f} ms  longest {max(times):7.1f} ms")


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--folder", type=Path, required=True, help="where the mosaic is made, or lies")
    parser.add_argument("--side", type=int, default=SIDE_PX, help="pixels on a side, a multiple of 512")
    parser.add_argument("--no-browser", action="store_true", help="tiles only")
    given = parser.parse_args()
    mosaic, drawing = make(given.folder, given.side)
    code = "from dieplat_cli.app import main; main()"
    command = [sys.executable, "-c", code, "annotate", str(mosaic), str(drawing), "--no-open", "--json"]
    server: Any = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    try:
        text = ""
        while "}" not in text:
            text += server.stdout.readline()
        link = json.loads(text)["link"]
        address, _, key = link.partition("/?key=")
        cold, warm = tile_times_ms(int(address.rpartition(":")[2]), key, given.side)
        print(f"{given.side} x {given.side} px, {mosaic.stat().st_size / 1e9:.2f} GB, {TILES} tiles of {TILE_PX} px")
        told("tiles, first time", cold)
        told("tiles, again", warm)
        if not given.no_browser:
            first_ms, frames = in_browser(link)
            print(f"first picture in Chromium after {first_ms:.0f} ms")
            told(f"frames, {OUTLINES} outlines", frames)
    finally:
        server.terminate()
        server.wait()
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
