"""The subscriber: a supervised network thread that fills a bounded queue.

Messages are acknowledged only when the caller has finished with them, so after a crash the broker sends them again.
While the queue is full nothing is read and the broker keeps the rest; pings continue.
"""

import contextlib
import random
import socket
import threading
import time
from collections import deque
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import Final

import paho.mqtt.client as paho

from strikewatch.core.instant import Instant
from strikewatch.errors import BrokerError
from strikewatch.sources.decode import topic
from strikewatch.sources.mqtt.fair_queue import Message
from strikewatch.sources.mqtt.inbox import Inbox
from strikewatch.sources.mqtt.publish_packets import Publish
from strikewatch.sources.mqtt.session import SESSION_TAKEN_OVER, Connection, ConnectionLostError
from strikewatch.sources.mqtt.settings import Settings

CONNECTING: Final = "connecting"
"""Status before the result of the first attempt is known."""
IN_USE: Final = "another client uses the processor's client id at the broker"
_POLL_S: Final = 0.5
_MAX_ACKS_PER_POLL: Final = 1000
"""Maximum number of acknowledgements written before reading again: a backlog is acknowledged all at once."""
_MAX_OUTGOING: Final = 1000
"""Maximum number of our own messages that wait for the network thread; of more, the oldest are dropped."""
_MIB: Final = 1024 * 1024
_MAX_TOPIC_BYTES: Final = 4 * 512
"""Longer topics, of over 512 characters, are cut, and rejected: MQTT allows 65,535 bytes, and a sender of many would
fill the memory."""


