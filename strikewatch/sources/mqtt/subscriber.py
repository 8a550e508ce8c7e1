"""The subscriber: a supervised network thread that fills a bounded queue.

Messages are acknowledged only when the caller says so, so a crash anywhere means that the broker sends them again.
When the queue is full nothing is read any more, and the broker keeps the rest; pings go on.
"""

import contextlib
import random
import socket
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from typing import Final

import paho.mqtt.client as paho

from strikewatch.core.instant import Instant
from strikewatch.errors import BrokerError
from strikewatch.sources.decode import topic
from strikewatch.sources.mqtt.fair_queue import Fair, Message
from strikewatch.sources.mqtt.session import SESSION_TAKEN_OVER, Link, LinkLostError
from strikewatch.sources.mqtt.settings import Settings

CONNECTING: Final = "connecting"
"""Why there is no connection, before the first attempt has come to anything."""
_TURN_S: Final = 0.5
_POURING: Final = 20
"""More messages than this between two turns: somebody sends what was kept."""
_LONG: Final = 20
"""More messages than this waiting are a backlog."""
_BREATH_S: Final = 0.003
_ACKNOWLEDGED: Final = 100
"""At most so many acknowledgements are written before what has come is read: hours are acknowledged at once."""
_MIB: Final = 1024 * 1024


@dataclass(frozen=True)
class Status:
    """How things stand with the broker. `since_ns`: of `connected`. `grants`: per filter what the broker allows.

    `generation`: the connection's number; `resumed`: whether the broker still had our session; `queued`: messages not
    yet taken; `full`: we have stopped reading; `takeovers`: by other instances, in a row.
    """

    connected: bool
    since_ns: Instant
    reason: str
    generation: int = 0
    resumed: bool = False
    grants: dict[str, str] = field(default_factory=dict)
    queued: int = 0
    full: bool = False
    takeovers: int = 0


