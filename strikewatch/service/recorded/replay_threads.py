"""A replay in several threads: parts are read ahead, and a few runs process their hammers' pieces in order."""

import os
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Executor, Future
from itertools import islice
from threading import Lock
from typing import Any, Final, NamedTuple

from strikewatch.core.batch import Key
from strikewatch.service.recorded.replay_run import ReplayInput, ReplayRun
from strikewatch.sources.recordings.merge import Merge, ReadPart

RUNS_PER_CORE: Final = 4
"""More than one, so that no core is idle long at the end where hammers have different numbers of rows."""
PARTS_AHEAD: Final = 2
PIECES_AHEAD: Final = 8
"""Parts that are read, and pieces that wait, at most: they bound the memory that a replay needs."""


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
        except BaseException as error:  # noqa: BLE001 - raised again in the thread that waits for the result
            future.set_exception(error)
        with self._lock:
            self._running = bool(self._tasks)
        if self._running:
            self._pool.submit(self._run_next)


class QueuedRun(NamedTuple):
    """The replay of some hammers, and the queue of its work."""

    run: ReplayRun
    queue: SerialQueue


def divide(replayed: ReplayInput, keys: Sequence[Key], pool: Executor) -> dict[Key, QueuedRun]:
    """Divide the hammers among a few runs, so that each has about as many rows."""
    parts: list[list[Key]] = [[] for _ in range(min(len(keys), RUNS_PER_CORE * usable_cores()))]
    rows = [0] * len(parts)
    counts = replayed.merge.row_counts
    for key in sorted(keys, key=lambda key: -counts.get(key, 0)):
        least = rows.index(min(rows))
        parts[least].append(key)
        rows[least] += counts.get(key, 0)
    runs = [(QueuedRun(ReplayRun(replayed, part), SerialQueue(pool)), part) for part in parts]
    return {key: run for run, part in runs for key in part}


def process_rows(
    merge: Merge,
    runs: Mapping[Key, QueuedRun],
    pool: Executor,
    progress: Callable[[int], None] | None,
) -> None:
    """Read the parts of a merge ahead, and have each hammer's run process its pieces."""
    reading: deque[Future[ReadPart]] = deque()
    running: deque[tuple[Future[None], int]] = deque()
    done = number = 0

    def wait_until(n: int) -> None:
        """Wait until at most n pieces are left."""
        nonlocal done
        while len(running) > n:
            future, rows = running.popleft()
            future.result()
            done += rows
            if progress:
                progress(done)

    coming = iter(merge.parts)
    reading.extend(pool.submit(merge.read, part) for part in islice(coming, PARTS_AHEAD))
    for part in merge.parts:
        read = reading.popleft().result()
        reading.extend(pool.submit(merge.read, part) for part in islice(coming, 1))
        for piece in merge.take(part, read):
            run, queue = runs[piece.group.key]
            running.append((queue.submit(run.rows, number, piece), len(piece.rows)))
            number += 1
            wait_until(PIECES_AHEAD)
    wait_until(0)
