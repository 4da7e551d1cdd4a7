"""Inner loops compiled to machine code, where whole-array operations would pass through memory many times."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

import numba

Loop = TypeVar("Loop", bound=Callable[..., Any])


def compiled(loop: Loop) -> Loop:
    """Compile a loop over arrays when it is first called; it then runs without Python's lock.

    The machine code is kept beside the module, or in the user's cache folder, so that only the first run on a
    machine waits for the compiler; where neither can be written it is compiled anew in every process.
    The loop takes arrays and numbers only. Sums are taken in the order written (no `fastmath`), so that results
    do not depend on how often or where it runs.
    """
    options = {"nogil": True, "error_model": "numpy"}
    try:
        made: Loop = numba.njit(cache=True, **options)(loop)
    except RuntimeError:  # no folder for the machine code
        made = numba.njit(**options)(loop)
    return made
