"""Single messages of a shape that costs much: many keys, many values, depth, size, numbers beyond all bounds."""

import itertools
import json
import math
import time
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq

from strikewatch.core import instant
from tests.long.attacks.attack import Attack, AttackReport, Channel
from tests.long.attacks.honest import SITE
from tests.long.attacks.shipped import ATTACKER, Sender
from tests.long.attacks.site import Site, wait_until
from tests.sources import malformed

SAID: frozenset[Channel] = frozenset({"rejects", "log"})
LARGEST = 16 * 1024 * 1024
"""`message_size_limit` of the shipped broker, bytes."""


def now_text() -> str:
    return instant.text(time.time_ns() // 10**6 * 10**6)


def keys(site: Site, scale: float) -> AttackReport:
    """Send objects of 0.43 MB with very many unknown keys, or with one key twice."""
    many = {f"k{n}": 1 for n in range(round(40_000 * scale))}
    with Sender(site.broker) as sender:
        for kind, rest in (("samples", {}), ("events", {"event": "check", "result": "ok"})):
            once = json.dumps({"time": now_text(), **rest, **many}).encode()
            sender.send(once, kind)
            sender.send(once[:-1] + b', "' + list(many)[-1].encode() + b'": 2}', kind)
    return AttackReport(sender.sent)


def non_samples(site: Site, scale: float) -> AttackReport:
    """Send an array of 3 MB in which no entry is a sample."""
    with Sender(site.broker) as sender:
        sender.send(b"[" + b"1," * round(1_500_000 * scale) + b"1]")
    return AttackReport(sender.sent)


def nesting(site: Site, scale: float) -> AttackReport:
    """Send deeply nested brackets and objects, closed or not, alone or under a key."""
    deep = round(1_000_000 * scale)
    with Sender(site.broker) as sender:
        sender.send(b"[" * deep)
        sender.send(b"[" * deep + b"]" * deep)
        sender.send(b'{"time":' * (deep // 8))
        sender.send(b'{"a":' * (deep // 5) + b"1" + b"}" * (deep // 5))
        sender.send(b'{"time":"' + now_text().encode() + b'","x":' + b"[" * deep + b"]" * deep + b"}")
        sender.send(b'[{"n":"oil","v":' + b"[" * deep)
        sender.send(b'{"event":"check","note":' + b"[" * deep + b"]" * deep + b"}", "events")
    return AttackReport(sender.sent)


def large(site: Site, scale: float) -> AttackReport:
    """Send messages as large as the broker permits: strings, digits, spaces, brackets, keys, events, rows."""
    size = round((LARGEST - 200) * scale)
    samples = [
        b'{"time":"' + b"2" * size + b'"}',
        b'{"time_ms":' + b"9" * size + b"}",
        b'{"time":"' + now_text().encode() + b'","oil_c":' + b"1" * size + b"}",
        b" " * size,
        b'{"' + b"k" * size + b'":1}',
        b"[" + b'"x",' * (size // 4) + b"1]",
        b"[" + b"{}," * (size // 3) + b"1]",
        b'[{"n":"' + b"n" * size + b'","v":1}]',
        b"\xff" * size,
    ]
    with Sender(site.broker) as sender:
        for payload in samples:
            sender.send(payload)
        sender.send(
            b'{"event":"check","time":"' + now_text().encode() + b'","note":"' + b"n" * size + b'"}', "events"
        )
    return AttackReport(sender.sent)


def infinities(site: Site, scale: float) -> AttackReport:
    """Send numbers that are infinite after their conversion, then read the recording."""
    del scale
    huge = (1.7e308, -1.7e308)
    start = time.time_ns() // 10**6 * 10**6
    times = (instant.text(start + n * 10**7) for n in itertools.count())

    def seconds() -> float:
        return instant.parse(next(times)) / 1e9

    before = sum(site.rejects().values())
    with Sender(site.broker) as sender:
        for value, channel in itertools.product(
            huge, ("oil_f", "pressure_mpa", "pressure_psi", "pressure_pa", "oil_c", "pressure_bar")
        ):
            sender.send({"time": next(times), channel: value})
            sender.send({"time": next(times), "step_s": 0.001, channel: [value, 20.0, value]})
        for value in huge:
            sender.send([{"bt": seconds(), "bu": "Cel", "bv": value, "n": "oil", "v": value}])
            sender.send([{"bt": seconds(), "n": "pressure", "u": "MPa", "v": value}])
    done = AttackReport(sender.sent)
    processor = site.processor
    deadline = time.monotonic() + 10
    while sum(site.rejects().values()) == before and time.monotonic() < deadline:
        time.sleep(0.1)
    done.broken += [f"page {path} answers {status}" for path, status in crawl_pages(site) if status >= 500]
    processor.restart()  # what was recorded until then is written at the next start
    done.expect(
        wait_until(lambda: any(processor.recordings.rglob("*.parquet")), 30.0),
        "there is no recording to look at",
    )
    bad = infinite_channels(processor.recordings)
    done.expect(not bad, f"infinite in the recording: {', '.join(sorted(bad))}")
    return done


def infinite_channels(folder: Path) -> set[str]:
    """Return the channels with an infinite value in any recording."""
    found = set()
    for path in folder.rglob("*.parquet"):
        table = pq.ParquetFile(path).read()
        for name in table.column_names:
            try:
                column = table[name].to_numpy().astype(np.float64)
            except (TypeError, ValueError):
                continue
            if np.isinf(column).any():
                found.add(name)
    return found


def crawl_pages(site: Site) -> list[tuple[str, int]]:
    """Request the pages that show the attacker's hammer; return the status of each."""
    hammer = f"site={SITE}&hammer={ATTACKER}"
    paths = (
        "/",
        "/readyz",
        "/metrics",
        "/api/v1/alerts",
        f"/api/v1/rejects?{hammer}",
        f"/api/v1/alerts?{hammer}",
    )
    status, body = site.get("/")
    links = [part.partition(b'"')[0].decode() for part in body.split(b'href="')[1:]]
    local = [
        link.replace("&amp;", "&") for link in links if link.startswith("/") and not link.startswith("//")
    ]
    return [("/", status), *((path, site.get(path)[0]) for path in dict.fromkeys([*paths, *local][:40]))]


def mutated(site: Site, scale: float) -> AttackReport:
    """Send valid messages with mutated structure or bytes; 10⁶ of them with `--scale 50`."""
    made = itertools.islice(malformed.payloads(3), math.ceil(20_000 * scale))
    with Sender(site.broker) as sender:
        for topic, payload in made:
            sender.send(payload, "events" if topic == malformed.EVENTS else "samples")
    return AttackReport(sender.sent)


ATTACKS = (
    Attack("keys", "40,000 unknown keys in one object, one of them twice", keys, 0.5, SAID),
    Attack("ones", "an array of 1.5 million numbers", non_samples, 0.2, SAID),
    Attack("nesting", "a million brackets within each other", nesting, 0.1, SAID),
    Attack(
        "infinities",
        "numbers that overflow in the conversion of units",
        infinities,
        1.0,
        SAID,
    ),
    Attack("large", "messages of 16 MB, the largest that the broker takes", large, 0.05, SAID),
    Attack("mutated", "20,000 mutated messages", mutated, 0.05, SAID),
)
