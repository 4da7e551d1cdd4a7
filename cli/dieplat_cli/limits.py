"""Whether the memory that this process may take holds the libraries at all."""

from __future__ import annotations

import sys
from collections.abc import Mapping

LEAST_MIB = {"RLIMIT_AS": 720, "RLIMIT_DATA": 256}
"""Address space and data that all libraries take once loaded, measured, and a little more.

With less, loading them fails in ways of their own: OpenBLAS asks again and again for its buffers, releases before
0.3.30 without end (its issue 5289), and the compiler's library is said to be missing.
"""
WORK_MIB = {"RLIMIT_AS": (1104, 72), "RLIMIT_DATA": (600, 8)}
"""What stitching takes with its libraries, and for each of its threads besides. 1100 and 1200 MiB of address space with
six threads left the compiler waiting for its own lock or ended the process, 1400 sufficed; so did 600 MiB of data. A
thread reserves a stack (8 MiB) and a heap (64 MiB) of addresses."""
ULIMIT = {"RLIMIT_AS": "ulimit -v", "RLIMIT_DATA": "ulimit -d"}


class LimitedMemoryError(MemoryError):
    """This process may take less memory than the libraries do."""


def check_memory_limits() -> None:
    """Refuse to begin where the libraries cannot be loaded.

    Raises
    ------
    LimitedMemoryError
        Naming the limit and how it is raised.
    """
    if "scipy.linalg" not in sys.modules:  # else they are loaded already
        _check(LEAST_MIB, "its libraries alone")


def check_work_limits(threads: int) -> None:
    """Refuse to begin work for which so many threads do not have the memory.

    A library that gets none may end the process or wait for ever, with what was begun left behind.

    Raises
    ------
    LimitedMemoryError
        Naming the limit and how it is raised.
    """
    needed = {name: base + each * threads for name, (base, each) in WORK_MIB.items()}
    _check(needed, f"{threads} threads at work, with libraries,", ", or give fewer --workers")


def _check(least_mib: Mapping[str, int], who: str, else_do: str = "") -> None:
    try:
        import resource
    except ImportError:  # Windows has no such limits.
        return
    for name, least in least_mib.items():
        allowed = resource.getrlimit(getattr(resource, name))[0]
        if allowed != resource.RLIM_INFINITY and allowed < least * 2**20:
            raise LimitedMemoryError(
                f"the memory does not suffice; this process may take {allowed >> 20} MiB and {who} take "
                f"{least}: raise the limit ({ULIMIT[name]}){else_do}"
            )
