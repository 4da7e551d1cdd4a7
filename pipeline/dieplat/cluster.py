"""The stages' jobs on a Dask cluster: what starts them, moves them, and starts them again is Dask's own.

Dask is asked for only here, and only when a cluster is named. Its executor is one of `concurrent.futures`, as the
stages take it; around it stand the checks that make a wrong set-up one line instead of a wrong mosaic: the scheduler
answers, every worker runs this code, and sees the tiles and the output under the paths that are used here.
"""

from __future__ import annotations

import concurrent.futures
import contextlib
import os
import secrets
import time
from collections.abc import Iterator
from concurrent.futures import Executor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from dieplat import __version__
from dieplat.errors import ClusterError
from dieplat.files import writer_mark
from dieplat.registration.memory import code_digest
from dieplat.work import Spread

ANSWER_S = 15.0
"""So long is waited for the scheduler, and for the first worker."""
FLIGHT_A_THREAD = 4
LEAST_IN_FLIGHT = 64
SETTLE_S = 120.0
"""So long is waited for jobs that run on after they were cancelled; none takes as much."""


@dataclass(frozen=True, slots=True)
class _Seen:
    """What a worker is and sees."""

    code: str
    names: int | None
    """Files in the tiles' folder; None if there is no such folder."""
    token: str | None
    can_write: bool


@contextlib.contextmanager
def spread_over(address: str, *, tiles: Path, out: Path, near: Executor | None = None) -> Iterator[Spread]:
    """Give an executor over the workers of a Dask cluster.

    Parameters
    ----------
    address : str
        Of the scheduler, such as ``tcp://10.0.0.5:8786``.
    tiles, out : Path
        Absolute paths of the tiles' folder and of the output, which every worker must see.
    near : Executor, optional
        Threads of this process.

    Raises
    ------
    ClusterError
        If Dask is not installed, no scheduler or worker answers, the workers run another version or do not see the
        storage; later, if a job ends every worker that it is given to, or the scheduler is lost.
    """
    distributed = _distributed()
    client = _connected(distributed, address)
    try:
        _check_workers(client, address, tiles, out)
        threads = sum(client.nthreads().values())
        yield Spread(
            client.get_executor(pure=False),
            near=near,
            in_flight=max(LEAST_IN_FLIGHT, FLIGHT_A_THREAD * threads),
            settle=lambda: _settle(client),
            check=lambda: _check_scheduler(client, address),
        )
    except distributed.KilledWorker:
        raise ClusterError(
            f"{address}: a job ended every worker it was given to; give workers more memory or fewer threads"
        ) from None
    except concurrent.futures.CancelledError:
        raise _lost(address) from None
    finally:
        with contextlib.suppress(OSError, TimeoutError, RuntimeError):
            client.close(timeout=ANSWER_S)


def _lost(address: str) -> ClusterError:
    return ClusterError(f"{address}: the scheduler was lost; start it again and repeat the command")


def _check_scheduler(client: Any, address: str) -> None:
    """Jobs that are given while the connection is down are never answered; those before it are cancelled by Dask."""
    if client.status != "running":
        raise _lost(address)


def _distributed() -> Any:
    try:
        import distributed
    except ImportError:
        raise ClusterError(
            "a cluster needs Dask's distributed, which is not installed; pip install 'dieplat[cluster]'"
        ) from None
    return distributed


def _connected(distributed: Any, address: str) -> Any:
    try:
        client = distributed.Client(address, timeout=ANSWER_S, set_as_default=False)
    except (OSError, ValueError, TimeoutError):
        raise ClusterError(
            f"{address}: no scheduler answers there; start one with `dask scheduler` and give the address it prints"
        ) from None
    try:
        client.wait_for_workers(1, timeout=ANSWER_S)
    except TimeoutError:
        client.close()
        raise ClusterError(
            f"{address}: the scheduler has no workers; start some with `dask worker {address}`"
        ) from None
    return client


def _check_workers(client: Any, address: str, tiles: Path, out: Path) -> None:
    """Refuse workers that would measure otherwise, or elsewhere."""
    token = secrets.token_hex(16)
    shown = out.parent / f".{writer_mark()}.partial.seen"
    here = len(os.listdir(tiles))
    try:
        shown.write_text(token, encoding="ascii")
        found = client.run(look_about, str(tiles), str(shown), on_error="return")
    finally:
        shown.unlink(missing_ok=True)
    for worker, seen in sorted(found.items()):
        if not isinstance(seen, _Seen) or seen.code != _code():
            raise ClusterError(
                f"worker {worker}: does not run dieplat {__version__} with the libraries that are here; "
                "install the same versions there"
            )
        if seen.names != here:
            raise ClusterError(
                f"worker {worker}: does not see {tiles} as it is here; put the tiles on storage that all machines "
                "have under the same path"
            )
        if seen.token != token or not seen.can_write:
            raise ClusterError(
                f"worker {worker}: cannot write to {out.parent} as it is here; give --out a folder on storage that all "
                "machines have under the same path"
            )


def look_about(tiles: str, shown: str) -> _Seen:
    """What this process, a worker, sees of the storage."""
    names: int | None = None
    token: str | None = None
    can_write = False
    with contextlib.suppress(OSError):
        names = len(os.listdir(tiles))
    with contextlib.suppress(OSError):
        token = Path(shown).read_text(encoding="ascii")
    own = Path(shown).with_name(f".{writer_mark()}.{secrets.token_hex(4)}.partial.seen")
    with contextlib.suppress(OSError):
        own.write_bytes(b"")
        own.unlink()
        can_write = True
    return _Seen(_code(), names, token, can_write)


def _code() -> str:
    return f"{__version__} {code_digest()}"


def _settle(client: Any) -> None:
    """Wait until no worker runs anything: Dask lets go of a cancelled job at once, but its thread goes on."""
    end = time.monotonic() + SETTLE_S
    with contextlib.suppress(OSError, TimeoutError, RuntimeError):
        while time.monotonic() < end and client.status == "running" and any(client.run(_running).values()):
            time.sleep(0.05)


def _running(dask_worker: Any) -> int:
    """How many jobs a worker runs, cancelled ones too."""
    return len(dask_worker.state.executing)
