"""Messages that wait for a step: each machine has its turn, and acknowledgements keep the order of arrival.

A gateway that was without network sends hours at once. Taken in order of arrival, everyone's samples of now would wait
behind them. Between machines the order does not matter; of one machine it is kept, however many topics it has: its
values would come late otherwise. MQTT wants acknowledgements in order
of arrival, so what is taken early is acknowledged once all before it is done with.
"""

from collections import deque
from collections.abc import Callable, Iterable
from typing import Final, NamedTuple

from strikewatch.core.instant import Instant

WEIGHS: Final = 1024
"""Bytes of payload that weigh as much as one message more: a step is bounded by what is in it."""


class Message(NamedTuple):
    """A message as it came. `generation` numbers the connection; `redelivered`: the broker may have sent it before."""

    topic: str
    payload: bytes
    received_ns: Instant
    mid: int
    qos: int
    generation: int
    redelivered: bool


class Fair:
    """For one thread. `put` in order of arrival, `take`, then say what is `done`.

    `machine_of` gives the machine that a topic belongs to.
    """

    def __init__(self, machine_of: Callable[[str], str]) -> None:
        self._machine_of = machine_of
        self._lines: dict[str, deque[Message]] = {}  # of each hammer; who has had a turn goes to the end
        self._arrived: deque[tuple[int, int]] = deque()
        self._done: set[tuple[int, int]] = set()
        self._waiting = 0

    def __len__(self) -> int:
        return self._waiting

    def put(self, message: Message) -> None:
        self._lines.setdefault(self._machine_of(message.topic), deque()).append(message)
        self._waiting += 1
        if message.qos == 1:
            self._arrived.append((message.generation, message.mid))

    def take(self, limit: int, *, longest: int | None = None) -> list[Message]:
        """Messages of `limit` in all, of each hammer about as many as long as it has any.

        `longest`: those of hammers with more than so many waiting go on waiting.
        """
        taken: list[Message] = []
        left = limit
        while left > 0:
            hammers = [one for one, line in self._lines.items() if longest is None or len(line) <= longest]
            if not hammers:
                break
            share = max(left // len(hammers), 1)
            for hammer in hammers:
                line = self._lines.pop(hammer)
                mine = min(share, left)
                while line and mine > 0:
                    taken.append(line.popleft())
                    weight = 1 + len(taken[-1].payload) // WEIGHS
                    mine -= weight
                    left -= weight
                if line:
                    self._lines[hammer] = line
                if left <= 0:
                    break
        self._waiting -= len(taken)
        return taken

    def done(self, messages: Iterable[Message]) -> list[tuple[int, int]]:
        """These have been seen through; (generation, mid) of what may now be acknowledged, in order of arrival."""
        self._done.update((message.generation, message.mid) for message in messages if message.qos == 1)
        ripe = []
        while self._arrived and self._arrived[0] in self._done:
            ripe.append(self._arrived.popleft())
            self._done.remove(ripe[-1])
        return ripe
