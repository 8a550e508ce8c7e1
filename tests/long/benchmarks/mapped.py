"""(l) Messages of mapped sources against our own, from the bytes of the packets to the commit, without the broker."""

import json
import logging
import tempfile
import tomllib
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import closing, contextmanager
from functools import lru_cache
from pathlib import Path

import structlog

from strikewatch.core import instant
from strikewatch.core.instant import SECOND, Instant
from strikewatch.service.worker import Worker
from strikewatch.settings.tree import load
from strikewatch.sinks import log
from strikewatch.sinks.settings import LogSettings
from strikewatch.sources.mapping import Sources, check_tables
from strikewatch.sources.mqtt.fair_queue import FairQueue, Message
from strikewatch.sources.mqtt.publish_packets import acknowledgements, read_publishes
from strikewatch.storage.commit.store import Store
from tests.long.benchmarks.table import Line, measure

MESSAGES = 12_000
HAMMERS = 6
START = instant.parse("2026-03-04T07:15:00Z")
TABLES = """
[tags]
topic = "pit/{hammer}/{tag}"
payload = "text"
time = "arrival"
site = "fennick-hollow"
name = "{tag}"
[tags.channels]
pressure_bar = { named = "P_SUPPLY", unit = "psi" }
oil_c = { named = "T_OIL", unit = "°F" }
active = { named = "HAMMER", on = ["ON"], off = ["OFF"] }
[nested]
topic = "v1/{site}/{hammer}/telem"
time = { at = "@.t", as = "s" }
[nested.channels]
active = "@.hyd.hammer.on"
pressure_bar = { at = "@.hyd.p[0]", unit = "kPa" }
oil_c = "@.hyd['oil-temp'].value"
[block]
topic = "daq/{site}/{hammer}/burst"
time = { at = "@.t", as = "ms" }
step = { at = "@.fs", as = "Hz" }
[block.channels]
pressure_bar = "@.p"
active = "@.on"
"""

Send = Callable[[int], tuple[str, object, Instant]]
"""Number of the message → topic, payload and time of receipt."""


def own(k: int) -> tuple[str, object, Instant]:
    at = START + k // HAMMERS * SECOND // 10
    fields = {
        "time": instant.text(at),
        "active": k // 480 % 2 == 0,
        "pressure_bar": 140.0 + k % 7,
        "oil_c": 60.5,
    }
    return f"strikewatch/fennick-hollow/HB-{k % HAMMERS:02d}/samples", fields, at


