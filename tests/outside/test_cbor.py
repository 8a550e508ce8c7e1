"""CBOR against the examples that its specification publishes."""

import math
from typing import Any

import pytest

from strikewatch.errors import Rejected
from strikewatch.sources.decode.cbor import read_cbor

FIRST_25 = list(range(1, 26))
EXAMPLES: list[tuple[str, Any]] = [
    ("00", 0), ("01", 1), ("0a", 10), ("17", 23), ("1818", 24), ("1819", 25), ("1864", 100), ("1903e8", 1000),
    ("1a000f4240", 1_000_000), ("1b000000e8d4a51000", 1_000_000_000_000), ("1bffffffffffffffff", 2**64 - 1),
    ("c249010000000000000000", 2**64), ("3bffffffffffffffff", -(2**64)), ("c349010000000000000000", -(2**64) - 1),
    ("20", -1), ("29", -10), ("3863", -100), ("3903e7", -1000),
    ("f90000", 0.0), ("f98000", -0.0), ("f93c00", 1.0), ("fb3ff199999999999a", 1.1), ("f93e00", 1.5),
    ("f97bff", 65504.0), ("fa47c35000", 100_000.0), ("fa7f7fffff", 3.4028234663852886e38),
    ("fb7e37e43c8800759c", 1.0e300), ("f90001", 5.960464477539063e-8), ("f90400", 0.00006103515625),
    ("f9c400", -4.0), ("fbc010666666666666", -4.1),
    ("f97c00", math.inf), ("f97e00", math.nan), ("f9fc00", -math.inf), ("fa7f800000", math.inf),
    ("fa7fc00000", math.nan), ("faff800000", -math.inf), ("fb7ff0000000000000", math.inf),
    ("fb7ff8000000000000", math.nan), ("fbfff0000000000000", -math.inf),
    ("f4", False), ("f5", True), ("f6", None), ("f7", None),  # undefined has no other value here
    ("c074323031332d30332d32315432303a30343a30305a", "2013-03-21T20:04:00Z"), ("c11a514b67b0", 1_363_896_240),
    ("c1fb41d452d9ec200000", 1_363_896_240.5), ("d74401020304", b"\1\2\3\4"),
    ("d82076687474703a2f2f7777772e6578616d706c652e636f6d", "http://www.example.com"),
    ("40", b""), ("4401020304", b"\1\2\3\4"), ("60", ""), ("6161", "a"), ("6449455446", "IETF"), ("62225c", '"\\'),
    ("62c3bc", "\u00fc"), ("63e6b0b4", "\u6c34"), ("64f0908591", "\U00010151"),
    ("80", []), ("83010203", [1, 2, 3]), ("8301820203820405", [1, [2, 3], [4, 5]]),
    ("98190102030405060708090a0b0c0d0e0f101112131415161718181819", FIRST_25),
    ("a0", {}), ("a201020304", {1: 2, 3: 4}), ("a26161016162820203", {"a": 1, "b": [2, 3]}),
    ("826161a161626163", ["a", {"b": "c"}]),
    ("a56161614161626142616361436164614461656145", {"a": "A", "b": "B", "c": "C", "d": "D", "e": "E"}),
    ("5f42010243030405ff", b"\1\2\3\4\5"), ("7f657374726561646d696e67ff", "streaming"), ("9fff", []),
    ("9f018202039f0405ffff", [1, [2, 3], [4, 5]]), ("9f01820203820405ff", [1, [2, 3], [4, 5]]),
    ("83018202039f0405ff", [1, [2, 3], [4, 5]]), ("83019f0203ff820405", [1, [2, 3], [4, 5]]),
    ("9f0102030405060708090a0b0c0d0e0f101112131415161718181819ff", FIRST_25),
    ("bf61610161629f0203ffff", {"a": 1, "b": [2, 3]}), ("826161bf61626163ff", ["a", {"b": "c"}]),
    ("bf6346756ef563416d7421ff", {"Fun": True, "Amt": -2}),
]  # fmt: skip
"""RFC 8949, appendix A: encoded, and the value. Tags 0, 1, 23 and 32 give their content."""


@pytest.mark.parametrize(("encoded", "value"), EXAMPLES)
def test_the_examples_of_rfc_8949_are_read(encoded: str, value: Any) -> None:
    """Type and sign included: -0.0 is not 0, and NaN is NaN."""
    found = read_cbor(bytes.fromhex(encoded))
    assert repr(found) == repr(value)


@pytest.mark.parametrize("encoded", ["f0", "f818", "f8ff", "d818456449455446"])
def test_simple_values_and_enclosed_cbor_are_refused(encoded: str) -> None:
    """Source: RFC 8949 appendix A, its examples of what has no meaning here."""
    with pytest.raises(Rejected, match="not_cbor"):
        read_cbor(bytes.fromhex(encoded))


@pytest.mark.parametrize(("encoded", "value"), [("c48221196ab3", 273.15), ("c5822003", 1.5)])
def test_decimal_fractions_and_bigfloats_are_read(encoded: str, value: float) -> None:
    """Source: RFC 8949 section 3.4.4."""
    assert read_cbor(bytes.fromhex(encoded)) == value


_NOT_WELL_FORMED = """
18 19 1a 1b 1901 1a0102 1b01020304050607 38 58 78 98 9a01ff00 b8 d8 f8 f900 fa0000 fb000000
41 61 5affffffff00 5bffffffffffffffff010203 7affffffff00 7b7fffffffffffffff010203
81 818181818181818181 8200 a1 a20102 a100 a2000000
5f4100 7f6100 9f 9f0102 bf bf01020102 819f 9f8000 9f9f9f9f9fffffffff 9f819f819f9fffffff
1c 1d 1e 3c 3d 3e 5c 5d 5e 7c 7d 7e 9c 9d 9e bc bd be dc dd de fc fd fe
f800 f801 f81f 5f00ff 5f21ff 5f6100ff 5f80ff 5fa0ff 5fc000ff 5fe0ff 7f4100ff
5f5f4100ffff 7f7f6100ffff ff 81ff 8200ff a1ff a1ff00 a100ff a20000ff 9f81ff 9f829f819f9fffffffff
bf00ff bf000000ff 1f 3f df
"""
"""RFC 8949, appendix F.1: payloads that are not well-formed CBOR (from memory)."""


@pytest.mark.parametrize("encoded", _NOT_WELL_FORMED.split())
def test_what_rfc_8949_calls_not_well_formed_is_refused(encoded: str) -> None:
    """Source: RFC 8949 appendix F.1. One of them also gives a key twice."""
    with pytest.raises(Rejected, match="not_cbor" if encoded != "bf01020102" else "duplicate_key"):
        read_cbor(bytes.fromhex(encoded))
