"""Captured messages of gateways: read from files, or heard from the broker for a while."""

import base64
import binascii
import json
import queue
import re
import secrets
import time
from collections.abc import Iterator, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any, Final

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from strikewatch.core import instant
from strikewatch.core.instant import Instant
from strikewatch.errors import BrokerError, InputError
from strikewatch.sources.mapping.authoring.trial import Captured
from strikewatch.sources.mapping.tables import SourceTable
from strikewatch.sources.mqtt.connect import read_password, tls_context
from strikewatch.sources.mqtt.network_thread import disconnect
from strikewatch.sources.mqtt.settings import Settings as Mqtt

MAX_WAITING: Final = 20_000
"""Messages heard and not taken yet; more are not kept, and counted."""
_HEX: Final = re.compile(rb"(?:[0-9A-Fa-f]{2}\s*)+")
_BINARY: Final = ("cbor", "msgpack", "sparkplug")


def read_captures(
    paths: Sequence[Path], received: Instant, topic: str | None = None, source: SourceTable | None = None
) -> list[Captured]:
    """Read captured payloads from files, or from all files of a folder in order of name. Raises InputError.

    A file has one payload, or one a line; with its topic before it, or as JSON with `topic` and `payload`,
    `payload_base64` or `payload_hex`. Binary payloads may be written in hex. `topic`: of payloads without one.
    """
    found: list[Captured] = []
    for path in paths:
        if not path.exists():
            raise InputError(f"{path}: no such file or folder; name a captured payload")
        files = sorted(one for one in path.iterdir() if one.is_file()) if path.is_dir() else [path]
        if not files:
            raise InputError(f"{path}: has no files; name a captured payload")
        for file in files:
            for own, payload, at, retained in _messages(file, topic, source):
                # each has a receipt of its own: a message that comes again is known by it
                found.append(Captured(own, payload, at or received + len(found), retained))
    return found


_Read = tuple[str, bytes, Instant | None, bool]


def _messages(file: Path, topic: str | None, source: SourceTable | None) -> Iterator[_Read]:
    data = file.read_bytes()
    lines = [line.strip() for line in data.splitlines() if line.strip()]
    if lines and all(line.startswith(b"{") and b'"topic"' in line for line in lines):
        with suppress(ValueError):
            tables = [json.loads(line) for line in lines]
            if all("payload" in each or "payload_base64" in each or "payload_hex" in each for each in tables):
                for number, each in enumerate(tables):
                    yield _from_json(f"{file}: line {number + 1}", each)
                return
    if topic is None and lines and all(_topic_of(line, source) for line in lines):
        for line in lines:
            own, _, payload = line.partition(b" ")
            yield own.decode(), _payload(payload.strip(), source), None, False
        return
    topic = topic or _only_topic(file, source)
    for payload in _payloads(data, lines, source):
        yield topic, payload, None, False


def _from_json(place: str, table: dict[str, Any]) -> _Read:
    try:
        at = instant.parse(table["received"]) if "received" in table else None
        if "payload_base64" in table:
            payload = base64.b64decode(table["payload_base64"], validate=True)
        elif "payload_hex" in table:
            payload = bytes.fromhex(table["payload_hex"])
        else:
            written = table["payload"]
            payload = (written if isinstance(written, str) else json.dumps(written)).encode()
        return str(table["topic"]), payload, at, bool(table.get("retained", False))
    except (ValueError, TypeError, AttributeError) as error:
        raise InputError(f"{place}: {error}; see `strikewatch sources listen --to`") from None


def _topic_of(line: bytes, source: SourceTable | None) -> bool:
    """Tell whether a line begins with a topic."""
    from strikewatch.sources.mapping.patterns import Topic

    head, separator, _ = line.partition(b" ")
    try:
        topic = head.decode()
    except UnicodeDecodeError:
        return False
    if not separator or not topic or topic[0] in '{["':
        return False
    if source is None:
        return "/" in topic
    return any(Topic(pattern).covers(topic) for pattern in source.topics)


def _only_topic(file: Path, source: SourceTable | None) -> str:
    if source is not None and len(source.topics) == 1 and not re.search(r"[{+#]", source.topics[0]):
        return source.topics[0]
    like = "" if source is None else f" that {' or '.join(source.topics)} takes"
    raise InputError(f"{file}: name the topic of its payloads with --topic: one{like}")


def _payloads(data: bytes, lines: list[bytes], source: SourceTable | None) -> Iterator[bytes]:
    """Yield the payloads of a file: all of it if that is one, else each line."""
    binary = source is not None and (source.payload in _BINARY or source.packed is not None)
    text = _is_text(data)
    one = source is not None and source.payload in ("csv", "jsonl")
    may_be_json = source is None or source.payload == "json"
    if (binary or source is None) and lines and text and all(map(_HEX.fullmatch, lines)):
        yield from map(_unhex, lines)
    elif binary or one or not text or len(lines) < 2 or (may_be_json and _is_json(data)):
        yield data
    else:
        yield from lines


