"""Ordered mapping over any executor, with progress."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Executor, Future, wait
from typing import Any, TypeVar

T = TypeVar("T")
R = TypeVar("R")

Progress = Callable[[int, int], None]
"""Called as `progress(done, total)`; it may raise to cancel."""


CHECK_S = 1.0
"""So often it is asked whether jobs that are waited for can still come."""


class Tick:
    """Counts jobs through several passes."""

    def __init__(self, progress: Progress | None, total: int) -> None:
        self._progress, self._total, self._done = progress, total, 0

    def __call__(self, done: int, total: int) -> None:
        self._done += 1
        if self._progress is not None:
            self._progress(self._done, self._total)


class Spread(Executor):
    """Processes that share no memory with this one, here or on other machines, beside threads that do.

    What is submitted must be picklable: a function of a module, and values. Stages give such work to it, and work that
    leans on what this process holds to `near`.

    Parameters
    ----------
    far : Executor
        Starts the jobs: `concurrent.futures.ProcessPoolExecutor`, or that of a cluster.
    near : Executor, optional
        Threads of this process; None works in line.
    in_flight : int
        Jobs submitted and not yet done with, at most; their results wait here.
    settle : callable, optional
        Waits until no job that was cancelled runs any more, where `far` lets running jobs be cancelled.
    check : callable, optional
        Raises if what starts the jobs is lost, whose results would be waited for in vain.
    """

    def __init__(
        self,
        far: Executor,
        *,
        near: Executor | None = None,
        in_flight: int = 64,
        settle: Callable[[], None] | None = None,
        check: Callable[[], None] | None = None,
    ) -> None:
        self._far = far
        self.near = near
        self.in_flight = in_flight
        self._settle = settle
        self._check = check

    def submit(self, fn: Callable[..., R], /, *args: Any, **kwargs: Any) -> Future[R]:
        """Start a job in another process."""
        return self._far.submit(in_one_thread, fn, *args, **kwargs)

    def result(self, future: Future[R]) -> R:
        """What a job gave; raises what `check` does while it is waited for."""
        while True:
            wait([future], timeout=None if self._check is None else CHECK_S)
            if future.done() or self._check is None:
                return future.result()
            self._check()

    def settle(self) -> None:
        """Wait until nothing that was cancelled runs any more."""
        if self._settle is not None:
            self._settle()


def in_one_thread(function: Callable[..., R], /, *args: Any, **kwargs: Any) -> R:
    """Call a function with no threads of OpenCV's own beneath it: jobs fill the cores, and a pool would only wait."""
    import cv2

    cv2.setNumThreads(1)
    return function(*args, **kwargs)


def near(executor: Executor | None) -> Executor | None:
    """The executor, or that part of it that shares this process's memory."""
    return executor.near if isinstance(executor, Spread) else executor


def _submitted(executor: Executor, function: Callable[[T], R], item: T) -> Future[R]:
    """Submit a job. A pool that cannot start a thread for it keeps it queued all the same: it must not run later."""
    try:
        return executor.submit(function, item)
    except Exception:
        executor.shutdown(cancel_futures=True)
        raise


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

    At most `in_flight` results exist at once (with a `Spread` as many as it says), so memory stays bounded however long
    `items` is. `executor` None runs in line. Exceptions of `function` reach the caller at the item's place, when
    nothing of this call runs any more: the caller may then remove what was being written.
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
    most = executor.in_flight if isinstance(executor, Spread) else in_flight
    given: Callable[[Future[R]], R] = executor.result if isinstance(executor, Spread) else Future.result
    waiting: deque[Future[R]] = deque()
    try:
        for item in items:
            waiting.append(_submitted(executor, function, item))
            if len(waiting) >= most:
                result = given(waiting[0])
                waiting.popleft()
                tick()
                yield result
        while waiting:
            result = given(waiting[0])
            waiting.popleft()
            tick()
            yield result
    finally:
        wait([future for future in waiting if not future.cancel()])
        if waiting and isinstance(executor, Spread):
            executor.settle()
