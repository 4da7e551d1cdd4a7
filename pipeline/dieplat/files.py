"""Writing files whole or not at all, and never over a stranger's file."""

from __future__ import annotations

import contextlib
import errno
import glob
import hashlib
import json
import math
import os
import shutil
import socket
import stat
import sys
from collections.abc import Iterator, Mapping
from functools import cache
from pathlib import Path
from typing import Any

from dieplat.errors import OutputExistsError, SettingsError

MARK = "made_by"
MADE_BY = "dieplat"
FULL = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)
"""What writing fails with where no more of a file finds room."""
_REMEDIES = dict.fromkeys(FULL, "make room there or choose another disk, then run it again") | {
    errno.EACCES: "check its permissions or choose another place",
    errno.EPERM: "check its permissions or choose another place",
    errno.EROFS: "choose another place",
    errno.ENOENT: "check the name, and that nothing takes it away during the run",
}


@contextlib.contextmanager
def atomic_path(path: Path) -> Iterator[Path]:
    """Give a temporary path beside `path`; on success it becomes `path`, on failure it is removed.

    The temporary name keeps the suffix, since writers choose the format by it. Those that killed runs left are removed.
    """
    _remove_abandoned(path)
    with replacing_path(path) as temporary:
        yield temporary
        _sync(temporary)


def _sync(path: Path) -> None:
    """Wait until a file is on the disk."""
    with path.open("rb+") as handle:
        os.fsync(handle.fileno())


@contextlib.contextmanager
def replacing_path(path: Path) -> Iterator[Path]:
    """As `atomic_path`, for one of many files in a folder that is temporary itself: nothing waits for the disk, and
    what killed processes left is not looked for, since it goes with the folder."""
    temporary = path.with_name(f".{writer_mark()}.partial.{path.name}")
    try:
        with _named(path):
            yield temporary
            os.replace(temporary, path)
    finally:
        _remove(temporary)


@contextlib.contextmanager
def atomic_folder(path: Path) -> Iterator[Path]:
    """Give a temporary folder beside `path`, not yet made; on success it takes the place of `path`.

    What lay there is moved aside first and removed only then, so that under the name there is never part of a folder.
    On failure the temporary folder is removed. What a run killed between the two moves had moved aside is given back.
    """
    for left in path.parent.glob(f".*.before.partial.{glob.escape(path.name)}"):
        if not path.exists() and _is_abandoned(left):
            os.replace(left, path)
    _remove_abandoned(path)
    temporary = path.with_name(f".{writer_mark()}.partial.{path.name}")
    aside = path.with_name(f".{writer_mark()}.before.partial.{path.name}")
    try:
        with _named(path):
            yield temporary
            if path.exists():
                os.replace(path, aside)
            os.replace(temporary, path)
    finally:
        if aside.exists() and not path.exists():
            os.replace(aside, path)
        _remove(aside)
        _remove(temporary)


@contextlib.contextmanager
def _named(path: Path) -> Iterator[None]:
    """Failures of writing a temporary file name the file that it would have become; a full disk names none itself."""
    try:
        yield
    except OSError as error:
        if error.filename is None:
            ours = error.errno in FULL
        else:
            at = Path(os.fsdecode(error.filename))
            ours = ".partial." in str(at) or (at.name.startswith(".") and at.parent.resolve() == path.parent.resolve())
        if ours:
            error.filename = str(path)
        raise


def line_of(error: OSError) -> str:
    """What the system refused, in one line: the file, what was found, what to do."""
    name = f"{os.fsdecode(error.filename)}: " if error.filename else ""
    remedy = _REMEDIES.get(error.errno or 0, "check it and the disk that it lies on")
    return f"{name}{error.strerror or error}; {remedy}"


def _remove(path: Path) -> None:
    """Remove a folder or a file, if it is there."""
    if path.is_dir() and not path.is_symlink():
        shutil.rmtree(path, ignore_errors=True)
    elif os.path.lexists(path):  # a disk that is only read refuses also to remove what is not there
        path.unlink(missing_ok=True)


def _remove_abandoned(path: Path) -> None:
    """Remove the temporary files and folders of `path` whose process is gone."""
    for left in path.parent.glob(f".*.partial.{glob.escape(path.name)}"):
        if _is_abandoned(left):
            _remove(left)


def writer_mark(process: int | None = None) -> str:
    """What tells a process from all that may write to the same storage: its machine, its number and when it began.

    Parameters
    ----------
    process : int, optional
        The number of a process of this machine; this one unless given.
    """
    number = os.getpid() if process is None else process
    return f"{_machine()}-{number}-{_began(number)}"


