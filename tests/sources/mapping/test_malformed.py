"""Whatever a mapped source sends costs only itself, and is counted."""

import gc
import gzip
import json
import tomllib
import tracemalloc

import cbor2
import pytest

from strikewatch.sources.mapping import Sources, check_tables
from tests.sources.mapping import malformed

COUNT = 800
"""The long run is `python -m tests.long.malformed --mapped`."""


@pytest.mark.parametrize("kind", malformed.FORMATS)
def test_any_payload_is_mapped_passed_over_or_rejected_with_a_known_reason(kind: str) -> None:
    reasons = malformed.run(kind, COUNT, 7)
    assert reasons[""] > COUNT // 40
    assert sum(reasons.values()) >= COUNT
    assert len(reasons) > 4


def test_a_bomb_is_refused_in_bounded_memory() -> None:
    """60 MB in 58 kB."""
    bomb = gzip.compress(b" " * 60_000_000)
    assert len(bomb) < 60_000
    mapped = malformed.sources()
    tracemalloc.start()
    [reject] = mapped.map("gzip/x", bomb, malformed.RECEIVED).rejects
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert reject.error.reason == "too_large"
    assert peak < 40_000_000


DEVICES = """
[devices]
topic = "devices"
time = "arrival"
site = "pit"
hammer = "@.device"
channels = { active = "@.on" }
"""


def test_long_ids_fill_no_memory() -> None:
    """What was found of the last devices is remembered by their ids, which may have 65,535 bytes."""
    tables, _ = check_tables(tomllib.loads(DEVICES))
    mapped = Sources(tables)
    reasons = set()
    tracemalloc.start()
    for k in range(200):
        payload = json.dumps({"device": f"{k}{'x' * 60_000}", "on": True}).encode()
        [reject] = mapped.map("devices", payload, malformed.RECEIVED).rejects
        reasons.add(reject.error.reason)
    kept = tracemalloc.get_traced_memory()[0]
    tracemalloc.stop()
    assert reasons == {"topic"}
    assert kept < 6_000_000


BROKEN = {
    "cut": b'{"kind":1,"v":"' + b"x" * 1_000_000,
    "no text": b"\xff" * 1_000_000,
    "a number of a million digits": b'{"kind":' + b"9" * 1_000_000 + b"}",
    "a million arrays": b"[" * 1_000_000,
}


@pytest.mark.parametrize("name", BROKEN)
def test_a_rejected_payload_is_freed_at_once(name: str) -> None:
    """Cycles are collected after thousands of messages only, and each of these may have 16 MiB."""
    mapped = malformed.sources()
    gc.disable()
    tracemalloc.start()
    try:
        for _ in range(10):
            assert mapped.map("json/x", bytes(bytearray(BROKEN[name])), malformed.RECEIVED).rejects
        assert tracemalloc.get_traced_memory()[0] < 1_000_000
    finally:
        tracemalloc.stop()
        gc.enable()


OVERSIZED = {
    "an array at the message's root for each of many records": (
        "json/x",
        b'{"pit":['
        + b",".join(b'{"kind":1,"t":1772608500000,"fs":10,"n":[1]}' for _ in range(20_000))
        + b"]}",
    ),
    "keys": ("json/x", b"{" + b",".join(b'"k%d":[{}]' % k for k in range(50_000)) + b"}"),
    "names": (
        "json/x",
        b'{"pit":[' + b",".join(b'{"kind":1,"id":"%d","v":1}' % k for k in range(20_000)) + b"]}",
    ),
    "devices": ("text/" + "x" * 3000 + "/a", b"1"),
    "brackets": ("json/x", b"[" * 100_000),
    "digits": ("text/HB-01/p", b"9" * 1_000_000),
    "a text": ("text/HB-01/p", b"x" * 17_000_000),
    "lines": ("csv/HB-01", b"day;clock\n" + b"a\n" * 300_000),
    "an integer": ("cbor/x", cbor2.dumps({"pit": [{"kind": 1, "t": 10**4000, "p": 10**4000}]})),
}


@pytest.mark.parametrize("name", OVERSIZED)
def test_work_is_linear_in_the_bytes(name: str) -> None:
    """Each takes about a second at most; with quadratic work the test would not end for minutes."""
    found = malformed.sources().map(*OVERSIZED[name], malformed.RECEIVED)
    malformed.check(found)
    assert len(found.passed_over) <= 1 or name == "names"
