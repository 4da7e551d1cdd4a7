"""Inputs spoiled by code, and the command line driven with them: what may happen, and what may not.

A case is a number: the same number spoils the same file in the same way and runs the same command. What may happen:
success, or one line that names the file, and a status that is not 0. What may not: a traceback, more than the time
allowed, a changed input, a temporary file left, an output that is half written.
"""

from __future__ import annotations

import contextlib
import copy
import io
import json
import os
import random
import re
import shutil
import signal
import subprocess
import sys
import time
import traceback
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import tifffile
from PIL import Image

from dieplat.phantom import make_phantom
from dieplat_cli.app import main

SECONDS = 10.0
"""Of processor time, so that a busy machine is not taken for a hang."""
STANDSTILL_SECONDS = 90
"""Of the clock: what waits without computing."""
STANDSTILL_CPU_S = 0.5
"""Of processor time within them: with less it waits."""
REMARK = "is not used"
"""How a remark ends that may stand before the line."""
VALUES: tuple[Any, ...] = (
    None, True, -1, 0, 1e308, -1e-300, 1e-320, "x", "", "\0", [], {}, [1, 2], "NaN", 10**30, float("nan"),
    float("inf"), {"a": 1}, "../../x", "\ud800", 2**63,
)  # fmt: skip
TOML_VALUES = (
    "nan", "inf", "-1", "0", '"x"', "[]", "true", "1e400", "{}", "[[1]]", "1979-05-27", '"../.."', '"\\u0000"',
    "9" * 20, '"."', '"/dev/null"', '"' + "a" * 300 + '"', "1e-320", "[9, 1]",
)  # fmt: skip
TOML_LINES = ("[x]", "a=", "= 3", "[[tiles]]", "\x01", "pitch_um = 3", "unknown = 1", "columns = 9999999999999999999")
HEADS = (b"", b"\0" * 100, b"null", b"[]", b"{}", b"\xff\xd8\xff", b"II*\0", b"MM\0+", b"BM", b"nan", b"[" * 100_000)

COMMANDS: dict[str, tuple[str, ...]] = {
    "stitch": ("stitch", "die/tiles", "--out", "new/m.ome.tif"),
    "calibrate": ("calibrate", "die/micrometer.png", "--pitch-um", "10", "--out", "new/s.json"),
    "measure": (
        "measure", "out/mosaic.ome.tif", "die/blocks.geojson", "--scale", "out/scale.json", "--out", "new/m.json",
    ),
    "own size": ("measure", "out/mosaic.ome.tif", "die/blocks.geojson", "--out", "new/m.json"),
    "export": (
        "export", "out/mosaic.ome.tif", "die/blocks.geojson", "--scale", "out/scale.json", "--out", "new/x.svg",
    ),
    "snap": ("snap", "out/mosaic.ome.tif", "die/blocks.geojson", "--out", "new/snapped.geojson"),
    "survey": ("survey", "die", "--out", "out"),
    "report": ("report", "out"),
    "compare": ("compare", "out", "out", "--out", "new/c.html"),
}  # fmt: skip
SHARES: tuple[tuple[str, str, int], ...] = (
    ("die/tiles/r00_c01.*", "stitch", 3),
    ("die/micrometer.png", "calibrate", 4),
    ("die/blocks.geojson", "measure", 5),
    ("die/blocks.geojson", "export", 4),
    ("die/blocks.geojson", "snap", 2),
    ("die/survey.toml", "survey", 5),
    ("out/scale.json", "measure", 4),
    ("out/layout.json", "measure", 4),
    ("out/mosaic.ome.tif", "measure", 5),
    ("out/mosaic.ome.tif", "own size", 3),
    ("out/layout.json", "report", 1),
    ("out/measurements.json", "report", 2),
    ("out/measurements.json", "compare", 2),
    ("out/survey_state.json", "survey", 1),
    ("out/stitch_cache.sqlite", "survey", 1),
    ("die/micrometer.png", "survey", 1),
)
"""Which file is spoiled, what then reads it, and how often: what runs quickly more often."""


@dataclass(frozen=True)
class Ran:
    """What came of one case; `faults` is empty where all is as it must be."""

    number: int
    target: str
    command: str
    kind: str
    status: int
    line: str
    faults: tuple[str, ...]
    cpu_s: float


