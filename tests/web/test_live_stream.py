"""The event stream: compressed once for all readers, and only what changed is sent."""

import json
import socket
import zlib
from collections.abc import Generator
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from strikewatch.core.alert import Alert
from strikewatch.core.instant import SECOND
from strikewatch.web.live import compression
from strikewatch.web.live.compression import ReaderCompressor, SharedCompressor
from strikewatch.web.live.stream import SPREAD_MS
from strikewatch.web.pages.timelines import Mark, cluster
from tests.web.site import HAMMER, NOW, SITE, Site, site


@given(
    events=st.lists(st.binary(max_size=60) | st.sampled_from([b"event: now\ndata: {}\n\n"]), max_size=60),
    joins=st.lists(st.integers(0, 60), min_size=1, max_size=4),
    part=st.integers(1, 9),
)
def test_every_reader_gets_all_events_since_it_joined_whenever_that_was(
    events: list[bytes], joins: list[int], part: int
) -> None:
    """Decompressed by zlib as any gzip stream (RFC 1952)."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(compression, "EVENTS_PER_PART", part)
        shared, readers, received = SharedCompressor(), {}, dict.fromkeys(range(len(joins)), b"")
        expected = dict.fromkeys(received, b"")
        for number in range(len(events) + 1):
            for k, join in enumerate(joins):
                if join == number:
                    readers[k] = ReaderCompressor()
                    expected[k] = b"first" * k
                    received[k] = readers[k].add(expected[k])
            if number == len(events):
                break
            event = shared.add(events[number])
            for k, reader in readers.items():
                received[k] += reader.add(event)
                expected[k] += events[number]
    for k in readers:
        assert zlib.decompressobj(wbits=zlib.MAX_WBITS | 16).decompress(received[k]) == expected[k]


def test_what_follows_a_reset_is_the_same_bytes_for_all_readers() -> None:
    shared, early, late = SharedCompressor(), ReaderCompressor(), ReaderCompressor()
    early.add(b"")
    late.add(b"other")
    for number in range(compression.EVENTS_PER_PART):
        event = shared.add(b"%d" % number)
        early.add(event)
        late.add(event)
    event = shared.add(b"for all")
    assert early.add(event) is late.add(event) is event.compressed


class Reader:
    """Reads the stream as a browser does."""

    def __init__(self, server: Site) -> None:
        self._socket = socket.create_connection(("127.0.0.1", server.port), timeout=60)
        self._socket.sendall(b"GET /stream HTTP/1.1\r\nHost: localhost\r\nAccept-Encoding: gzip\r\n\r\n")
        self._lines = self._read_lines()

    def _read_lines(self) -> Generator[str, None, None]:
        with self._socket, self._socket.makefile("rb") as stream:
            head = b""
            while not head.endswith(b"\r\n\r\n"):
                head += stream.readline()
            assert b"content-encoding: gzip" in head.lower()
            inflate, text = zlib.decompressobj(wbits=zlib.MAX_WBITS | 16), b""
            while size := int(stream.readline(), 16):  # a chunk (RFC 9112, 7.1)
                text += inflate.decompress(stream.read(size + 2)[:size])
                *lines, text = text.split(b"\n")
                yield from (line.decode() for line in lines)

    def event(self, name: str) -> dict[str, Any]:
        """The next event of that name."""
        while next(self._lines) != f"event: {name}":
            pass
        found: dict[str, Any] = json.loads(next(self._lines).removeprefix("data: "))
        return found

    def close(self) -> None:
        self._lines.close()


def test_a_reader_gets_whole_hammers_first_then_the_values_that_changed(tmp_path: Path) -> None:
    with site(tmp_path, local_view_without_token=True) as server:
        server.work(NOW)
        reader = Reader(server)
        (first,) = reader.event("now")["hammers"]
        assert {"spot_s", "oil_limit_c", "grease_overdue_h"} < first.keys()
        server.work(NOW + 60 * SECOND)
        server.alerts(Alert("hot_oil", SITE, HAMMER, None, "high", NOW, None))
        changed: dict[str, Any] = {}
        while "spot_s" not in changed:
            for one in reader.event("now")["hammers"]:
                changed |= one
        server.work(NOW + 61 * SECOND)
        changed = {}
        while not changed:
            for one in reader.event("now")["hammers"]:
                changed |= one
        assert {"site", "hammer", "spot_s"} <= changed.keys()
        assert not {"oil_limit_c", "grease_overdue_h", "operator", "oil_c"} & changed.keys()
        reader.close()


def test_an_alert_redraws_the_timeline_of_its_hammer_and_of_no_other(tmp_path: Path) -> None:
    with site(tmp_path, local_view_without_token=True) as server:
        server.work(NOW)
        reader = Reader(server)
        assert "2 faults" not in str(reader.event("timeline")["svg"])
        server.alerts(Alert("hot_oil", SITE, HAMMER, None, "high", NOW - SECOND, None))
        picture = reader.event("timeline")
        assert (picture["hammer"], "2 faults" in str(picture["svg"])) == (HAMMER, True)
        event = reader.event("alerts")
        assert event["version"]
        assert event["spread_ms"] == SPREAD_MS  # of the one reader; more of them ask over a longer time
        reader.close()


@given(st.lists(st.integers(0, 1000), max_size=40), st.integers(0, 100))
def test_marks_are_counted_in_stretches_and_none_is_lost(times: list[int], close: int) -> None:
    marks = [Mark(at, "low", str(at)) for at in sorted(times)]
    stretches = cluster(marks, close)
    assert [mark for stretch in stretches for mark in stretch] == marks
    for stretch in stretches:
        assert all(b.at - a.at <= close for a, b in pairwise(stretch))
    for left, right in pairwise(stretches):
        assert right[0].at - left[-1].at > close
