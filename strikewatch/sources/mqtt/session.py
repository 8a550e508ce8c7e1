"""One connection to the broker, from CONNECT to its end. Everything here runs in the network thread.

Only the state machine of the MQTT client is used. The loop is our own, so that reading can stop while pings continue.
"""

import contextlib
import selectors
import ssl
import time
from collections.abc import Callable, Collection, Iterable, Mapping
from typing import Any, Final

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from strikewatch.sources.decode.strict_json import MAX_BYTES
from strikewatch.sources.mqtt.connect import BufferedSocket, open_socket, read_password, tls_context
from strikewatch.sources.mqtt.publish_packets import (
    LargePublish,
    Publish,
    acknowledgements,
    begin_large,
    read_publishes,
)
from strikewatch.sources.mqtt.settings import Settings

SESSION_TAKEN_OVER: Final = 0x8E
_PACKETS_PER_READ: Final = 500
"""Maximum number of packets read before acknowledgements and pings are sent."""
_LARGE_BYTES: Final = 64 * 1024
"""Messages from this size on are received in parts if they are not complete."""
_LINGER_S: Final = 2.0
_PINGREQ: Final = b"\xc0\x00"
_REFUSED: Final = {
    0x85: "the broker does not accept the client id",
    0x86: "the broker refuses the user name or the password",
    0x87: "the broker refuses the user name or the password, or does not allow us in",
    0x8A: "the broker has banned us",
}


class ConnectionLostError(Exception):
    """The connection ended. `code` is the reason code of MQTT 5, or 0 where none was given."""

    def __init__(self, reason: str, code: int = 0) -> None:
        self.code = code
        super().__init__(reason)


class _Client(paho.Client):
    """The client on a buffered socket, over TLS if there is a context: always with the host's name verified."""

    buffered: BufferedSocket | None = None
    context: ssl.SSLContext | None = None

    def _create_socket(self) -> Any:
        self.buffered = BufferedSocket(open_socket(self.host, self.port, self.connect_timeout, self.context))
        return self.buffered