def make_base(folder: Path) -> None:
    """A survey of 2 x 2 small tiles and its results, from which every case starts."""
    die = folder / "die"
    make_phantom(die, seed=3, preset="sharp", rows=2, columns=2, tile_width_px=400, tile_height_px=320)
    (die / "blocks.geojson").write_text(json.dumps(few_blocks()), encoding="utf-8")
    (folder / "new").mkdir()
    done = run(folder, COMMANDS["survey"])
    assert done[0] == 0, done


def few_blocks() -> dict[str, Any]:
    """Outlines of every geometry, quickly measured."""
    square = [[60.0, 60.0], [560.0, 62.0], [561.0, 430.0], [59.0, 431.0], [60.0, 60.0]]
    inner = [[100.0, 100.0], [200.0, 100.0], [200.0, 180.5], [100.0, 180.0], [100.0, 100.0]]
    other = [[[x + 200, y + 150] for x, y in inner]]
    shapes = (
        ("Die", "die", "Polygon", [square]),
        ("Core", "logic", "Polygon", [inner]),
        ("Two", "analog", "MultiPolygon", [other]),
        ("Wire", "trace", "LineString", [[120.0, 300.0], [220.0, 300.0], [220.0, 360.0]]),
        ("Pad 1", "pad", "Point", [400.0, 100.0]),
    )
    features = [
        {
            "type": "Feature",
            "properties": {"name": name, "kind": kind} | ({"width_um": 2.0} if kind == "trace" else {}),
            "geometry": {"type": shape, "coordinates": at},
        }
        for name, kind, shape, at in shapes
        if shape != "Point"
    ]
    return {"type": "FeatureCollection", "coordinates_in": "mosaic_px", "features": features}


def spoiled_bytes(rng: random.Random, data: bytes) -> bytes:
    """Cut, flipped, replaced, repeated or put in place of another file's beginning."""
    found, way = bytearray(data), rng.random()
    if way < 0.2:
        return data[: rng.randrange(len(data) + 1)]
    if way < 0.5:
        for _ in range(rng.choice((1, 3, 20))):
            found[rng.randrange(len(found))] = rng.randrange(256)
    elif way < 0.65:
        at = rng.randrange(len(found))
        found[at : at + rng.randrange(1, 60)] = rng.randbytes(rng.randrange(60))
    elif way < 0.8:
        found[rng.randrange(min(len(found), 300))] = rng.randrange(256)
    elif way < 0.9:
        at, source = rng.randrange(len(found)), rng.randrange(len(found))
        found[at:at] = found[source : source + 500]
    else:
        return rng.choice(HEADS)
    return bytes(found)


def spoiled_json(rng: random.Random, data: bytes) -> bytes:
    """The document with keys missing and values of other kinds or sizes."""
    document = json.loads(data)
    for _ in range(rng.choice((1, 1, 2, 4))):
        node = document
        for _ in range(rng.randrange(1, 9)):
            if not isinstance(node, (dict, list)) or not node:
                break
            key: Any = rng.choice(list(node)) if isinstance(node, dict) else rng.randrange(len(node))
            if isinstance(node[key], (dict, list)) and rng.random() > 0.25:
                node = node[key]
                continue
            if rng.random() < 0.15:
                del node[key]
            elif isinstance(node, list) and rng.random() < 0.2:
                node.append(node[key])
            else:
                node[key] = copy.deepcopy(rng.choice(VALUES))
            break
    return json.dumps(document).encode()


def spoiled_toml(rng: random.Random, data: bytes) -> bytes:
    """Lines missing, twice, of other kinds, or no TOML."""
    lines = data.decode().splitlines()
    for _ in range(rng.choice((1, 2, 3))):
        at, way = rng.randrange(len(lines)), rng.random()
        if way < 0.2 and len(lines) > 1:
            del lines[at]
        elif way < 0.5 and "=" in lines[at]:
            lines[at] = lines[at].split("=")[0] + "= " + rng.choice(TOML_VALUES)
        elif way < 0.7:
            lines.insert(at, lines[at])
        else:
            lines.insert(at, rng.choice(TOML_LINES))
    return "\n".join(lines).encode("utf-8", "surrogatepass")


