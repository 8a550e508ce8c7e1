"""Messages at QoS 0 and 1 are read from the bytes received; everything else is left to the MQTT client."""

from hypothesis import given
from hypothesis import strategies as st

from strikewatch.sources.mqtt.publish_packets import Publish, acknowledgements, begin_large, read_publishes

OTHERS = (
    b"\x40\x02\x00\x01",  # PUBACK
    b"\xd0\x00",  # PINGRESP
    b"\x30\x03\x00\x00\x00",  # a topic alias at QoS 0
    b"\x34\x06\x00\x01a\x00\x01b",  # PUBLISH at QoS 2
    b"\x32\x04\x00\x00\x00\x01",  # a topic alias in place of the topic
    b"\x32\x01\x00",  # too short for its topic
    b"\x32\x04\x00\x09ab",  # a topic that is longer than the packet
    b"\x32\xff\xff\xff\xff\x01",  # a length of five bytes, which section 2.2.3 forbids
)


def length(value: int) -> bytes:
    """Encode as in section 2.2.3."""
    encoded = bytearray()
    while True:
        value, digit = divmod(value, 128)
        encoded.append(digit | (0x80 if value else 0))
        if not value:
            return bytes(encoded)


def packet(message: Publish, properties: bytes | None) -> bytes:
    """Encode as in section 3.3."""
    body = len(message.topic).to_bytes(2) + message.topic
    body += message.mid.to_bytes(2) if message.qos else b""
    body += (b"" if properties is None else length(len(properties)) + properties) + message.payload
    first = 0x30 | message.dup << 3 | message.qos << 1 | message.retained
    return bytes([first]) + length(len(body)) + body


messages = st.builds(
    lambda topic, payload, mid, qos, dup, retained: Publish(
        topic, payload, mid * qos, qos, bool(dup and qos), retained
    ),
    st.binary(min_size=1, max_size=300),
    st.binary(max_size=40) | st.sampled_from([b"x" * 110, b"x" * 128, b"x" * 17_000]),
    st.integers(1, 65_535),
    st.integers(0, 1),
    st.booleans(),
    st.booleans(),
)


@given(
    sent=st.lists(st.tuples(messages, st.binary(max_size=100)), max_size=6),
    after=st.sampled_from([b"", *OTHERS]),
    five=st.booleans(),
    most=st.integers(0, 8),
    cut=st.integers(0, 40),
    before=st.binary(max_size=3),
)
def test_whole_messages_are_read_up_to_anything_else(
    sent: list[tuple[Publish, bytes]], after: bytes, five: bool, most: int, cut: int, before: bytes
) -> None:
    packets = [packet(message, properties if five else None) for message, properties in sent]
    data = before + b"".join(packets) + after
    data = data[: max(len(data) - cut, len(before))]
    ends = [len(before)]
    for each in packets:
        ends.append(ends[-1] + len(each))
    whole = [message for (message, _), end in zip(sent, ends[1:], strict=True) if end <= len(data)]
    found, at = read_publishes(data, len(before), most, has_properties=five)
    assert found == whole[:most]
    assert at == ends[len(found)]


@given(st.binary(max_size=60), st.integers(0, 60), st.booleans())
def test_any_bytes_can_be_read(data: bytes, at: int, five: bool) -> None:
    found, after = read_publishes(data, min(at, len(data)), 10, has_properties=five)
    assert min(at, len(data)) <= after <= len(data)
    assert all(message.topic for message in found)


def test_long_properties_are_left_to_the_client() -> None:
    data = packet(Publish(b"t", b"p", 1, 1, False, False), bytes(200))
    assert read_publishes(data, 0, 10, has_properties=True) == ([], 0)


@given(
    message=messages,
    five=st.booleans(),
    arrived=st.integers(0, 1000),
    part=st.integers(1, 5000),
    max_bytes=st.sampled_from([100, 17_000, 1 << 24]),
)
def test_a_large_message_in_parts_is_the_message(
    message: Publish, five: bool, arrived: int, part: int, max_bytes: int
) -> None:
    message = message._replace(payload=message.payload * 3)
    data = packet(message, b"" if five else None)
    head = len(data) - len(message.payload)
    large = begin_large(data[:arrived], 0, 0, max_bytes, has_properties=five)
    if large is None:
        assert arrived < max(head, 5) or arrived >= len(data)
        return
    assert head <= arrived < len(data)
    assert large.left == len(data) - arrived
    at = arrived
    while large.left:
        step = min(part, large.left)
        large.add(data[at : at + step])
        at += step
    assert at == len(data)
    assert large.whole() == message._replace(payload=message.payload[:max_bytes])


@given(st.binary(max_size=60), st.booleans())
def test_any_bytes_can_begin_a_large_message(data: bytes, five: bool) -> None:
    large = begin_large(data, 0, 0, 100, has_properties=five)
    assert large is None or large.left > 0


def test_a_small_or_complete_message_is_not_begun() -> None:
    data = packet(Publish(b"t", b"p" * 100, 1, 1, False, False), None)
    assert begin_large(data[:50], 0, 200, 1000, has_properties=False) is None
    assert begin_large(data, 0, 10, 1000, has_properties=False) is None
    assert begin_large(data[:50], 0, 10, 1000, has_properties=False) is not None


def test_acknowledgements_are_those_of_section_3_4() -> None:
    assert acknowledgements([1, 0x1234]) == b"\x40\x02\x00\x01\x40\x02\x12\x34"
    assert acknowledgements([]) == b""
