"""CBOR, MessagePack and compressed payloads: what is read, what is refused, and what a refusal costs."""

import contextlib
import gzip
import json
import random
import struct
import tracemalloc
import zlib
from collections.abc import Callable
from typing import Any

import cbor2
import msgpack
import pytest
from hypothesis import given
from hypothesis import strategies as st

from strikewatch.errors import Rejected
from strikewatch.sources.decode import binary
from strikewatch.sources.decode.cbor import read_cbor
from strikewatch.sources.decode.compression import MAX_MEMBERS, Compression, unpack
from strikewatch.sources.decode.messagepack import read_msgpack
from strikewatch.sources.reasons import REASONS
from tests.sources import malformed_binary

Read = Callable[[bytes], Any]
MIB = 1024 * 1024


def rejection(read: Callable[[], Any]) -> Rejected:
    """Return the rejection that reading ends with; its reason must have a remedy, and its detail be short."""
    with pytest.raises(Rejected) as caught:
        read()
    assert caught.value.reason in REASONS
    assert len(caught.value.detail) < 400
    return caught.value


def peak_mib(read: Callable[[], Any]) -> float:
    """Return the most memory in use while reading ends with a rejection, MiB."""
    tracemalloc.start()
    try:
        rejection(read)
        return tracemalloc.get_traced_memory()[1] / MIB
    finally:
        tracemalloc.stop()


LEAVES = (
    st.none()
    | st.booleans()
    | st.integers(-(2**63), 2**64 - 1)
    | st.floats(allow_nan=False)
    | st.text(max_size=9)
    | st.binary(max_size=9)
)
TREES = st.recursive(
    LEAVES,
    lambda inner: (
        st.lists(inner, max_size=6)
        | st.dictionaries(st.text(max_size=5) | st.integers(-9, 9), inner, max_size=6)
    ),
    max_leaves=40,
)


@given(TREES)
def test_what_the_libraries_write_is_read_back(value: Any) -> None:
    assert read_cbor(cbor2.dumps(value)) == value
    assert read_msgpack(msgpack.packb(value)) == value


@given(TREES)
def test_the_count_of_items_takes_every_valid_payload(value: Any) -> None:
    """Large payloads are counted before they are read; valid ones must pass, whatever they hold."""
    from strikewatch.sources.decode import cbor, messagepack

    binary.check_parts(cbor2.dumps(value), cbor._heads())
    binary.check_parts(cbor2.dumps(value, indefinite_containers=True), cbor._heads())
    binary.check_parts(msgpack.packb(value), messagepack._heads())


def test_a_block_of_all_channels_of_100_000_rows_of_bits_is_read() -> None:
    value = {"t": 1_772_608_500_000, "active": [bool(k % 3) for k in range(100_000)]}
    assert read_cbor(cbor2.dumps(value)) == value
    assert read_msgpack(msgpack.packb(value)) == value


@pytest.mark.parametrize(
    ("read", "payload", "reason", "detail"),
    [
        (read_cbor, b"", "empty", "is empty"),
        (read_cbor, b"\x82\x01", "not_cbor", "cut off"),
        (read_cbor, b"\x01\x02", "not_cbor", "bytes after its end"),
        (read_cbor, b"\x81" * 33 + b"\x01", "not_cbor", "nesting depth"),
        (read_cbor, b"\xc6" * 100_000 + b"\x01", "not_cbor", "nesting depth"),
        (read_cbor, b"\xa2\x61a\x01\x61a\x02", "duplicate_key", "'a' occurs twice"),
        (read_cbor, b"\xa1\x81\x01\x02", "not_cbor", "neither text nor a whole number"),
        (read_cbor, b"\xa1\xf5\x02", "not_cbor", "neither text nor a whole number"),
        (read_cbor, b"\x62\xff\xfe", "not_cbor", "utf-8"),
        (read_cbor, b"\xd8\x23\x63a+b", "not_cbor", "tag 35 is not supported"),
        (read_cbor, bytes.fromhex("d81c81d81d00"), "not_cbor", "tag 29 is not supported"),
        (read_cbor, bytes.fromhex("d90100836461616161d81900d81900"), "not_cbor", "tag 25 is not supported"),
        (read_cbor, b"\xd9\xff\xff\x02", "not_cbor", "tag 65535 is not supported"),
        (read_cbor, bytes.fromhex("c4821b7fffffffffffffff01"), "not_cbor", "too large"),
        (read_cbor, b"\xc2\x51" + bytes(17), "not_cbor", "big number"),
        (read_cbor, b"\xa1\xc2\x59\x20\x00" + b"\xff" * 0x2000 + b"\x01", "not_cbor", "big number"),
        (read_cbor, b"\xc4\x01", "not_cbor", r"not \[exponent, mantissa\]"),
        (read_cbor, b"\xd8\x56\x41\x01", "not_cbor", "typed array"),
        (read_msgpack, b"", "empty", "is empty"),
        (read_msgpack, b"\x92\x01", "not_msgpack", "cut off"),
        (read_msgpack, b"\x01\x02", "not_msgpack", "bytes after its end"),
        (read_msgpack, b"\x91" * 33 + b"\x01", "not_msgpack", "nested deeper than 32"),
        (read_msgpack, b"\x91" * 5000 + b"\x01", "not_msgpack", "nested too deeply"),
        (read_msgpack, b"\x82\xa1a\x01\xa1a\x02", "duplicate_key", "'a' occurs twice"),
        (read_msgpack, b"\x81\x91\x01\x02", "not_msgpack", "unhashable"),
        (read_msgpack, b"\x81\xc4\x01a\x02", "not_msgpack", "neither text nor a whole number"),
        (read_msgpack, b"\xa2\xff\xfe", "not_msgpack", "utf-8"),
        (read_msgpack, b"\xc1", "not_msgpack", "invalid"),
        (read_msgpack, b"\xd4\x05\x01", "not_msgpack", "extension 5 is not supported"),
    ],
)
def test_what_cannot_be_used_is_refused_with_its_reason(
    read: Read, payload: bytes, reason: str, detail: str
) -> None:
    refused = rejection(lambda: read(payload))
    assert refused.reason == reason
    assert detail.replace("\\", "") in refused.detail