def _payload(written: bytes, source: SourceTable | None) -> bytes:
    # JSON is never hexadecimal, while a text or a line of values may look like it.
    may_be_hex = source is None or source.payload not in ("text", "csv") or source.packed is not None
    if may_be_hex and len(written) >= 4 and _HEX.fullmatch(written) and not written.isdigit():
        return _unhex(written)
    return written


def _unhex(written: bytes) -> bytes:
    with suppress(binascii.Error, ValueError):
        return bytes.fromhex(written.decode("ascii"))
    return written


def _is_text(data: bytes) -> bool:
    try:
        text = data.decode()
    except UnicodeDecodeError:
        return False
    return all(char.isprintable() or char in "\r\n\t\ufeff" for char in text)


def _is_json(data: bytes) -> bool:
    try:
        json.loads(data)
    except ValueError:
        return False
    return True


def to_json(message: Captured) -> dict[str, Any]:
    """Return a message as a line of a file of captures."""
    head: dict[str, Any] = {"received": instant.text(message.received), "topic": message.topic}
    if message.retained:
        head["retained"] = True
    if _is_text(message.payload):
        return {**head, "payload": message.payload.decode()}
    return {**head, "payload_base64": base64.b64encode(message.payload).decode()}


class Listener:
    """Hears messages of the broker beside the processor: a client id of its own, no kept session, QoS 0.

    Nothing that the broker keeps for the processor is acknowledged or removed. `missed`: messages not kept, since too
    many waited. Use as a context manager; raises BrokerError if the broker cannot be reached or refuses.
    """

    def __init__(self, settings: Mqtt, filters: Sequence[str]) -> None:
        self._settings = settings
        self._filters = list(filters)
        self._heard: queue.Queue[Captured] = queue.Queue(MAX_WAITING)
        self._ready: queue.Queue[str] = queue.Queue()
        self.missed = 0
        five = settings.version == "5"
        self._client = client = paho.Client(
            CallbackAPIVersion.VERSION2,
            client_id=f"strikewatch-listen-{secrets.token_hex(6)}",
            clean_session=None if five else True,
            protocol=MQTTProtocolVersion.MQTTv5 if five else MQTTProtocolVersion.MQTTv311,
        )
        client.on_connect = self._connected
        client.on_subscribe = self._subscribed
        client.on_message = self._message

    def _connected(self, client: paho.Client, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        if reason.is_failure:
            self._ready.put(f"the broker refuses: {reason}")
        else:
            client.subscribe([(each, 0) for each in self._filters])

    def _subscribed(
        self, _client: paho.Client, _data: Any, _mid: int, reasons: Any, _properties: Any
    ) -> None:
        refused = [name for name, reason in zip(self._filters, reasons, strict=False) if reason.is_failure]
        all_refused = len(refused) == len(self._filters)
        self._ready.put(f"the broker refuses to subscribe to {', '.join(refused)}" if all_refused else "")

    def _message(self, _client: paho.Client, _data: Any, message: paho.MQTTMessage) -> None:
        try:
            topic = message.topic
        except UnicodeDecodeError:
            return
        try:
            self._heard.put_nowait(Captured(topic, bytes(message.payload), time.time_ns(), message.retain))
        except queue.Full:
            self.missed += 1

    def __enter__(self) -> "Listener":
        settings = self._settings
        try:
            if settings.username is not None:
                self._client.username_pw_set(settings.username, read_password(settings))
            context = tls_context(settings)
            if context is not None:
                self._client.tls_set_context(context)
            self._client.connect_timeout = settings.connect_timeout_s
            self._client.connect(settings.host, settings.port, settings.keepalive_s)
        except OSError as error:
            where = f"{settings.host} port {settings.port}"
            raise BrokerError(
                f"the broker at {where} cannot be reached ({error}); see `strikewatch check`"
            ) from None
        self._client.loop_start()
        try:
            problem = self._ready.get(timeout=settings.connect_timeout_s)
        except queue.Empty:
            problem = "the broker does not answer"
        if problem:
            self.__exit__()
            raise BrokerError(f"{problem}; see `strikewatch check`, and the broker's access list")
        return self

    def __exit__(self, *_: object) -> None:
        disconnect(self._client)

    def messages(self, seconds: float) -> Iterator[Captured]:
        """Yield what is heard in the next seconds."""
        end = time.monotonic() + seconds
        while (left := end - time.monotonic()) > 0:
            try:
                yield self._heard.get(timeout=min(left, 0.2))
            except queue.Empty:
                continue
