"""Ordered mapping over any executor, with progress."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Executor, Future, wait
from typing import TypeVar

T = TypeVar("T")
R = TypeVar("R")

Progress = Callable[[int, int], None]
"""Called as `progress(done, total)`; it may raise to cancel."""


def map_in_order(
    function: Callable[[T], R],
    items: Iterable[T],
    *,
    executor: Executor | None = None,
    total: int | None = None,
    progress: Progress | None = None,
    in_flight: int = 8,
) -> Iterator[R]:
    """Apply `function` to `items` and yield the results in the order of the items.

    At most `in_flight` results exist at once, so memory stays bounded however long `items` is.
    `executor` None runs in line. Exceptions of `function` reach the caller at the item's place, when nothing of this
    call runs any more: the caller may then remove what was being written.
    """
    done = 0

    def tick() -> None:
        nonlocal done
        done += 1
        if progress is not None:
            progress(done, total if total is not None else done)

    if executor is None:
        for item in items:
            result = function(item)
            tick()
            yield result
        return
    waiting: deque[Future[R]] = deque()
    try:
        for item in items:
            waiting.append(executor.submit(function, item))
            if len(waiting) >= in_flight:
                result = waiting.popleft().result()
                tick()
                yield result
        while waiting:
            result = waiting.popleft().result()
            tick()
            yield result
    finally:
        wait([future for future in waiting if not future.cancel()])
