"""Threads for work that must stay in order: several queues on one pool, each of them one task at a time."""

import os
from collections import deque
from collections.abc import Callable
from concurrent.futures import Executor, Future
from threading import Lock
from typing import Any


def usable_cores() -> int:
    """Return how many processor cores this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


class SerialQueue:
    """Runs its tasks one after another, in the order of `submit`, in the threads of a pool."""

    def __init__(self, pool: Executor) -> None:
        self._pool = pool
        self._lock = Lock()
        self._tasks: deque[tuple[Future[Any], Callable[..., Any], tuple[Any, ...]]] = deque()
        self._running = False

    def submit(self, function: Callable[..., Any], *arguments: Any) -> Future[Any]:
        """Run a function after all functions submitted before; return the future of its result."""
        future: Future[Any] = Future()
        with self._lock:
            self._tasks.append((future, function, arguments))
            begin, self._running = not self._running, True
        if begin:
            self._pool.submit(self._run_next)
        return future

    def _run_next(self) -> None:
        with self._lock:
            future, function, arguments = self._tasks.popleft()
        try:
            future.set_result(function(*arguments))
        except BaseException as error:  # noqa: BLE001 - whoever waits for the result gets it
            future.set_exception(error)
        with self._lock:
            self._running = bool(self._tasks)
        if self._running:
            self._pool.submit(self._run_next)
