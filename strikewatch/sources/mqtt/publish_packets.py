"""Read messages at QoS 0 and 1 from the bytes received, and write acknowledgements.

The MQTT client's state machine handles each packet in some thirty steps of Python, and keeps nothing of such a message
when acknowledgements are sent by hand. So whole PUBLISH packets at QoS 0 and 1, the bulk of all traffic, are read here;
everything else is left to the client: other packets, incomplete ones, topic aliases and long properties. Of a large
message the client would hold three copies while it reads it; `LargePublish` holds one.
Section numbers are those of MQTT 3.1.1 and 5.0 (OASIS).
"""

import io
import struct
from collections.abc import Iterable
from typing import Final, NamedTuple

_PUBLISH: Final = 0x30  # section 3.3.1
_KIND: Final = 0xF4
"""Bits of the first byte that are those of `_PUBLISH` at QoS 0 and 1."""
_DUP: Final = 0x08
_QOS_1: Final = 0x02
_RETAIN: Final = 0x01
_CONTINUES: Final = 0x80
_LONGEST_LENGTH: Final = 4
_ACKNOWLEDGEMENT: Final = struct.Struct(">HH")
_PUBACK: Final = 0x4002  # section 3.4: packet type and two bytes more


class Publish(NamedTuple):
    """A message. `mid`: packet identifier, 0 at QoS 0; `dup`: it may have been sent before.

    `retained`: the broker had kept it from before the subscription.
    """

    topic: bytes
    payload: bytes
    mid: int
    qos: int
    dup: bool
    retained: bool


def read_publishes(data: bytes, at: int, most: int, *, has_properties: bool) -> tuple[list[Publish], int]:
    """Read up to `most` messages from position `at` on; return them, and the position of the first byte not read.

    `has_properties`: the version is MQTT 5.
    """
    found: list[Publish] = []
    available = len(data)
    while len(found) < most and available - at >= 2 and data[at] & _KIND == _PUBLISH:
        last = at + 1  # byte of the remaining length, section 2.2.3
        length = data[last] & ~_CONTINUES
        while data[last] & _CONTINUES and last < at + _LONGEST_LENGTH and last + 1 < available:
            last += 1
            length |= (data[last] & ~_CONTINUES) << 7 * (last - at - 1)
        topic_at, end = last + 3, last + 1 + length
        if data[last] & _CONTINUES or end > available or topic_at > end:
            break
        topic_end = topic_at + (data[last + 1] << 8 | data[last + 2])
        qos = (data[at] & _QOS_1) >> 1
        start = after_mid = topic_end + 2 * qos
        if has_properties and start < end:
            if data[start] & _CONTINUES:
                break
            start += 1 + data[start]
        if start > end or topic_end == topic_at or (has_properties and start == after_mid):
            break
        mid = data[topic_end] << 8 | data[topic_end + 1] if qos else 0
        dup, retained = data[at] & _DUP != 0, data[at] & _RETAIN != 0
        found.append(Publish(data[topic_at:topic_end], data[start:end], mid, qos, dup, retained))
        at = end
    return found, at


class LargePublish:
    """A message whose payload is received in parts and kept once. `left`: bytes that are still to come."""

    def __init__(self, head: Publish, left: int, max_bytes: int) -> None:
        """`head`: the message with the payload so far. Bytes beyond `max_bytes` of payload are dropped."""
        self.left = left
        self._head = head
        self._max_bytes = max_bytes
        self._payload = io.BytesIO()
        self._keep(head.payload)

    def add(self, data: bytes) -> None:
        """Add the next bytes of the payload, at most `left`."""
        self.left -= len(data)
        self._keep(data)

    def _keep(self, data: bytes) -> None:
        self._payload.write(data[: max(self._max_bytes - self._payload.tell(), 0)])

    def whole(self) -> Publish:
        """Return the complete message."""
        return self._head._replace(payload=self._payload.getvalue())  # getvalue shares its buffer: no copy


def begin_large(
    data: bytes, at: int, larger_than: int, max_bytes: int, *, has_properties: bool
) -> LargePublish | None:
    """Begin the message at position `at` if it is at QoS 0 or 1, longer than `larger_than` bytes and not complete.

    All of `data` then belongs to it. `max_bytes`: see `LargePublish`. Returns None for everything else, and where the
    part before the payload has not arrived.
    """
    head_bytes = data[at : at + 1 + _LONGEST_LENGTH]
    if len(head_bytes) < 1 + _LONGEST_LENGTH or head_bytes[0] & _KIND != _PUBLISH:
        return None
    length, last = 0, at
    for shift in range(0, 7 * _LONGEST_LENGTH, 7):
        last += 1
        length |= (data[last] & ~_CONTINUES) << shift
        if not data[last] & _CONTINUES:
            break
    arrived = len(data) - last - 1
    if length <= larger_than or arrived >= length:
        return None
    # the same packet, cut short: its length is that of what has arrived
    cut = data[at : at + 1] + _variable_length(arrived) + data[last + 1 :]
    found, _ = read_publishes(cut, 0, 1, has_properties=has_properties)
    return LargePublish(found[0], length - arrived, max_bytes) if found else None


def _variable_length(length: int) -> bytes:
    """Encode a remaining length, section 2.2.3."""
    encoded = bytearray()
    while length > ~_CONTINUES & 0xFF:
        encoded.append(length & ~_CONTINUES & 0xFF | _CONTINUES)
        length >>= 7
    return bytes([*encoded, length])


def acknowledgements(mids: Iterable[int]) -> bytes:
    """Return the packets that acknowledge messages, the same in both versions."""
    return b"".join([_ACKNOWLEDGEMENT.pack(_PUBACK, mid) for mid in mids])
