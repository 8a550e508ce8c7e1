"""A replay in several threads: each of them reads parts of the recordings and processes pieces of what was read.

A thread that has read a part goes on with its pieces unless their run is busy, while they are in the processor's cache.
"""

import os
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, field
from functools import partial
from threading import Condition
from typing import Final

from strikewatch.core.batch import Key
from strikewatch.service.recorded.replay_run import ReplayInput, ReplayRun
from strikewatch.sources.recordings.merge import Merge, Part, Piece, ReadPart

RUNS_PER_CORE: Final = 4
"""More than one, so that no core is idle long at the end where hammers have different numbers of rows."""
AHEAD_PER_CORE: Final = 2
"""Parts being read and pieces that wait, at most: they bound the memory that a replay needs."""

_Task = Callable[[], None]


def usable_cores() -> int:
    """Return how many processor cores this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def divide(replayed: ReplayInput, keys: Sequence[Key]) -> dict[Key, ReplayRun]:
    """Divide the hammers among a few runs, so that each has about as many rows."""
    parts: list[list[Key]] = [[] for _ in range(min(len(keys), RUNS_PER_CORE * usable_cores()))]
    rows = [0] * len(parts)
    counts = replayed.merge.row_counts
    for key in sorted(keys, key=lambda key: -counts.get(key, 0)):
        least = rows.index(min(rows))
        parts[least].append(key)
        rows[least] += counts.get(key, 0)
    runs = [(ReplayRun(replayed, part), part) for part in parts]
    return {key: run for run, part in runs for key in part}


def process_rows(
    merge: Merge, runs: Mapping[Key, ReplayRun], pool: Executor, progress: Callable[[int], None] | None
) -> None:
    """Read the parts of a merge, and have each hammer's run process its pieces.

    `progress` is called in this thread. Raises the error that a single thread would meet first in reading.
    """
    threads = usable_cores()
    schedule = _Schedule(merge, runs, AHEAD_PER_CORE * threads)
    working = [pool.submit(schedule.work) for _ in range(threads)]
    try:
        while schedule.goes_on() and progress:
            progress(schedule.rows_done)
        for future in working:
            future.result()
    finally:
        schedule.stop()


@dataclass(slots=True)
class _Queue:
    """The pieces that wait for a run, with their numbers. One thread at a time processes them."""

    run: ReplayRun
    pieces: deque[tuple[int, Piece]] = field(default_factory=deque)
    busy: bool = False


class _Schedule:
    """What remains to be read and processed; `ahead`: parts being read and pieces that wait, at most."""

    def __init__(self, merge: Merge, runs: Mapping[Key, ReplayRun], ahead: int) -> None:
        self._merge = merge
        queues = {run: _Queue(run) for run in runs.values()}
        self._queue_of = {key: queues[run] for key, run in runs.items()}
        self._queues = list(queues.values())
        self._ahead = ahead
        self._changed = Condition()
        self._next_to_read = self._next_to_take = 0  # parts
        self._read: dict[int, ReadPart | BaseException] = {}  # parts that an earlier one must precede
        self._taking = False
        self._next_piece = 0
        self._waiting = 0  # pieces
        self._stopped = False
        self.rows_done = 0

    def work(self) -> None:
        """Read parts and process pieces until none is left. Several threads call this."""
        try:
            while task := self._next_task():
                task()
        except BaseException:
            self.stop()
            raise

    def stop(self) -> None:
        """Let all threads end after their task."""
        with self._changed:
            self._stopped = True
            self._changed.notify_all()

    def goes_on(self) -> bool:
        """Wait for the next rows to be done; return whether any are left."""
        with self._changed:
            done = self.rows_done
            self._changed.wait_for(lambda: self._has_ended() or self.rows_done > done)
            return not self._has_ended()

    def _has_ended(self) -> bool:
        return self._stopped or (
            self._next_to_take == len(self._merge.parts)
            and not (self._taking or self._waiting or any(queue.busy for queue in self._queues))
        )

    def _next_task(self) -> _Task | None:
        """Return what a thread is to do next, once there is something; None if nothing will be."""
        with self._changed:
            while not self._has_ended():
                if task := self._processing() or self._reading():
                    return task
                self._changed.wait()
            return None

    def _surplus_task(self) -> _Task | None:
        """Return a piece to process while too many wait; None otherwise."""
        with self._changed:
            while self._waiting > self._ahead and not self._stopped:
                if task := self._processing():
                    return task
                self._changed.wait()
            return None

    def _processing(self) -> _Task | None:
        for queue in self._queues:
            if queue.pieces and not queue.busy:
                queue.busy = True
                self._waiting -= 1
                return partial(self._process, queue, *queue.pieces.popleft())
        return None

    def _reading(self) -> _Task | None:
        number = self._next_to_read
        begun = number - self._next_to_take
        if number == len(self._merge.parts) or begun + self._waiting >= self._ahead:
            return None
        self._next_to_read += 1
        return partial(self._read_part, number, self._merge.parts[number])

    def _process(self, queue: _Queue, number: int, piece: Piece) -> None:
        queue.run.rows(number, piece)
        with self._changed:
            queue.busy = False
            self.rows_done += len(piece.rows)
            self._changed.notify_all()

    def _read_part(self, number: int, part: Part) -> None:
        read: ReadPart | BaseException
        try:
            read = self._merge.read(part)
        except BaseException as error:  # noqa: BLE001 - raised when it is this part's turn
            read = error
        with self._changed:
            self._read[number] = read
            if self._taking:
                return
            self._taking = True
        self._take_parts()

    def _take_parts(self) -> None:
        """Pass on the parts that were read, in their order; one thread at a time does this."""
        while True:
            with self._changed:
                number = self._next_to_take
                if number not in self._read:
                    self._taking = False
                    self._changed.notify_all()
                    return
                read = self._read.pop(number)
                self._next_to_take += 1
            if isinstance(read, BaseException):
                raise read
            for piece in self._merge.take(self._merge.parts[number], read):
                self._put(piece)

    def _put(self, piece: Piece) -> None:
        with self._changed:
            self._queue_of[piece.group.key].pieces.append((self._next_piece, piece))
            self._next_piece += 1
            self._waiting += 1
            self._changed.notify_all()
        while task := self._surplus_task():
            task()
