"""One connection to the broker, from CONNECT to its end. Everything here runs in the network thread.

Of the MQTT client only its state machine is used: the loop is ours, so that reading can stop while pings go on, and
that nothing of it happens behind our back.
"""

import contextlib
import selectors
import ssl
import time
from collections.abc import Callable, Iterable
from typing import Any, Final

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from strikewatch.sources.mqtt.buffered_socket import Wire
from strikewatch.sources.mqtt.connect import context_of, dial, password_of
from strikewatch.sources.mqtt.settings import Settings

SESSION_TAKEN_OVER: Final = 0x8E
_BURST: Final = 500
"""Packets read in a row before acknowledgements and pings get their turn."""
_LINGER_S: Final = 2.0
_SILENT: Final = 1.5
"""After so many keepalives of silence, with a ping every half of one, the line is dead: within two it is noticed."""
_PINGREQ: Final = b"\xc0\x00"
_REFUSED: Final = {
    0x85: "the broker does not accept the client id",
    0x86: "the broker refuses the user name or the password",
    0x87: "the broker refuses the user name or the password, or does not allow us in",
    0x8A: "the broker has banned us",
}


class LinkLostError(Exception):
    """The connection ended. `code` is the reason code of MQTT 5, or 0 where none was given."""

    def __init__(self, reason: str, code: int = 0) -> None:
        self.code = code
        super().__init__(reason)


class _Client(paho.Client):
    """The client on a buffered socket, over TLS if there is a context: always with the host's name verified."""

    wire: Wire | None = None
    context: ssl.SSLContext | None = None

    def _create_socket(self) -> Any:
        self.wire = Wire(dial(self.host, self.port, self.connect_timeout, self.context))
        return self.wire


class Link:
    """One connection. `open`, then `turn` until it raises LinkLostError or you `close`."""

    def __init__(
        self,
        settings: Settings,
        filters: tuple[str, ...],
        on_message: Callable[[paho.MQTTMessage], None],
        on_ready: Callable[[bool], None],
        on_grant: Callable[[dict[str, str]], None],
    ) -> None:
        """`on_ready` is told whether the broker still had our session, `on_grant` what it granted per filter."""
        self._settings = settings
        self._filters = filters
        self._on_ready = on_ready
        self._on_grant = on_grant
        self._end: LinkLostError | None = None
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
        client.on_socket_register_write = lambda *_: None  # packets are queued, and written in `turn`
        self._selector = selectors.DefaultSelector()
        self._watched = 0
        self._ping_due = self._reading = time.monotonic()
        self._deadline = self._reading + settings.connect_timeout_s
        self._subscribe_due: float | None = None

    def open(self, wake: int) -> None:
        """Connect; `wake` is a file descriptor that ends a turn's waiting. Raises OSError (ssl's errors included)."""
        settings, client = self._settings, self._client
        if settings.username is not None:
            client.username_pw_set(settings.username, password_of(settings))
        client.context = context_of(settings)
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

    def turn(self, timeout_s: float, reading: bool, full: Callable[[], bool]) -> None:
        """Write what is due, wait up to `timeout_s`, and read a burst of packets unless not `reading` or `full`.

        Raises LinkLostError once the connection has ended.
        """
        wire = self._client.wire
        assert wire is not None
        try:
            self._client.loop_write()
            self._watch(wire, reading, writing=wire.flush())
            ready = {
                key.data for key, _ in self._selector.select(0 if reading and wire.pending() else timeout_s)
            }
            if reading and ("wire" in ready or wire.pending()):
                self._read(wire, full)
            self._upkeep(wire, reading)
        except OSError as error:
            raise LinkLostError(f"the connection broke: {error}") from error
        if self._end is not None:
            raise self._end

    def acknowledge(self, mids: Iterable[int]) -> None:
        """Queue acknowledgements, in this order; the next turn writes them."""
        for mid in mids:
            self._client.ack(mid, 1)

    def close(self) -> None:
        """Say farewell if anyone is there; the broker keeps the session."""
        client = self._client
        if client.wire is not None:
            client.wire.linger_s = _LINGER_S if self.ready and self._end is None else 0.0
        self._end = self._end or LinkLostError("closed")
        with contextlib.suppress(OSError):
            client.disconnect()
            client.loop_write()
        if client.wire is not None:
            client.wire.close()
        self._selector.close()

    def _read(self, wire: Wire, full: Callable[[], bool]) -> None:
        for _ in range(_BURST):
            if self._client.loop_read() or self._end is not None:
                break
            if not wire.pending() or full():
                break

    def _upkeep(self, wire: Wire, reading: bool) -> None:
        now = time.monotonic()
        if not self.ready:
            if now >= self._deadline and self._end is None:
                self._end = LinkLostError("the broker does not answer the connect")
            return
        if self._subscribe_due is not None and now >= self._subscribe_due:
            self._subscribe()
        keepalive_s = self._settings.keepalive_s
        if now >= self._ping_due:
            self._ping_due = now + keepalive_s / 2
            wire.send(_PINGREQ)
        if not reading:
            self._reading = now  # the answers to our pings lie unread behind messages
        elif now - max(wire.heard, self._reading) >= _SILENT * keepalive_s and self._end is None:
            self._end = LinkLostError("the broker no longer answers")

    def _watch(self, wire: Wire, reading: bool, writing: bool) -> None:
        wanted = (selectors.EVENT_READ if reading else 0) | (selectors.EVENT_WRITE if writing else 0)
        if wanted != self._watched:
            if self._watched:
                self._selector.unregister(wire.fileno())
            if wanted:
                self._selector.register(wire.fileno(), wanted, "wire")
            self._watched = wanted

    def _subscribe(self) -> None:
        self._subscribe_due = None
        if self._settings.version == "5":
            options = SubscribeOptions(qos=1, retainHandling=SubscribeOptions.RETAIN_SEND_IF_NEW_SUB)
            self._client.subscribe([(each, options) for each in self._filters])
        else:
            self._client.subscribe([(each, 1) for each in self._filters])

    def _connected(
        self, _client: Any, _userdata: Any, flags: paho.ConnectFlags, reason: ReasonCode, _properties: Any
    ) -> None:
        if reason.is_failure:
            said = _REFUSED.get(reason.value, f"the broker refuses the connection: {reason}")
            self._end = LinkLostError(said, reason.value)
            return
        self.ready = True
        self._on_ready(flags.session_present)
        self._subscribe()

    def _subscribed(
        self, _client: Any, _userdata: Any, _mid: int, reasons: list[ReasonCode], _properties: Any
    ) -> None:
        grants = {
            each: str(reason) if reason.is_failure or reason.value == 1 else f"only {reason}"
            for each, reason in zip(self._filters, reasons, strict=False)
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
            self._end = LinkLostError("the broker closed the connection, or no longer answers")
        elif reason.value == SESSION_TAKEN_OVER:
            self._end = LinkLostError("another instance took over our session", reason.value)
        else:
            self._end = LinkLostError(f"the broker ended the connection: {reason}", reason.value)
