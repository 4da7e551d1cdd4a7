"""Whether the memory that this process may take holds the libraries at all."""

from __future__ import annotations

import sys

LEAST_MIB = {"RLIMIT_AS": 720, "RLIMIT_DATA": 256}
"""Address space and data that all libraries take once loaded, measured, and a little more.

With less, loading them fails in ways of their own: OpenBLAS asks again and again for its buffers, releases before
0.3.30 without end (its issue 5289), and the compiler's library is said to be missing.
"""
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
    if "scipy.linalg" in sys.modules:  # They are loaded already.
        return
    try:
        import resource
    except ImportError:  # Windows has no such limits.
        return
    for name, least in LEAST_MIB.items():
        allowed = resource.getrlimit(getattr(resource, name))[0]
        if allowed != resource.RLIM_INFINITY and allowed < least * 2**20:
            raise LimitedMemoryError(
                f"the memory does not suffice; this process may take {allowed >> 20} MiB and its libraries alone "
                f"{least}: raise the limit ({ULIMIT[name]})"
            )