class Subscriber:
    """Takes in `{prefix}/+/+/samples` and `.../events`. `start`, then `take` and `acknowledge` in turns, then `stop`.

    `clock` is the wall clock that stamps messages.
    """

    def __init__(self, settings: Settings, clock: Callable[[], Instant] = time.time_ns) -> None:
        self._settings = settings
        self._clock = clock
        self._filters = topic.filters(settings.prefix)
        self._queue: deque[Message] = deque()  # filled by the network thread
        self._fair = Fair(lambda name: topic.machine(name, settings.prefix))  # used under the lock only
        self._bytes_in = 0  # written by the network thread only
        self._bytes_out = 0  # written under the lock only
        self._done: deque[tuple[int, int]] = deque()
        self._changed = threading.Condition()
        self._stopping = threading.Event()
        self._failure: BaseException | None = None
        self._status = Status(connected=False, since_ns=clock(), reason="not started")
        self._wake_read, self._wake_write = socket.socketpair()
        self._wake_read.setblocking(False)
        self._wake_write.setblocking(False)
        self._thread = threading.Thread(target=self._supervised, name="mqtt", daemon=True)

    def start(self) -> None:
        """Begin. Where the broker cannot be reached it is tried again for ever; `status` says why."""
        self._say(reason=CONNECTING)
        self._thread.start()

    def take(self, limit: int, timeout_s: float) -> list[Message]:
        """Up to `limit` messages, each hammer in its turn and its own in order; waits up to `timeout_s` for the first.

        Large ones count for several. In order of arrival they are acknowledged, whatever the order in which they are
        done with.
        Raises BrokerError once the network thread has ended, with its exception as the cause.
        """
        with self._changed:
            self._changed.wait_for(
                lambda: self._waiting() or self._failure or self._stopping.is_set(), timeout_s
            )
            if self._failure is not None:
                raise BrokerError(f"no longer connected to the broker: {self._failure}") from self._failure
            was_full = self._full()
            came = len(self._queue)
            for _ in range(came):
                self._fair.put(self._queue.popleft())
            # Hours are coming in: they wait until they are here, so that what is of now gets through the line.
            pouring = came > _POURING and 2 * self._waiting() < self._settings.queue_limit
            taken = self._fair.take(limit, longest=_LONG if pouring else None)
            self._bytes_out += sum(len(message.payload) for message in taken)
        if was_full:
            self._wake()
        if pouring and not taken:
            time.sleep(_BREATH_S)
        return taken

    def acknowledge(self, messages: Iterable[Message]) -> None:
        """Tell the broker that these are done with, in order of arrival: once all before them are. Thread-safe.

        Those of an earlier connection are left out: the broker sends them again, and may by now use their number for a
        new message.
        """
        with self._changed:
            self._done.extend(self._fair.done(messages))
        self._wake()

    def status(self) -> Status:
        """How things stand now."""
        with self._changed:
            return replace(self._status, queued=self._waiting(), full=self._full())

    def stop(self) -> None:
        """Write the acknowledgements still due, and part cleanly; the broker keeps our session. Idempotent."""
        with self._changed:
            self._stopping.set()
            self._changed.notify_all()
        self._wake()
        if self._thread.ident is not None:
            self._thread.join()
        self._wake_read.close()
        self._wake_write.close()

    def _wake(self) -> None:
        with contextlib.suppress(BlockingIOError, OSError):
            self._wake_write.send(b"!")

    def _waiting(self) -> int:
        return len(self._queue) + len(self._fair)

    def _full(self) -> bool:
        queued_bytes = self._bytes_in - self._bytes_out
        return (
            self._waiting() >= self._settings.queue_limit
            or queued_bytes >= self._settings.queue_limit_mib * _MIB
        )

    def _say(self, **changes: object) -> None:
        with self._changed:
            if changes.get("connected", self._status.connected) != self._status.connected:
                changes["since_ns"] = self._clock()
            self._status = replace(self._status, **changes)  # type: ignore[arg-type]  # the names are its fields

    # From here on: the network thread.

    def _supervised(self) -> None:
        try:
            self._run()
            self._say(connected=False, reason="stopped")
        except BaseException as error:  # noqa: BLE001  # handed to the caller of `take`, whatever it is
            self._say(connected=False, reason=str(error) or repr(error))
            self._failure = error
        with self._changed:
            self._changed.notify_all()

    def _run(self) -> None:
        settings = self._settings
        generation = failures = takeovers = 0
        while not self._stopping.is_set():
            generation += 1
            began = time.monotonic()
            link = self._link(generation)
            try:
                link.open(self._wake_read.fileno())
                self._serve(link, generation)
            except (OSError, LinkLostError) as error:
                lost, held_s = error, time.monotonic() - began
            else:
                return
            finally:
                link.close()
            failures = 0 if link.ready else failures + 1
            if held_s > settings.takeover_window_s:
                takeovers = 0
            takeovers = (
                takeovers + 1 if self._taken_over(link, lost, held_s) else 0 if not link.ready else takeovers
            )
            self._say(connected=False, reason=_plain(lost, settings), takeovers=takeovers)
            if takeovers >= settings.takeover_limit:
                raise BrokerError(
                    f"client id {settings.client_id!r} is in use by another instance, which took over our session "
                    f"{takeovers} times in a row; stop one of them, or give it its own client_id"
                )
            delay_s = settings.reconnect_delay_s(failures)
            self._stopping.wait(delay_s * random.uniform(0.8, 1.2))

    def _link(self, generation: int) -> Link:
        def on_message(message: paho.MQTTMessage) -> None:
            try:
                name = message.topic
            except UnicodeDecodeError:
                name = "(not UTF-8)"
            payload = bytes(message.payload)
            self._bytes_in += len(payload)
            self._queue.append(
                Message(name, payload, self._clock(), message.mid, message.qos, generation, message.dup)
            )

        def on_ready(resumed: bool) -> None:
            self._say(connected=True, reason="connected", generation=generation, resumed=resumed, grants={})

        def on_grant(grants: dict[str, str]) -> None:
            bad = [f"{name}: {grant}" for name, grant in grants.items() if grant != "Granted QoS 1"]
            reason = (
                f"connected, but the broker denies a subscription: {'; '.join(bad)}" if bad else "connected"
            )
            self._say(grants=grants, reason=reason)

        return Link(self._settings, self._filters, on_message, on_ready, on_grant)

    def _serve(self, link: Link, generation: int) -> None:
        """Until told to stop. Raises LinkLostError."""
        while True:
            stopping = self._stopping.is_set()
            with contextlib.suppress(BlockingIOError):
                self._wake_read.recv(4096)
            link.acknowledge(self._due(generation, None if stopping else _ACKNOWLEDGED))
            if stopping:
                return
            if self._done:
                self._wake()
            link.turn(_TURN_S, reading=not self._full(), full=self._full)
            if self._queue:
                with self._changed:
                    self._changed.notify_all()

    def _due(self, generation: int, most: int | None) -> Iterable[int]:
        for _ in range(len(self._done) if most is None else min(most, len(self._done))):
            of, mid = self._done.popleft()
            if of == generation:
                yield mid

    def _taken_over(self, link: Link, lost: Exception, held_s: float) -> bool:
        """MQTT 5 can say so. MQTT 3.1.1 cannot, some brokers do not: then a line soon closed without a word counts."""
        if not isinstance(lost, LinkLostError) or not link.ready:
            return False
        return lost.code == SESSION_TAKEN_OVER or (
            lost.code == 0 and held_s <= 2 * self._settings.reconnect_min_s
        )


def _plain(error: Exception, settings: Settings) -> str:
    """Why there is no connection, for people."""
    if isinstance(error, LinkLostError):
        return str(error)
    where = f"{settings.host}:{settings.port}"
    return f"cannot connect to {where}: {error}"