@dataclass(frozen=True)
class Status:
    """State of the connection. `since_ns`: when `connected` last changed. `grants`: what the broker allows, by filter.

    `generation`: number of the connection; `resumed`: the broker still had our session; `queued`: messages not taken
    yet; `full`: reading has stopped; `takeovers`: consecutive takeovers by other clients; `in_use`: they have reached
    the limit; `new_sessions`: number of connections for which the broker had no session.
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
    in_use: bool = False
    new_sessions: int = 0


class Subscriber:
    """Receive `{prefix}/+/+/samples`, `.../events` and more: `start`, `take` and `acknowledge` alternately, `stop`.

    The settings must give a client id. `clock` is the wall clock that stamps messages. `filters`: more topic filters,
    with the QoS of each; `machine_of` returns the machine that a topic other than the contract's belongs to.
    `unwanted`: filters that an earlier run subscribed to and this one does not.
    """

    def __init__(
        self,
        settings: Settings,
        clock: Callable[[], Instant] = time.time_ns,
        *,
        filters: Mapping[str, int] = {},  # never changed
        machine_of: Callable[[str], str | None] = lambda _topic: None,
        unwanted: Collection[str] = (),
    ) -> None:
        if settings.client_id is None:
            raise ValueError("the subscriber needs a client id: see Settings.with_client_id")
        self._settings = settings
        self._clock = clock
        self.filters: Final = {**filters, **dict.fromkeys(topic.filters(settings.prefix), 1)}
        """All topic filters that are subscribed to, and the QoS of each."""
        self._unwanted = [each for each in unwanted if each not in self.filters]
        self._machine_of_mapped = machine_of
        self._inbox = Inbox(
            self._machine_of, settings.queue_limit, settings.queue_limit_mib * _MIB, self._wake
        )
        self._outgoing: deque[tuple[str, bytes]] = deque(maxlen=_MAX_OUTGOING)
        self._lock = threading.Lock()  # of the status
        self._stopping = threading.Event()
        self._failure: BaseException | None = None
        self._takeovers = 0  # used by the network thread only
        self._status = Status(connected=False, since_ns=clock(), reason="not started")
        self._wake_read, self._wake_write = socket.socketpair()
        self._wake_read.setblocking(False)
        self._wake_write.setblocking(False)
        self._thread = threading.Thread(target=self._run_supervised, name="mqtt", daemon=True)

    def start(self) -> None:
        """Start the network thread. It keeps trying to connect; `status` gives the reason while it cannot."""
        self._update_status(reason=CONNECTING)
        self._thread.start()

    def take(self, limit: int, timeout_s: float) -> list[Message]:
        """Take up to `limit` messages, hammers in turn; wait up to `timeout_s` for the first. A hammer's stay in order.

        A large message counts as several. Raises BrokerError once the network thread has ended, with its exception as
        the cause.
        """
        self._inbox.wait(timeout_s)
        if self._failure is not None:
            raise BrokerError(f"no longer connected to the broker: {self._failure}") from self._failure
        return self._inbox.take(limit)

    def acknowledge(self, messages: Iterable[Message]) -> None:
        """Acknowledge messages that were taken, in order of arrival, each once all before it are done. Thread-safe.

        Messages of an earlier connection are left out: the broker sends them again, and may already use their packet id
        for a new message.
        """
        self._inbox.done(messages)

    def put_back(self, messages: Sequence[Message]) -> None:
        """Let messages be taken again, before later ones of the same hammers."""
        self._inbox.put_back(messages)

    def publish(self, topic: str, payload: bytes) -> None:
        """Publish a request at QoS 0, which may be lost: it is dropped without a connection. Thread-safe."""
        with self._lock:
            if not self._status.connected:
                return
            self._outgoing.append((topic, payload))
        self._wake()

    def status(self) -> Status:
        """Return the current state of the connection."""
        with self._lock:
            return replace(self._status, queued=len(self._inbox), full=not self._inbox.room())

    def stop(self) -> None:
        """Send the remaining acknowledgements and disconnect; the broker keeps the session. Idempotent."""
        self._stopping.set()
        self._inbox.end()
        self._wake()
        if self._thread.ident is not None:
            self._thread.join()
        self._wake_read.close()
        self._wake_write.close()

    def _wake(self) -> None:
        with contextlib.suppress(BlockingIOError, OSError):
            self._wake_write.send(b"!")

    def _machine_of(self, name: str) -> str:
        """Return the machine that a topic belongs to: messages of one machine stay in order."""
        prefix = self._settings.prefix
        return (not topic.is_own(name, prefix) and self._machine_of_mapped(name)) or topic.machine(
            name, prefix
        )

    def _update_status(self, **changes: object) -> None:
        with self._lock:
            if changes.get("connected", self._status.connected) != self._status.connected:
                changes["since_ns"] = self._clock()
            self._status = replace(self._status, **changes)  # type: ignore[arg-type]  # the names are its fields

    # The methods below run in the network thread.

    def _update_takeovers(self, takeovers: int, **changes: object) -> None:
        self._takeovers = takeovers
        in_use = takeovers >= self._settings.takeover_limit
        self._update_status(takeovers=takeovers, in_use=in_use, **changes)

    def _run_supervised(self) -> None:
        try:
            self._run()
            self._update_status(connected=False, reason="stopped")
        except BaseException as error:  # noqa: BLE001  # handed to the caller of `take`, whatever it is
            self._update_status(connected=False, reason=str(error) or repr(error))
            self._failure = error
        self._inbox.end()

    def _run(self) -> None:
        settings = self._settings
        generation = failures = 0
        while not self._stopping.is_set():
            generation += 1
            began = time.monotonic()
            connection = self._new_connection(generation)
            try:
                connection.open(self._wake_read.fileno())
                self._serve(connection, generation)
            except (OSError, ConnectionLostError) as error:
                lost, held_s = error, time.monotonic() - began
            else:
                return
            finally:
                connection.close()
            failures = 0 if connection.ready else failures + 1
            takeovers = 0 if held_s > settings.takeover_window_s or not connection.ready else self._takeovers
            if self._taken_over(connection, lost, held_s):
                takeovers += 1
            self._update_takeovers(takeovers, connected=False, reason=_describe(lost, settings))
            delay_s = settings.reconnect_delay_s(max(failures, takeovers))
            self._stopping.wait(delay_s * random.uniform(0.8, 1.2))

    def _new_connection(self, generation: int) -> Connection:
        def on_messages(found: list[Publish]) -> None:
            now = self._clock()
            self._inbox.put(
                [
                    Message(_topic_text(topic), payload, now, mid, qos, generation, dup, retained)
                    for topic, payload, mid, qos, dup, retained in found
                ]
            )

        def on_message(message: paho.MQTTMessage) -> None:
            name, payload = _topic_text(message._topic), bytes(message.payload)
            now, mid, retained = self._clock(), message.mid, message.retain
            self._inbox.put(
                [Message(name, payload, now, mid, message.qos, generation, message.dup, retained)]
            )

        def on_ready(resumed: bool) -> None:
            self._update_status(
                connected=True,
                reason="connected",
                generation=generation,
                resumed=resumed,
                grants={},
                new_sessions=self._status.new_sessions + (not resumed),
            )

        def on_grant(grants: dict[str, str]) -> None:
            bad = [f"{name}: {grant}" for name, grant in grants.items() if not grant.startswith("Granted")]
            reason = (
                f"connected, but the broker denies a subscription: {'; '.join(bad)}" if bad else "connected"
            )
            self._update_status(grants=grants, reason=reason)

        return Connection(
            self._settings, self.filters, self._unwanted, on_messages, on_message, on_ready, on_grant
        )

    def _serve(self, connection: Connection, generation: int) -> None:
        """Run the connection until `stop` is called. Raises ConnectionLostError."""
        began = time.monotonic()
        self._outgoing.clear()
        while True:
            if self._takeovers and time.monotonic() - began > self._settings.takeover_window_s:
                self._update_takeovers(0)
            stopping = self._stopping.is_set()
            with contextlib.suppress(BlockingIOError):
                self._wake_read.recv(4096)
            most = None if stopping else _MAX_ACKS_PER_POLL
            connection.acknowledge(self._inbox.acknowledgeable(generation, most))
            while self._outgoing:
                connection.publish(*self._outgoing.popleft())
            if stopping:
                return
            if self._inbox.has_acknowledgeable:
                self._wake()
            connection.poll(_POLL_S, self._inbox.room)
            self._inbox.notify()

    def _taken_over(self, connection: Connection, lost: Exception, held_s: float) -> bool:
        """Tell whether another client took over the session.

        MQTT 5 has a reason code for it. Without one (MQTT 3.1.1, some brokers), a connection closed soon and without a
        reason counts. A rival that waits longer after each takeover, as this subscriber does, closes it later each
        time.
        """
        if not isinstance(lost, ConnectionLostError) or not connection.ready:
            return False
        return lost.code == SESSION_TAKEN_OVER or (
            lost.code == 0 and held_s <= 2 * self._settings.reconnect_delay_s(self._takeovers + 1)
        )


def _topic_text(name: bytes) -> str:
    if len(name) > _MAX_TOPIC_BYTES:
        return name[:_MAX_TOPIC_BYTES].decode(errors="replace") + "…"  # nothing takes such a topic
    return _decode_topic(name)


@lru_cache(maxsize=32_768)
def _decode_topic(name: bytes) -> str:
    try:
        return name.decode()
    except UnicodeDecodeError:
        return "(not UTF-8)"


def _describe(error: Exception, settings: Settings) -> str:
    """Return in plain words why there is no connection."""
    if isinstance(error, ConnectionLostError):
        return str(error)
    where = f"{settings.host}:{settings.port}"
    return f"cannot connect to {where}: {error}"