def one_value(k: int) -> tuple[str, object, Instant]:
    tag, value = (("P_SUPPLY", 2030.5 + k % 7), ("T_OIL", 140.5), ("HAMMER", "ON"))[k // HAMMERS % 3]
    return f"pit/HB-{k % HAMMERS:02d}/{tag}", value, START + k * SECOND // 180


def nested(k: int) -> tuple[str, object, Instant]:
    at = START + k // HAMMERS * SECOND // 10
    hydraulics = {
        "hammer": {"on": k // 480 % 2 == 0},
        "p": [14000 + k % 700, 900],
        "oil-temp": {"value": 60.5},
    }
    return f"v1/fennick-hollow/HB-{k % HAMMERS:02d}/telem", {"t": at / SECOND, "hyd": hydraulics}, at


def own_block(k: int) -> tuple[str, object, Instant]:
    at = START + k // HAMMERS * 10 * SECOND
    values = {"active": [k % 3 == 0] * 100, "pressure_bar": [140.0 + i % 7 for i in range(100)]}
    topic = f"strikewatch/fennick-hollow/HB-{k % HAMMERS:02d}/samples"
    return topic, {"time": instant.text(at), "step_s": 0.1, **values}, at


def mapped_block(k: int) -> tuple[str, object, Instant]:
    at = START + k // HAMMERS * 10 * SECOND
    values = {"on": [k % 3 == 0] * 100, "p": [140.0 + i % 7 for i in range(100)]}
    return f"daq/fennick-hollow/HB-{k % HAMMERS:02d}/burst", {"t": at // 1_000_000, "fs": 10, **values}, at


def packets(send: Send, count: int) -> tuple[bytes, list[Instant]]:
    """Return messages at QoS 1 as a client receives them (MQTT 3.1.1), and when each arrives."""
    found, times = [], []
    for k in range(count):
        topic, payload, at = send(k)
        text = payload if isinstance(payload, str) else json.dumps(payload)
        body = len(topic).to_bytes(2) + topic.encode() + (k % 60_000 + 1).to_bytes(2) + text.encode()
        found.append(b"\x32" + bytes([len(body) % 128 | 0x80, len(body) // 128]) + body)
        times.append(at)
    return b"".join(found), times


class Packets:
    """A source of messages that have all been received."""

    def __init__(self, sent: tuple[bytes, list[Instant]], sources: Sources) -> None:
        self._data, self._times = sent
        self._at = self._number = 0
        self._queue = FairQueue(lru_cache(lambda name: sources.machine(name, "strikewatch") or name))

    def take(self, limit: int, timeout_s: float) -> list[Message]:
        del timeout_s
        found, self._at = read_publishes(self._data, self._at, limit, has_properties=False)
        times = self._times[self._number :]
        self._number += len(found)
        self._queue.put(
            [
                Message(topic.decode(), payload, at, mid, qos, 1, dup, retained)
                for (topic, payload, mid, qos, dup, retained), at in zip(found, times, strict=False)
            ]
        )
        return self._queue.take(limit)

    def acknowledge(self, done: Iterable[Message]) -> None:
        acknowledgements(mid for _, mid in self._queue.done(done))

    def put_back(self, left: Sequence[Message]) -> None:
        self._queue.put_back(left)


@contextmanager
def logging_to(settings: LogSettings) -> Iterator[None]:
    """Log as `settings` say; afterwards as before."""
    root, structured = logging.getLogger(), structlog.get_config()
    level = root.level
    log.set_up(settings)
    try:
        yield
    finally:
        for handler in root.handlers[:]:
            root.removeHandler(handler)
            handler.close()
        root.setLevel(level)
        structlog.configure(**structured)


def process(sent: tuple[bytes, list[Instant]]) -> None:
    """Run a worker over messages, with a database of its own."""
    tables, problems = check_tables(tomllib.loads(TABLES))
    assert not problems
    sources = Sources(tables)
    with tempfile.TemporaryDirectory() as folder:
        settings = load(given={"log": {"file": str(Path(folder) / "log")}})
        with logging_to(settings.log), closing(Store(Path(folder) / "s.db", {})) as store:
            worker = Worker(
                settings,
                store,
                Packets(sent, sources),
                wall=lambda: sent[1][-1],
                monotonic=lambda: 0,
                alerts_changed=lambda: None,
                wait=lambda _s: True,
                sources=sources,
            )
            while worker.turn(0.0):
                pass
            assert worker.messages == len(sent[1])
            assert not worker.rejected


def lines() -> list[Line]:
    found = []
    for name, ours, theirs, count, goal in (
        ("one value a topic", own, one_value, MESSAGES, "<= 1.2"),
        ("nested JSON", own, nested, MESSAGES, "<= 2.0"),
        ("blocks of 100", own_block, mapped_block, MESSAGES // 10, "<= 2.0"),
    ):
        a, b = packets(ours, count), packets(theirs, count)
        measured = measure(lambda a=a: process(a), lambda b=b: process(b))  # type: ignore[misc]
        own_s, mapped_s = (each.cpu_s for each in measured)
        what = f"{name}: {1e6 * mapped_s / count:.1f} us a message (our own {1e6 * own_s / count:.1f})"
        found.append(Line(what, "mapped / own", mapped_s / own_s, goal, 1e6 * mapped_s / count))
    return found
