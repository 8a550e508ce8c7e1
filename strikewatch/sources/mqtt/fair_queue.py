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

HEAVIEST_CURRENT: Final = 20
"""A machine for which more than this weight waits has a backlog; what others send is current."""
CURRENT_FOR_S: Final = 0.2
"""For this long after current messages, others are expected."""
SHORT_STEP: Final = 100
"""Weight of a step while they are."""


class Message(NamedTuple):
    """A message as received. `generation`: number of the connection; `redelivered`: it may have been sent before.

    `retained`: the broker had kept it from before the subscription.
    """

    topic: str
    payload: bytes
    received_ns: Instant
    mid: int
    qos: int
    generation: int
    redelivered: bool
    retained: bool = False


class FairQueue:
    """A queue for one thread: `put` in order of arrival, `take`, then report what is `done`.

    `machine_of` returns the machine that a topic belongs to.
    """

    def __init__(self, machine_of: Callable[[str], str]) -> None:
        self._machine_of = machine_of
        self._queues: dict[str, deque[Message]] = {}  # by machine; one that was served goes to the end
        self._weights: dict[str, int] = {}  # of what waits, by machine
        self._arrived: deque[tuple[int, int]] = deque()
        self._done: set[tuple[int, int]] = set()
        self._waiting = 0
        # when each machine without a backlog had messages, the latest last
        self._current_s: dict[str, float] = {}

    def __len__(self) -> int:
        return self._waiting

    def put(self, messages: Sequence[Message]) -> None:
        """Add messages."""
        machine_of, queues, weights = self._machine_of, self._queues, self._weights
        for message in messages:
            machine = machine_of(message.topic)
            queue = queues.get(machine)
            if queue is None:
                queue, weights[machine] = queues.setdefault(machine, deque()), 0
            queue.append(message)
            weights[machine] += _weight(message)
        self._arrived.extend([(each.generation, each.mid) for each in messages if each.qos == 1])
        self._waiting += len(messages)

    def expects_current(self, now_s: float) -> bool:
        """Return whether messages of machines without a backlog are expected; `now_s`: monotonic.

        A backlog begins with few messages, so a machine counts only until it turns out to have one.
        """
        current_s = self._current_s
        for machine, weight in self._weights.items():
            current_s.pop(machine, None)
            if weight <= HEAVIEST_CURRENT:
                current_s[machine] = now_s
        while current_s and now_s - current_s[oldest := next(iter(current_s))] >= CURRENT_FOR_S:
            del current_s[oldest]
        return bool(current_s)

    def step_limit(self, limit: int, *, expects_current: bool) -> int:
        """Return the weight that a step may have, at most `limit`.

        A message of another machine may have to wait for a whole step. So while a backlog waits and other machines
        send, steps are short.
        """
        backlog = max(self._weights.values(), default=0) > HEAVIEST_CURRENT
        return min(limit, SHORT_STEP) if expects_current and backlog else limit

    def take(self, limit: int, *, heaviest: int | None = None) -> list[Message]:
        """Take messages up to a total weight of `limit`, about equally from all machines.

        `heaviest`: machines for which more than this weight waits are left out.
        """
        taken: list[Message] = []
        left = limit
        while left > 0:
            machines = [
                machine for machine, weight in self._weights.items() if heaviest is None or weight <= heaviest
            ]
            if not machines:
                break
            share = max(left // len(machines), 1)
            for machine in machines:
                used = self._take_from(machine, min(share, left), taken)
                left -= used
                if left <= 0:
                    break
        self._waiting -= len(taken)
        return taken

    def _take_from(self, machine: str, quota: int, taken: list[Message]) -> int:
        """Take a machine's messages up to a weight of `quota`, but at least one; return their weight."""
        queue, waiting = self._queues.pop(machine), self._weights.pop(machine)
        if waiting <= quota:
            taken += queue
            return waiting
        used = 0
        while queue and used < quota:
            taken.append(queue.popleft())
            used += _weight(taken[-1])
        if queue:
            self._queues[machine], self._weights[machine] = queue, waiting - used
        return used

    def put_back(self, messages: Sequence[Message]) -> None:
        """Put messages that were taken, in this order, before all others of their machines."""
        for message in reversed(messages):
            machine = self._machine_of(message.topic)
            self._queues.setdefault(machine, deque()).appendleft(message)
            self._weights[machine] = self._weights.get(machine, 0) + _weight(message)
        self._waiting += len(messages)

    def done(self, messages: Iterable[Message]) -> list[tuple[int, int]]:
        """Mark messages as done; return (generation, mid) of those to acknowledge now, in order of arrival."""
        done, arrived = self._done, self._arrived
        done.update([(message.generation, message.mid) for message in messages if message.qos == 1])
        acknowledgeable = []
        while arrived and arrived[0] in done:
            acknowledgeable.append(arrived.popleft())
            done.remove(acknowledgeable[-1])
        return acknowledgeable


def _weight(message: Message) -> int:
    return 1 + len(message.payload) // WEIGHT_BYTES
