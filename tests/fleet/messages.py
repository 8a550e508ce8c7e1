"""A recorded shift as the messages that its hammers would have sent, and micro-batches of a shard without Spark."""

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np

from strikewatch.core import instant
from strikewatch.core.alert import Change
from strikewatch.core.batch import Key, Rows
from strikewatch.core.instant import Instant, parse
from strikewatch.fleet.streaming.engine import Router, StreamSettings, engine
from strikewatch.fleet.streaming.saved import Outcome, SavedHammer, ShardSchedule, decode, encode
from strikewatch.fleet.streaming.shard import ShardStep
from strikewatch.settings.tree import Settings
from strikewatch.sources.mqtt import Message
from strikewatch.sources.recordings import open_shifts

SITE, HAMMER = KEY = "fennick-hollow", "HB-01"
NOW_MS = parse("2026-03-04T06:00:00Z") // 1_000_000
SAMPLES = f"strikewatch/{SITE}/{HAMMER}/samples"
EVENTS = f"strikewatch/{SITE}/{HAMMER}/events"

Sent = tuple[Instant, str, bytes]
"""Event time at which a message is complete, its topic and its payload."""


def messages_of(shift: Path, block: int = 100) -> list[Sent]:
    """Return a shift as messages of up to `block` rows, in order of arrival; an event before the rows around it."""
    found: list[tuple[Instant, int, str, bytes]] = []
    parts: dict[Key, list[Rows]] = {}
    [recording] = open_shifts(shift)
    for key, rows in recording.pieces():
        parts.setdefault(key, []).append(rows)
    for key, own in parts.items():
        rows = Rows.join(own)
        last = 0
        for first, end in pairwise([*range(0, len(rows), block), len(rows)]):
            part = rows[first:end]
            last = max(last, int(part.time_ns.max()))  # as they arrived, also where a clock was wrong
            found.append((last, 1, f"strikewatch/{key[0]}/{key[1]}/samples", _samples(part)))
    for event in recording.events:
        content = {"time": instant.exact_text(event.time), "event": event.kind, **event.fields}
        topic = f"strikewatch/{event.site}/{event.hammer}/events"
        found.append((event.time, 0, topic, json.dumps(content).encode()))
    return [(at, topic, payload) for at, _, topic, payload in sorted(found, key=lambda one: one[:3])]


def _samples(rows: Rows) -> bytes:
    times = [instant.exact_text(at) for at in rows.time_ns.tolist()]
    columns = {name: column.tolist() for name, column in rows.columns.items()}
    cells = [
        {"time": at, **{name: _cell(name, own[k]) for name, own in columns.items() if own[k] == own[k]}}
        for k, at in enumerate(times)
    ]
    return json.dumps(cells).encode()


def _cell(name: str, value: float) -> Any:
    return bool(value) if name in ("active", "grease_flow") else value


@dataclass
class Shard:
    """The state of a shard, as a state store would keep it: bytes only."""

    given: StreamSettings
    schedule: bytes = field(default_factory=lambda: ShardSchedule().encode())
    hammers: dict[Key, bytes] = field(default_factory=dict)
    outcomes: list[Outcome] = field(default_factory=list)

    @staticmethod
    def of(settings: Settings) -> "Shard":
        return Shard(StreamSettings.of(settings))

    def take(
        self, messages: Sequence[tuple[str, bytes]], now_ms: int, *, only: set[Key] | None = None
    ) -> None:
        """Process one micro-batch of messages; `only`: the hammers of this shard (default: all)."""
        router, own = Router(self.given), set[Key]()
        arrived = []
        for topic, payload in messages:
            own.update(router.hammers(topic, payload, now_ms * 1_000_000))
            arrived.append(Message(topic, payload, now_ms * 1_000_000, 0, 0, 1, False))
        step, schedule = self.step(now_ms)
        self._keep(step, schedule, step.take(arrived, own if only is None else own & only))

    def pass_silence(self, now_ms: int) -> None:
        step, schedule = self.step(now_ms)
        self._keep(step, schedule, step.pass_silence())

    @property
    def changes(self) -> list[Change]:
        return [change for outcome in self.outcomes for change in outcome.changes]

    def alerts(self) -> list[tuple[str, str, str | None]]:
        """Return (id, onset, cleared) of every alert that was not withdrawn, in the last state."""
        return alerts_of(change.record for change in self.changes)

    def step(self, now_ms: int) -> tuple[ShardStep, ShardSchedule]:
        schedule = ShardSchedule.decode(self.schedule)
        return ShardStep(engine(self.given), schedule, self._load, now_ms), schedule

    def _load(self, key: Key) -> SavedHammer | None:
        blob = self.hammers.get(key)
        return None if blob is None else decode(key, blob)

    def _keep(self, step: ShardStep, schedule: ShardSchedule, saved: dict[Key, SavedHammer]) -> None:
        self.hammers.update({key: encode(one) for key, one in saved.items()})
        self.schedule = schedule.encode()
        self.outcomes.append(Outcome.decode(step.outcome.encode()))


def firing(first_s: float, last_s: float, step_s: float = 0.5) -> bytes:
    """Return samples of a hammer that fires, from and up to some seconds after `NOW_MS`."""
    count = round((last_s - first_s) / step_s) + 1
    cells = [{"time_ms": NOW_MS + round(1000 * (first_s + k * step_s)), "active": True} for k in range(count)]
    return json.dumps(cells).encode()


def alerts_of(records: Iterable[dict[str, Any]]) -> list[tuple[str, str, str | None]]:
    """Return (id, onset, cleared) of alert records, the last of each alert, in order."""
    last = {(record["site"], record["id"]): record for record in records}
    return sorted(
        (record["id"], record["onset"], record["cleared"])
        for record in last.values()
        if not record["evidence"].get("withdrawn")
    )


def cut(messages: Sequence[Sent], seed: int, most: int) -> list[list[tuple[str, bytes]]]:
    """Cut messages into micro-batches of 1 to `most`."""
    generator = np.random.default_rng(seed)
    found, k = [], 0
    while k < len(messages):
        size = int(generator.integers(1, most + 1))
        found.append([(topic, payload) for _, topic, payload in messages[k : k + size]])
        k += size
    return found