def spoiled_ome(rng: random.Random, data: bytes) -> bytes:
    """The OME-XML within the file, at its own length so that the structure around it holds."""
    start, end = data.find(b"<?xml"), data.find(b"</OME>")
    if start < 0:
        return spoiled_bytes(rng, data)
    text = bytearray(data)
    at = rng.randrange(start, end)
    new = rng.choice((b"<", b"&", b'"', b"\0", b"\xff", b"-", b"9" * 8, b"nan", b"<!ENTITY", b"1e999"))
    text[at : at + len(new)] = new
    return bytes(text)


def other_picture(rng: random.Random, target: Path) -> bytes:
    """A whole picture of another kind in place of the one expected, or of a size that cannot be."""
    size = (rng.choice((1, 2, 64, 320)), rng.choice((1, 3, 64, 400)))
    grey = np.frombuffer(rng.randbytes(size[0] * size[1]), np.uint8).reshape(size)
    kinds: dict[str, Callable[[], bytes]] = {
        "cmyk": lambda: _pillow(Image.fromarray(np.dstack([grey] * 4), "CMYK"), "JPEG"),
        "turned": lambda: _turned(grey, rng.randrange(1, 9)),
        "1-bit": lambda: _pillow(Image.fromarray(grey).convert("1"), rng.choice(("PNG", "TIFF", "BMP"))),
        "palette": lambda: _pillow(Image.fromarray(grey).convert("P"), rng.choice(("PNG", "TIFF", "BMP"))),
        "alpha": lambda: _pillow(Image.fromarray(np.dstack([grey] * 4)), rng.choice(("PNG", "TIFF", "WEBP"))),
        "float": lambda: _tiff(grey.astype(rng.choice((np.float32, np.float64, np.float16)))),
        "16-bit": lambda: _tiff(grey.astype(np.uint16) * 257),
        "32-bit": lambda: _tiff(grey.astype(np.int32)),
        "complex": lambda: _tiff(grey.astype(np.complex64)),
        "stack": lambda: _tiff(np.stack([grey] * 3)),
        "16-bit PNG": lambda: bytes(cv2.imencode(".png", grey.astype(np.uint16) * 257)[1]),
        "absurd": lambda: _png_of_size(rng.choice((0, 1, 2**31 - 1, 2**32 - 1)), rng.choice((0, 1, 70_000, 2**31))),
        "bomb": lambda: _png_of_size(40_000, 40_000),
    }
    return kinds[rng.choice(list(kinds))]()


def _pillow(picture: Image.Image, form: str) -> bytes:
    stream = io.BytesIO()
    picture.save(stream, form)
    return stream.getvalue()


def _turned(grey: Any, orientation: int) -> bytes:
    stream, exif = io.BytesIO(), Image.Exif()
    exif[0x0112] = orientation
    Image.fromarray(grey).save(stream, "JPEG", exif=exif)
    return stream.getvalue()


def _tiff(pixels: Any) -> bytes:
    stream = io.BytesIO()
    tifffile.imwrite(stream, pixels, photometric="minisblack")
    return stream.getvalue()


def _png_of_size(width: int, height: int) -> bytes:
    """A PNG that says to be of this size (ISO/IEC 15948, 11.2.2) and holds next to nothing."""
    import struct
    import zlib

    def chunk(name: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))

    head = chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0))
    return b"\x89PNG\r\n\x1a\n" + head + chunk(b"IDAT", zlib.compress(bytes(100_000))) + chunk(b"IEND", b"")


def spoil(rng: random.Random, path: Path) -> tuple[str, bytes]:
    """How the file is spoiled, and its new content."""
    data, way = path.read_bytes(), rng.random()
    if path.suffix in (".json", ".geojson") and way < 0.8:
        return "document", spoiled_json(rng, data)
    if path.suffix == ".toml" and way < 0.8:
        return "settings", spoiled_toml(rng, data)
    if path.name.endswith(".ome.tif") and way < 0.4:
        return "OME-XML", spoiled_ome(rng, data)
    if path.suffix in (".jpg", ".png", ".tif") and way < 0.6:
        return "other picture", other_picture(rng, path)
    return "bytes", spoiled_bytes(rng, data)


class _HangError(BaseException):
    """More time than is allowed."""


