"""Inner loops compiled to machine code, where whole-array operations would pass through memory many times."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

import numba

Loop = TypeVar("Loop", bound=Callable[..., Any])


def compiled(loop: Loop) -> Loop:
    """Compile a loop over arrays when it is first called; it then runs without Python's lock.

    The machine code is kept beside the module, or in the user's cache folder, so that only the first run on a
    machine waits for the compiler; where neither can be written it is compiled anew in every process. That wait is
    kept short by few and flat loops: what a loop calls is compiled for itself and again within it. An array assigned
    to a part of another, or made within a loop, takes the compiler longer than all else.
    The loop takes arrays and numbers only. Sums are taken in the order written (no `fastmath`), so that results
    do not depend on how often or where it runs.
    """
    return _compiled(loop, no_cfunc_wrapper=True)


def inner(loop: Loop) -> Loop:
    """The same for a loop that only other compiled loops call: it cannot be called from elsewhere."""
    return _compiled(loop, no_cfunc_wrapper=True, no_cpython_wrapper=True)


def _compiled(loop: Loop, **options: bool) -> Loop:
    given: dict[str, Any] = {"nogil": True, "error_model": "numpy", **options}
    try:
        made: Loop = numba.njit(cache=True, **given)(loop)
    except RuntimeError:  # no folder for the machine code
        made = numba.njit(**given)(loop)
    return made
