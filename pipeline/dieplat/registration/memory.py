"""Results kept beside the output, by the content that they rest on, so that a later run need not work them out again.

A file of SQLite's: it grows result by result, each whole or not there at all, however the run ends. A key is a digest
of everything that a result depends on: the bytes of the tiles, the parameters, the code that made it and the libraries
under it. So a result that is found is the one that would be made, and nothing in the file ever has to be told that it
is out of date.
"""

from __future__ import annotations

import hashlib
import json
import sqlite3
import threading
from collections.abc import Iterable
from functools import cache
from pathlib import Path
from types import TracebackType

import cv2
import imagecodecs
import numba
import numpy as np
import scipy

_ROWS_AT_ONCE = 32
"""Results lost at most when the run is killed."""


class Memory:
    """Named results in a file; safe to share between threads. With `path` None nothing is kept.

    A file that is damaged, or is none of ours, is left aside: nothing is taken from it, `damaged` says so, and if it
    is ours it is made anew. So is a single result that no longer has the digest it was written with.
    """

    def __init__(self, path: Path | None) -> None:
        self._path = path
        self._lock = threading.Lock()
        self._base: sqlite3.Connection | None = None
        self._waiting = 0
        self.damaged = False
        self.found = 0
        if path is not None and path.exists():
            self._begin()

    def __enter__(self) -> Memory:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Write what waits and close the file."""
        with self._lock:
            if self._base is not None:
                try:
                    self._base.commit()
                    self._base.close()
                except sqlite3.Error:
                    self.damaged = True
                self._base, self._path = None, None

    def get(self, key: str) -> bytes | None:
        """What was kept under a key, None if nothing."""
        with self._lock:
            if self._base is None:
                return None
            try:
                row = self._base.execute("SELECT sum, data FROM dieplat_results WHERE key = ?", (key,)).fetchone()
            except sqlite3.Error:
                self._give_up()
                return None
        if row is None:
            return None
        if not isinstance(row[1], bytes) or hashlib.sha256(row[1]).digest() != row[0]:
            self.damaged = True
            return None
        self.found += 1
        return row[1]

    def put(self, key: str, data: bytes) -> None:
        """Keep a result. A full disk or a damaged file is no error: the result is then made again next time."""
        with self._lock:
            if self._base is None:
                self._begin()
            if self._base is None:
                return
            row = (key, hashlib.sha256(data).digest(), data)
            try:
                self._base.execute("INSERT OR REPLACE INTO dieplat_results VALUES (?, ?, ?)", row)
                self._waiting += 1
                if self._waiting >= _ROWS_AT_ONCE:
                    self._base.commit()
                    self._waiting = 0
            except sqlite3.Error:
                self._give_up()

    def _begin(self) -> None:
        if self._path is None:
            return
        try:
            self._base = _opened(self._path)
        except sqlite3.Error:
            self.damaged = True
            if _is_ours(self._path):
                self._path.unlink(missing_ok=True)
                try:
                    self._base = _opened(self._path)
                except sqlite3.Error:
                    self._path = None
            else:
                self._path = None

    def _give_up(self) -> None:
        self.damaged = True
        if self._base is not None:
            self._base.close()
        self._base = None
        if self._path is not None and _is_ours(self._path):
            self._path.unlink(missing_ok=True)
        else:
            self._path = None


def _opened(path: Path) -> sqlite3.Connection:
    base = sqlite3.connect(path, check_same_thread=False, timeout=1.0)
    try:
        base.execute("CREATE TABLE IF NOT EXISTS dieplat_results (key TEXT PRIMARY KEY, sum BLOB, data BLOB)")
        base.execute("SELECT key, sum, data FROM dieplat_results LIMIT 1").fetchone()
    except sqlite3.Error:
        base.close()
        raise
    return base


def _is_ours(path: Path) -> bool:
    """Whether the file bears our table's name near its start, or is empty."""
    try:
        with path.open("rb") as handle:
            head = handle.read(65536)
    except OSError:
        return False
    return not head or b"dieplat_results" in head


def key_of(kind: str, parts: Iterable[object]) -> str:
    """The name of a result: a digest of its kind, of what it rests on, and of the code.

    Floats enter with all their digits.
    """
    text = json.dumps([kind, code_digest(), *parts], separators=(",", ":"))
    return hashlib.sha256(text.encode("utf-8")).hexdigest()


@cache
def code_digest() -> str:
    """Digest of the code that measures, and of the versions of what it stands on."""
    versions = (module.__version__ for module in (np, scipy, cv2, numba, imagecodecs))
    digest = hashlib.sha256(" ".join(versions).encode())
    folder = Path(__file__).parent
    for source in (*sorted(folder.glob("*.py")), folder.parent / "tiles" / "read.py", folder.parent / "compiled.py"):
        digest.update(source.read_bytes())
    return digest.hexdigest()