class Connection:
    """One connection: `open`, then `poll` until it raises ConnectionLostError or you `close` it."""

    def __init__(
        self,
        settings: Settings,
        filters: Mapping[str, int],
        unwanted: Collection[str],
        on_messages: Callable[[list[Publish]], None],
        on_message: Callable[[paho.MQTTMessage], None],
        on_ready: Callable[[bool], None],
        on_grant: Callable[[dict[str, str]], None],
    ) -> None:
        """`filters`: what to subscribe to, with the QoS of each. `unwanted`: filters of an earlier run to unsubscribe.

        `on_messages` gets messages read from the buffer, `on_message` one read by the client.

        `on_ready` gets whether the broker still had our session, `on_grant` what it granted by filter.
        """
        self._settings = settings
        self._filters = dict(filters)
        self._unwanted = list(unwanted)
        self._on_messages = on_messages
        self._on_ready = on_ready
        self._on_grant = on_grant
        self._end: ConnectionLostError | None = None
        self._large: LargePublish | None = None
        self.ready = False
        five = settings.version == "5"
        self._client = client = _Client(
            CallbackAPIVersion.VERSION2,
            client_id=settings.client_id,
            clean_session=None if five else False,
            protocol=MQTTProtocolVersion.MQTTv5 if five else MQTTProtocolVersion.MQTTv311,
            reconnect_on_failure=False,
            manual_ack=True,
        )
        client.on_connect = self._connected
        client.on_disconnect = self._disconnected
        client.on_subscribe = self._subscribed
        client.on_message = lambda _client, _userdata, message: on_message(message)
        client.on_socket_register_write = lambda *_: None  # packets are queued, and written by `poll`
        self._selector = selectors.DefaultSelector()
        self._watched = 0
        self._ping_due = self._reading_since = time.monotonic()
        self._deadline = self._reading_since + settings.connect_timeout_s
        self._subscribe_due: float | None = None

    def open(self, wake: int) -> None:
        """Connect; `wake` is a file descriptor that wakes up `poll`. Raises OSError (ssl's errors included)."""
        settings, client = self._settings, self._client
        if settings.username is not None:
            client.username_pw_set(settings.username, read_password(settings))
        client.context = tls_context(settings)
        client.connect_timeout = settings.connect_timeout_s
        if settings.version == "5":
            kept = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]  # paho leaves it untyped
            kept.SessionExpiryInterval = settings.session_expiry_s
            kept.ReceiveMaximum = settings.inflight_limit
            client.connect(
                settings.host, settings.port, settings.keepalive_s, clean_start=False, properties=kept
            )
        else:
            client.connect(settings.host, settings.port, settings.keepalive_s)
        self._selector.register(wake, selectors.EVENT_READ, "wake")

    def poll(self, timeout_s: float, room: Callable[[], int]) -> None:
        """Write what is due, wait up to `timeout_s`, and read a burst of packets with as many messages as `room`.

        Raises ConnectionLostError once the connection has ended.
        """
        socket = self._client.buffered
        assert socket is not None
        reading = room() > 0
        try:
            self._client.loop_write()
            self._watch(socket, reading, writing=socket.flush())
            ready = {
                key.data for key, _ in self._selector.select(0 if reading and socket.pending() else timeout_s)
            }
            if reading and ("socket" in ready or socket.pending()):
                self._read(socket, room)
            self._check_liveness(socket, reading)
        except OSError as error:
            raise ConnectionLostError(f"the connection broke: {error}") from error
        if self._end is not None:
            raise self._end

    def acknowledge(self, mids: Iterable[int]) -> None:
        """Queue acknowledgements, in this order; the next `poll` writes them."""
        if self._client.buffered is not None:
            self._client.buffered.send(acknowledgements(mids))

    def publish(self, topic: str, payload: bytes) -> None:
        """Queue a message at QoS 0; the next `poll` writes it."""
        self._client.publish(topic, payload, qos=0)

    def close(self) -> None:
        """Disconnect cleanly if possible; the broker keeps the session."""
        client = self._client
        if client.buffered is not None:
            client.buffered.linger_s = _LINGER_S if self.ready and self._end is None else 0.0
        self._end = self._end or ConnectionLostError("closed")
        with contextlib.suppress(OSError):
            client.disconnect()
            client.loop_write()
        if client.buffered is not None:
            client.buffered.close()
        self._selector.close()

    def _read(self, socket: BufferedSocket, room: Callable[[], int]) -> None:
        """Read messages at QoS 0 and 1 from the buffer, many at once, and all other packets by the client."""
        if not socket.fill():
            if self._large is None or socket.ended:
                self._client.loop_read()  # it notices that the connection has ended
            return
        five = self._settings.version == "5"
        for _ in range(_PACKETS_PER_READ):
            if self._large is None and self.ready and not self._client._in_packet["command"]:
                # the client holds no part of a packet
                most = min(room(), _PACKETS_PER_READ)
                found, socket.position = read_publishes(
                    socket.received, socket.position, most, has_properties=five
                )
                if found:
                    self._on_messages(found)
                if room():
                    self._begin_large(socket, five)
            if self._large is not None:
                if not socket.fill():
                    break
                self._read_large(socket, self._large)
            elif not socket.pending() or not room() or self._client.loop_read() or self._end is not None:
                break

    def _begin_large(self, socket: BufferedSocket, has_properties: bool) -> None:
        """Begin to read a large message if the rest of the buffer is the first part of one."""
        self._large = begin_large(
            socket.received,
            socket.position,
            _LARGE_BYTES,
            MAX_BYTES + 1,  # so that a longer one is still found to be too large
            has_properties=has_properties,
        )
        if self._large is not None:
            socket.position = len(socket.received)

    def _read_large(self, socket: BufferedSocket, large: LargePublish) -> None:
        """Read the next bytes of a large message; some must be in the buffer."""
        large.add(socket.recv(large.left))
        if not large.left:
            self._large = None
            self._on_messages([large.whole()])

    def _check_liveness(self, socket: BufferedSocket, reading: bool) -> None:
        now = time.monotonic()
        if not self.ready:
            if now >= self._deadline and self._end is None:
                self._end = ConnectionLostError("the broker does not answer the connect")
            return
        if self._subscribe_due is not None and now >= self._subscribe_due:
            self._subscribe()
        if now >= self._ping_due:
            self._ping_due = now + self._settings.keepalive_s / 2
            socket.send(_PINGREQ)
        if not reading:
            self._reading_since = now  # the answers to our pings are unread behind messages
        elif (
            now - max(socket.last_received, self._reading_since) >= self._settings.dead_after_s
            and self._end is None
        ):
            self._end = ConnectionLostError("the broker no longer answers")

    def _watch(self, socket: BufferedSocket, reading: bool, writing: bool) -> None:
        wanted = (selectors.EVENT_READ if reading else 0) | (selectors.EVENT_WRITE if writing else 0)
        if wanted != self._watched:
            if self._watched:
                self._selector.unregister(socket.fileno())
            if wanted:
                self._selector.register(socket.fileno(), wanted, "socket")
            self._watched = wanted

    def _subscribe(self) -> None:
        self._subscribe_due = None
        if self._settings.version == "5":
            new_only = SubscribeOptions.RETAIN_SEND_IF_NEW_SUB
            self._client.subscribe(
                [
                    (each, SubscribeOptions(qos=qos, retainHandling=new_only))
                    for each, qos in self._filters.items()
                ]
            )
        else:
            self._client.subscribe(list(self._filters.items()))

    def _connected(
        self, _client: Any, _userdata: Any, flags: paho.ConnectFlags, reason: ReasonCode, _properties: Any
    ) -> None:
        if reason.is_failure:
            said = _REFUSED.get(reason.value, f"the broker refuses the connection: {reason}")
            self._end = ConnectionLostError(said, reason.value)
            return
        self.ready = True
        self._on_ready(flags.session_present)
        if self._unwanted and flags.session_present:
            self._client.unsubscribe(self._unwanted)
        self._subscribe()

    def _subscribed(
        self, _client: Any, _userdata: Any, _mid: int, reasons: list[ReasonCode], _properties: Any
    ) -> None:
        grants = {
            each: str(reason) if reason.is_failure or reason.value == qos else f"only {reason}"
            for (each, qos), reason in zip(self._filters.items(), reasons, strict=False)
        }
        if any(reason.is_failure for reason in reasons):
            self._subscribe_due = time.monotonic() + self._settings.reconnect_max_s
        self._on_grant(grants)

    def _disconnected(
        self, _client: Any, _userdata: Any, flags: paho.DisconnectFlags, reason: ReasonCode, _properties: Any
    ) -> None:
        if self._end is not None:
            return
        if not flags.is_disconnect_packet_from_server:
            self._end = ConnectionLostError("the broker closed the connection, or no longer answers")
        elif reason.value == SESSION_TAKEN_OVER:
            self._end = ConnectionLostError("another instance took over our session", reason.value)
        else:
            self._end = ConnectionLostError(f"the broker ended the connection: {reason}", reason.value)