@pytest.mark.parametrize(
    ("read", "payload"),
    [
        (read_cbor, b"\x9b\x00\x00\x00\xff\xff\xff\xff\xff"),
        (read_cbor, b"\x5b\x00\x00\x00\xff\xff\xff\xff\xff"),
        (read_cbor, b"\x9a\x00\xff\xff\xff" * 100_000),
        (read_cbor, b"\x7a\x00\x10\x00\x00" + b"\xc3\xa4" * 0x80000),
        (read_msgpack, b"\xdd\xff\xff\xff\xff"),
        (read_msgpack, b"\xdd\x00\x01\x00\x00" * 10_000),
        (read_msgpack, b"\xdb\x00\x10\x00\x00" + b"\xc3\xa4" * 0x80000),
    ],
    ids=lambda value: value[:8].hex() if isinstance(value, bytes) else "",
)
def test_a_payload_that_claims_much_is_refused_without_memory(read: Read, payload: bytes) -> None:
    """Claimed lengths, nested claims, long strings: refused before they are built."""
    assert peak_mib(lambda: read(payload)) < 1


@pytest.mark.parametrize(
    ("read", "item", "limit"),
    [
        (read_cbor, b"\xf6", "MAX_ITEMS"),
        (read_cbor, b"\x80", "MAX_CONTAINERS"),
        (read_msgpack, b"\xc0", "MAX_ITEMS"),
        (read_msgpack, b"\x90", "MAX_CONTAINERS"),
    ],
)
def test_the_number_of_items_is_bounded(
    monkeypatch: pytest.MonkeyPatch, read: Read, item: bytes, limit: str
) -> None:
    head = b"\x9a" if read is read_cbor else b"\xdd"
    payload = head + (100_000).to_bytes(4, "big") + item * 100_000
    assert len(read(payload)) == 100_000
    monkeypatch.setattr(binary, limit, 100_000)
    assert rejection(lambda: read(payload)).reason == "too_large"


def test_nested_claims_in_a_small_payload_stay_small() -> None:
    """The library allocates what each array claims: at most the payload's size, for each level of nesting."""
    payload = b"\xdd\x00\x00\x03\xff" * 200 + b"\xc0" * 24
    assert peak_mib(lambda: read_msgpack(payload)) < 5


@given(TREES, st.data())
def test_broken_payloads_raise_nothing_but_the_rejection(value: Any, data: st.DataObject) -> None:
    for read, payload in ((read_cbor, cbor2.dumps(value)), (read_msgpack, msgpack.packb(value))):
        at = data.draw(st.integers(0, len(payload)))
        broken = (
            payload[:at] + data.draw(st.binary(max_size=5)) + payload[at + data.draw(st.integers(0, 3)) :]
        )
        with contextlib.suppress(Rejected):
            read(broken)


