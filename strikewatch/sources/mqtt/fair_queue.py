"""A fair queue of messages: machines are served in turn, and acknowledgements keep the order of arrival.

A gateway that was offline sends hours of data at once. In order of arrival, the current samples of all other machines
would wait behind them. The order between machines does not matter; for one machine it is kept across all its topics, or
its values would be late. MQTT requires acknowledgements in order of arrival, so a message taken early is acknowledged
once all messages before it are done.
"""

from collections import deque
from collections.abc import Callable, Iterable, Sequence
from typing import Final, NamedTuple

from strikewatch.core.instant import Instant

WEIGHT_BYTES: Final = 1024
"""This many bytes of payload count as one more message, so that a step is bounded by its amount of data."""


class Message(NamedTuple):
    """A message as received. `generation`: number of the connection; `redelivered`: it may have been sent before."""

    topic: str
    payload: bytes
    received_ns: Instant
    mid: int
    qos: int
    generation: int
    redelivered: bool


class FairQueue:
    """A queue for one thread: `put` in order of arrival, `take`, then report what is `done`.

    `machine_of` returns the machine that a topic belongs to.
    """

    def __init__(self, machine_of: Callable[[str], str]) -> None:
        self._machine_of = machine_of
        self._queues: dict[str, deque[Message]] = {}  # by machine; one that was served goes to the end
        self._arrived: deque[tuple[int, int]] = deque()
        self._done: set[tuple[int, int]] = set()
        self._waiting = 0

    def __len__(self) -> int:
        return self._waiting

    def put(self, message: Message) -> None:
        """Add a message."""
        self._queues.setdefault(self._machine_of(message.topic), deque()).append(message)
        self._waiting += 1
        if message.qos == 1:
            self._arrived.append((message.generation, message.mid))

    def take(self, limit: int, *, longest: int | None = None) -> list[Message]:
        """Take messages up to a total weight of `limit`, about equally from all machines.

        `longest`: machines with more messages waiting than this are left out.
        """
        taken: list[Message] = []
        left = limit
        while left > 0:
            machines = [
                one for one, queue in self._queues.items() if longest is None or len(queue) <= longest
            ]
            if not machines:
                break
            share = max(left // len(machines), 1)
            for machine in machines:
                queue = self._queues.pop(machine)
                quota = min(share, left)
                while queue and quota > 0:
                    taken.append(queue.popleft())
                    weight = 1 + len(taken[-1].payload) // WEIGHT_BYTES
                    quota -= weight
                    left -= weight
                if queue:
                    self._queues[machine] = queue
                if left <= 0:
                    break
        self._waiting -= len(taken)
        return taken

    def put_back(self, messages: Sequence[Message]) -> None:
        """Put messages that were taken, in this order, before all others of their machines."""
        for message in reversed(messages):
            self._queues.setdefault(self._machine_of(message.topic), deque()).appendleft(message)
        self._waiting += len(messages)

    def done(self, messages: Iterable[Message]) -> list[tuple[int, int]]:
        """Mark messages as done; return (generation, mid) of those to acknowledge now, in order of arrival."""
        self._done.update((message.generation, message.mid) for message in messages if message.qos == 1)
        acknowledgeable = []
        while self._arrived and self._arrived[0] in self._done:
            acknowledgeable.append(self._arrived.popleft())
            self._done.remove(acknowledgeable[-1])
        return acknowledgeable
