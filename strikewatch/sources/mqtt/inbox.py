"""The inbox: the messages between the network thread, which fills it, and the thread that processes them.

It is bounded by a number of messages and by their bytes. Of what the processing thread has finished with, the inbox
keeps what is to be acknowledged, in order of arrival, until the network thread writes it.
"""

import threading
import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from functools import lru_cache
from typing import Final

from strikewatch.sources.mqtt.fair_queue import HEAVIEST_CURRENT, FairQueue, Message

_BACKLOG_ARRIVING: Final = 20
"""More messages than this between two calls of `take`: a gateway is sending its backlog."""
_PAUSE_S: Final = 0.003


class Inbox:
    """A bounded queue of messages. `machine_of` returns the machine that a topic belongs to; `wake` wakes the network.

    `max_messages` and `max_bytes`: how much may wait; messages that are being processed count by their bytes.
    """

    def __init__(
        self, machine_of: Callable[[str], str], max_messages: int, max_bytes: int, wake: Callable[[], None]
    ) -> None:
        self._max_messages = max_messages
        self._max_bytes = max_bytes
        self._wake = wake
        self._arrived: deque[Message] = deque()  # filled by the network thread
        self._fair_queue = FairQueue(lru_cache(maxsize=32_768)(machine_of))  # used under the lock only
        self._bytes_in = 0  # written by the network thread only
        self._bytes_out = 0  # written under the lock only
        self._done: deque[tuple[int, int]] = deque()
        self._changed = threading.Condition()
        self._ended = False

    def __len__(self) -> int:
        """Return the number of messages that wait to be taken."""
        return len(self._arrived) + len(self._fair_queue)

    def room(self) -> int:
        """Return how many more messages may wait."""
        if self._bytes_in - self._bytes_out >= self._max_bytes:
            return 0
        return max(self._max_messages - len(self), 0)

    # The processing thread calls these.

    def wait(self, timeout_s: float) -> None:
        """Wait for up to `timeout_s` until there are messages, or none will come any more."""
        with self._changed:
            self._changed.wait_for(lambda: len(self) or self._ended, timeout_s)

    def take(self, limit: int) -> list[Message]:
        """Take waiting messages up to a weight of `limit`, hammers in turn; see `FairQueue.take`.

        While other machines send, a backlog waits until it has arrived completely, so that current messages are
        processed first.
        """
        with self._changed:
            n, now_s = len(self._arrived), time.monotonic()
            self._fair_queue.put([self._arrived.popleft() for _ in range(n)])
            arriving = n > _BACKLOG_ARRIVING and 2 * len(self) < self._max_messages
            current = self._fair_queue.expects_current(now_s)
            wait = arriving and current
            limit = self._fair_queue.step_limit(limit, expects_current=current)
            taken = self._fair_queue.take(limit, heaviest=HEAVIEST_CURRENT if wait else None)
        if wait and not taken:
            time.sleep(_PAUSE_S)
        return taken

    def put_back(self, messages: Sequence[Message]) -> None:
        """Let messages be taken again, before later ones of the same hammers."""
        with self._changed:
            self._fair_queue.put_back(messages)

    def done(self, messages: Iterable[Message]) -> None:
        """Have messages acknowledged, each once all before it are done."""
        with self._changed:
            done = list(messages)
            self._done.extend(self._fair_queue.done(done))
            self._bytes_out += sum([len(message.payload) for message in done])
        self._wake()

    # The network thread calls these.

    def put(self, messages: Sequence[Message]) -> None:
        """Add messages; `notify` hands them over."""
        self._bytes_in += sum([len(message.payload) for message in messages])
        self._arrived.extend(messages)

    def notify(self) -> None:
        """Wake the processing thread if messages have arrived."""
        if self._arrived:
            with self._changed:
                self._changed.notify_all()

    def acknowledgeable(self, generation: int, most: int | None) -> Iterator[int]:
        """Take up to `most` messages that are done (None: all); yield the packet identifiers of this connection's."""
        for _ in range(len(self._done) if most is None else min(most, len(self._done))):
            of, mid = self._done.popleft()
            if of == generation:
                yield mid

    @property
    def has_acknowledgeable(self) -> bool:
        """Whether messages wait for their acknowledgement to be written."""
        return bool(self._done)

    def end(self) -> None:
        """Let nobody wait any longer."""
        with self._changed:
            self._ended = True
            self._changed.notify_all()