def _is_abandoned(left: Path) -> bool:
    """Whether a temporary file's writer was a process of this machine and is gone.

    Of another machine's processes nothing is known here: what they left is for them to remove.
    """
    machine, _, rest = left.name[1:].partition(".")[0].partition("-")
    number, _, began = rest.partition("-")
    if machine != _machine() or not number.isdecimal() or sys.platform == "win32":
        return False  # on Windows, asking whether a process lives would end it
    try:
        os.kill(int(number), 0)
    except ProcessLookupError:
        return True
    except (OSError, OverflowError):
        return False  # it lives, and is another user's, or never was one
    return began != _began(int(number))


@cache
def _machine() -> str:
    """This machine, and on Linux the container in which the numbers of processes count, in eight digits."""
    parts = [socket.gethostname()]
    with contextlib.suppress(OSError):
        parts.append(Path("/etc/machine-id").read_text(encoding="ascii").strip())
    with contextlib.suppress(OSError):
        parts.append(os.readlink("/proc/self/ns/pid"))
    return hashlib.sha256("\n".join(parts).encode()).hexdigest()[:8]


def _began(process: int) -> str:
    """When a process began, in ticks of the system's clock (proc(5), stat, field 22); 0 where the system hides it."""
    try:
        status = Path(f"/proc/{process}/stat").read_bytes()
    except OSError:
        return "0"
    # The second field is the program's name in brackets, and may hold anything.
    return status.rpartition(b")")[2].split()[19].decode()


def check_plain(path: Path) -> None:
    """Refuse a pipe or a device in place of a file: reading one may wait, or fill the memory, for ever.

    Raises
    ------
    OSError
        If it is one, or is not there.
    """
    mode = path.stat().st_mode
    if not (stat.S_ISREG(mode) or stat.S_ISDIR(mode)):
        raise OSError(errno.EINVAL, "is a pipe or a device, not a file", str(path))


def write_bytes(path: Path, data: bytes) -> None:
    """Write `data` to `path` whole or not at all."""
    write_together({path: data})


def write_together(files: Mapping[Path, bytes]) -> None:
    """Write files that belong together, each whole; where one finds no room, none takes its place."""
    with contextlib.ExitStack() as stack:
        for path, data in files.items():
            _remove_abandoned(path)
            temporary = stack.enter_context(replacing_path(path))
            temporary.write_bytes(data)
            _sync(temporary)


def to_plain(value: Any) -> Any:
    """Turn NumPy scalars, tuples and mappings into plain JSON values; NaN and infinity become None."""
    if isinstance(value, Mapping):
        return {str(key): to_plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [to_plain(item) for item in value]
    if hasattr(value, "tolist") and not isinstance(value, (str, bytes)):
        return to_plain(value.tolist())
    if isinstance(value, float) and not math.isfinite(value):
        return None
    if isinstance(value, Path):
        return str(value)
    return value


def write_json(path: Path, document: Mapping[str, Any]) -> None:
    """Write `document` as UTF-8 JSON, marked as made by dieplat, whole or not at all."""
    write_bytes(path, json_bytes(document))


def json_bytes(document: Mapping[str, Any]) -> bytes:
    """The file that `write_json` writes."""
    from dieplat import __version__

    marked = {**to_plain(document), MARK: f"{MADE_BY} {__version__}"}
    text = json.dumps(marked, indent=1, ensure_ascii=False, allow_nan=False)
    return (text + "\n").encode("utf-8")


def is_ours(path: Path) -> bool:
    """Whether dieplat wrote `path`: JSON, TIFF, PNG and HTML carry the mark near their start or end.

    An empty file counts too: a killed run or a full disk leaves one, and nothing is lost with it.
    """
    check_plain(path)
    with path.open("rb") as handle:
        head = handle.read(65536)
        handle.seek(0, os.SEEK_END)
        handle.seek(max(0, handle.tell() - 4096))
        tail = handle.read()
    return not head or b"dieplat" in head or b"dieplat" in tail


def check_replaceable(path: Path, *, replace: bool = False) -> bool:
    """Refuse to write over a file that dieplat did not make, unless `replace`.

    Returns whether an earlier output of ours will be replaced, so that a caller can say so.

    Raises
    ------
    OutputExistsError
        If `path` exists, is not ours, and `replace` is false; or if it is a folder.
    SettingsError
        If there is no folder for it, or nothing can be written there.
    """
    if not path.parent.is_dir():
        raise SettingsError(f"{path.parent}: no such folder; make it first")
    if not os.access(path.parent, os.W_OK):
        raise SettingsError(f"{path.parent}: nothing can be written there; check its permissions or choose another")
    if not path.exists():
        return False
    if path.is_dir():
        raise OutputExistsError(f"{path}: is a folder; give the name of a file")
    if replace or is_ours(path):
        return True
    raise OutputExistsError(f"{path}: exists and was not written by dieplat; choose another name or add --replace")


def sha256_of(path: Path) -> str:
    """SHA-256 of a file, in hexadecimal, read in blocks."""
    check_plain(path)
    with path.open("rb") as handle:
        return hashlib.file_digest(handle, "sha256").hexdigest()