def test_typed_arrays_of_cbor_are_read_as_lists() -> None:
    """Source: RFC 8746 section 2.1: tag 85 is float32, 77 is int16, both little-endian; 65 is uint16, big-endian."""
    assert read_cbor(b"\xd8\x55\x48" + struct.pack("<2f", 1.5, -2.0)) == [1.5, -2.0]
    assert read_cbor(b"\xd8\x4d\x44" + struct.pack("<2h", 1, -2)) == [1, -2]
    assert read_cbor(b"\xd8\x41\x44" + struct.pack(">2H", 1, 65535)) == [1, 65535]


def test_typed_arrays_count_as_items(monkeypatch: pytest.MonkeyPatch) -> None:
    payload = b"\xd8\x40\x58\x64" + bytes(100)
    assert read_cbor(payload) == [0] * 100
    monkeypatch.setattr(binary, "MAX_ITEMS", 99)
    assert "tag 64 is not supported" in rejection(lambda: read_cbor(payload)).detail


def test_timestamps_of_messagepack_are_nanoseconds() -> None:
    """Source: MessagePack specification, timestamp extension type: 32, 64 and 96 bits."""
    assert read_msgpack(b"\xd6\xff" + struct.pack(">I", 1_772_608_500)) == 1_772_608_500_000_000_000
    assert (
        read_msgpack(b"\xd7\xff" + struct.pack(">Q", 100_000_001 << 34 | 1_772_608_500))
        == 1_772_608_500_100_000_001
    )
    assert read_msgpack(b"\xc7\x0c\xff" + struct.pack(">Iq", 5, -1)) == -999_999_995


def deflate(data: bytes) -> bytes:
    stream = zlib.compressobj(9, wbits=-15)
    return stream.compress(data) + stream.flush()


FORMATS: list[tuple[Compression, Callable[[bytes], bytes]]] = [
    ("gzip", gzip.compress),
    ("zlib", zlib.compress),
    ("deflate", deflate),
]


@pytest.mark.parametrize(("compression", "compress"), FORMATS)
@pytest.mark.parametrize("size", [0, 1, 1000, MIB])
def test_compressed_payloads_are_unpacked(
    compression: Compression, compress: Callable[[bytes], bytes], size: int
) -> None:
    data = random.Random(2).randbytes(size)
    assert unpack(compress(data), compression) == data
    assert unpack(compress(data * 3), compression) == data * 3


@pytest.mark.parametrize(("compression", "compress"), FORMATS)
def test_a_bomb_is_refused_without_growing(
    compression: Compression, compress: Callable[[bytes], bytes]
) -> None:
    """60 MB of zeros are 58 kB; no more than the limit is ever held, and the limit itself is allowed."""
    bomb = compress(bytes(60_000_000))
    assert len(bomb) < 60_000
    assert peak_mib(lambda: unpack(bomb, compression)) < 19
    assert peak_mib(lambda: unpack(bomb, compression, 10_000)) < 3
    assert len(unpack(compress(bytes(10_000)), compression, 10_000)) == 10_000
    assert rejection(lambda: unpack(compress(bytes(10_001)), compression, 10_000)).reason == "too_large"


@pytest.mark.parametrize(("compression", "compress"), FORMATS)
def test_damaged_streams_are_refused(compression: Compression, compress: Callable[[bytes], bytes]) -> None:
    whole = compress(json.dumps({"oil_c": 61.2}).encode())
    for broken in (whole[:-1], whole[:3], b'{"oil_c":61.2}', whole + b"\0"):
        assert rejection(lambda broken=broken: unpack(broken, compression)).reason == "bad_compression"
    assert rejection(lambda: unpack(b"", compression)).reason == "empty"


def test_the_members_of_a_gzip_stream_are_joined_up_to_a_limit() -> None:
    """Source: RFC 1952 section 2.2: a file is a series of members. Each costs a copy of all that follows."""
    assert unpack(gzip.compress(b"ab") * MAX_MEMBERS, "gzip") == b"ab" * MAX_MEMBERS
    assert rejection(lambda: unpack(gzip.compress(b"") * 100_000, "gzip")).reason == "too_large"


@pytest.mark.parametrize("name", malformed_binary.FORMATS)
def test_malformed_payloads_end_in_a_rejection_or_a_value(name: str) -> None:
    """20,000 of Sparkplug, 5,000 of each other format; nothing but the rejection is raised."""
    count = 20_000 if name == "sparkplug" else 5_000
    reasons = malformed_binary.run(name, count, seed=1)
    assert reasons.total() == count
    assert reasons["(unclear)"] == 0
    assert 0.05 < reasons[""] / count < 0.95