@contextlib.contextmanager
def _bounded() -> Iterator[None]:
    worked = [time.process_time()]

    def late(number: int, _: object) -> None:
        now = time.process_time()
        if number == signal.SIGALRM and now - worked[0] > STANDSTILL_CPU_S:
            # It computes, only others leave it little of the processor.
            worked[0] = now
            signal.alarm(STANDSTILL_SECONDS)
            return
        raise _HangError

    before = [signal.signal(number, late) for number in (signal.SIGPROF, signal.SIGALRM)]
    signal.setitimer(signal.ITIMER_PROF, SECONDS)
    signal.alarm(STANDSTILL_SECONDS)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0.0)
        signal.alarm(0)
        for number, handler in zip((signal.SIGPROF, signal.SIGALRM), before, strict=True):
            signal.signal(number, handler)


def run(folder: Path, arguments: tuple[str, ...]) -> tuple[int, str, str]:
    """`dieplat` in this process, in `folder`: status, stderr, and the traceback that a person would have seen."""
    said, told, where, before = io.StringIO(), io.StringIO(), Path.cwd(), sys.argv
    sys.argv = ["dieplat", *arguments]
    os.chdir(folder)
    status: Any = 0
    trace = ""
    try:
        with contextlib.redirect_stdout(said), contextlib.redirect_stderr(told):
            main()
    except SystemExit as ended:
        status = ended.code or 0
    except _HangError:
        trace = "hang: " + traceback.format_exc()[-900:]
    except BaseException:
        trace = traceback.format_exc()[-1500:]
    finally:
        os.chdir(where)
        sys.argv = before
    return int(status), told.getvalue(), trace


def run_apart(folder: Path, arguments: tuple[str, ...]) -> tuple[int, str, str]:
    """The same in a process of its own."""
    command = [sys.executable, "-c", "from dieplat_cli.app import main; main()", *arguments]
    try:
        done = subprocess.run(
            command, cwd=folder, capture_output=True, text=True, check=False, timeout=STANDSTILL_SECONDS
        )
    except subprocess.TimeoutExpired:
        return 1, "", "hang: in a process of its own"
    trace = done.stderr[-1500:] if "Traceback" in done.stderr or done.returncode < 0 else ""
    return done.returncode, done.stderr, trace


def try_case(number: int, base: Path, work: Path, *, apart: bool = False) -> Ran:
    """Spoil a file as `number` says, run the command that reads it, and look at what is left."""
    rng = random.Random(f"case {number}")
    target, name, _ = rng.choices(SHARES, [share for *_, share in SHARES])[0]
    if work.exists():
        shutil.rmtree(work)
    shutil.copytree(base, work)
    path = next(work.glob(target))
    kind, data = spoil(rng, path)
    path.write_bytes(data)
    names = [path.name for path in work.rglob("*")]
    inputs = _contents(work / "die")
    begun = time.process_time()
    with _bounded():
        status, told, trace = (run_apart if apart else run)(work, COMMANDS[name])
    cpu_s = time.process_time() - begun
    faults = (*_said_wrongly(status, told, trace, names), *_left_wrongly(work, inputs, status))
    return Ran(number, target, name, kind, status, told.strip(), faults, cpu_s)


def _contents(folder: Path) -> dict[str, bytes]:
    return {str(path.relative_to(folder)): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def _said_wrongly(status: int, told: str, trace: str, names: list[str]) -> Iterator[str]:
    lines = [line for line in told.splitlines() if not line.endswith(REMARK)]
    if trace:
        yield trace
    elif status not in (0, 1):
        yield f"status {status}: {told[-300:]}"
    elif status == 1 and not (len(lines) == 1 and lines[0].startswith("dieplat: ")):
        yield f"not one line: {told[-300:]}"
    elif status == 1 and not _names_one(lines[0].removeprefix("dieplat: "), names):
        yield f"names no file: {told[-300:]}"


def _names_one(line: str, names: list[str]) -> bool:
    """Whether a file's or folder's name stands in the line as a word of its own."""
    return any(re.search(rf"(^|[\s/'\"(]){re.escape(name)}([:/\s,;'\")]|$)", line) for name in names)


def _left_wrongly(work: Path, inputs: dict[str, bytes], status: int) -> Iterator[str]:
    if _contents(work / "die") != inputs:
        yield "an input was changed"
    left = [path.name for path in work.rglob("*") if ".partial." in path.name]
    if left:
        yield f"temporary files left: {left}"
    for path in (work / "new").rglob("*.json"):
        try:
            json.loads(path.read_bytes(), parse_constant=_no_constant)
        except ValueError as error:
            yield f"{path.name}: half written or no JSON ({error}), status {status}"


def _no_constant(constant: str) -> None:
    raise ValueError(constant)
