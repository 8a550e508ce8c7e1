"""Malformed payloads cost nothing else: no crash, each counted and kept within bounds, every message acknowledged.

At length: `python -m tests.long.malformed --live`.
"""

import sqlite3
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from contextlib import closing
from itertools import chain, islice
from pathlib import Path

from strikewatch.core.instant import SECOND
from strikewatch.service.worker import Worker
from strikewatch.sources.mqtt import Message
from strikewatch.storage.commit.store import Store
from tests.service.bench import work_off, worker_of
from tests.sources.malformed import OVERSIZED, RECEIVED, payloads

KEPT = 1000


class Flood:
    """A source of payloads (topic, payload), a second a step, that counts the acknowledgements."""

    def __init__(self, coming: Iterable[tuple[str, bytes]]) -> None:
        self._coming = iter(coming)
        self.now = RECEIVED
        self.taken = self.acknowledged = 0

    def take(self, limit: int, timeout_s: float) -> list[Message]:
        del timeout_s
        self.now += SECOND
        messages = [
            Message(topic, payload, self.now, 0, 1, 1, False)
            for topic, payload in islice(self._coming, limit)
        ]
        self.taken += len(messages)
        return messages

    def acknowledge(self, messages: Iterable[Message]) -> None:
        self.acknowledged += len(list(messages))

    def put_back(self, messages: Sequence[Message]) -> None:
        self.taken -= len(messages)
        self._coming = chain([(message.topic, message.payload) for message in messages], self._coming)


def run(folder: Path, coming: Iterable[tuple[str, bytes]]) -> tuple[Flood, Worker, Counter[str], int]:
    """Process all payloads; return the counts of rejects in the database and the number kept."""
    flood = Flood(coming)
    store = Store(folder / "flood.db", rejects_kept=KEPT)
    worker = work_off(worker_of(store, flood, lambda: flood.now, lambda: flood.now))
    store.close()
    with closing(sqlite3.connect(folder / "flood.db")) as database:
        tally = Counter(dict(database.execute("select reason, n from reject_counts").fetchall()))
        ((kept,),) = database.execute("select count(*) from rejects").fetchall()
    return flood, worker, tally, kept


def mixed(count: int, seed: int) -> Iterator[tuple[str, bytes]]:
    """Yield oversized and malformed payloads, `count` in all."""
    oversized = ((topic, payload) for topic, payload, _ in OVERSIZED)
    return islice(chain(oversized, payloads(seed)), count)


def test_malformed_payloads_are_counted_kept_and_acknowledged(tmp_path: Path) -> None:
    flood, worker, tally, kept = run(tmp_path, mixed(6_000, 1))
    assert flood.acknowledged == 6_000
    dropped = ("duplicate",)
    assert {reason: n for reason, n in tally.items() if reason not in dropped} == dict(worker.rejected)
    assert len(worker.rejected) > 12
    assert sum(worker.rejected.values()) > 3_000
    assert kept == KEPT
