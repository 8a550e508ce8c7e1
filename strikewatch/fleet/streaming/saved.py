"""What a micro-batch of a shard leaves, as bytes: hammers and schedule for the next one, the outcome for the driver.

Layout of a hammer: `SWf1`, the header's length as uint32, little-endian, the header, what ordering has released, and
the state as the processor saves it. Header, in JSON:
`{"layout": "part/version:size …", "released": bytes, "events": [[kind, time, applied, fields], …],
"alerts": [[record, onset, cleared, provisional, looked_ahead_to], …], "seen": ["…"], "in_time": 1}`.
"""

import base64
import hashlib
import json
import struct
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from strikewatch.core.alert import Change
from strikewatch.core.batch import Key
from strikewatch.core.bout import AttributedBout, Bout
from strikewatch.core.events import Event
from strikewatch.core.instant import Instant
from strikewatch.core.stretch import AttributedStretch, Stretch
from strikewatch.engine.alert_tracker import TrackedAlert
from strikewatch.errors import StoreError
from strikewatch.storage.commit.step import FeedCount, Reject, SavedAlert, StepRecord

MAGIC: Final = b"SWf1"
_LENGTH: Final = struct.Struct("<I")
_START: Final = len(MAGIC) + _LENGTH.size
SEEN: Final = 128
"""Number of a hammer's newest events that are recognised when they are delivered again."""


@dataclass(frozen=True, slots=True)
class SavedHammer:
    """What the next micro-batch continues with.

    `state`: of the detectors, held values and ordering, in the named `layout`. `released`: see `Reorderer.released`.
    `events`: those that have not taken effect. `seen`: digests of events that have arrived, the oldest first.
    `in_time`: see `Intake.in_time`.
    """

    layout: str
    state: bytes
    released: bytes
    events: tuple[Event, ...] = ()
    alerts: tuple[TrackedAlert, ...] = ()
    seen: tuple[str, ...] = ()
    in_time: int = 0


@dataclass(slots=True)
class HammerSchedule:
    """When a hammer last sent something new, and when it is next looked at if it sends nothing; wall time, ms."""

    heard_ms: int
    look_ms: int


@dataclass(slots=True)
class ShardSchedule:
    """The hammers of a shard, and the wall time of the shard's timer, ms; 0 if it has none."""

    hammers: dict[Key, HammerSchedule] = field(default_factory=dict)
    timer_ms: int = 0

    def encode(self) -> bytes:
        """Return the schedule as JSON."""
        hammers = [[*key, one.heard_ms, one.look_ms] for key, one in self.hammers.items()]
        return json.dumps({"hammers": hammers, "timer_ms": self.timer_ms}, separators=(",", ":")).encode()

    @staticmethod
    def decode(blob: bytes) -> "ShardSchedule":
        """Return the schedule of its JSON."""
        content = json.loads(blob)
        hammers = {
            (site, hammer): HammerSchedule(heard, look) for site, hammer, heard, look in content["hammers"]
        }
        return ShardSchedule(hammers, content["timer_ms"])


def digest(event: Event) -> str:
    """Return a short digest of an event as it was sent."""
    content = json.dumps([event.kind, event.time, event.fields], sort_keys=True).encode()
    return hashlib.blake2b(content, digest_size=6).hexdigest()


def encode(saved: SavedHammer) -> bytes:
    """Encode a hammer without losing a bit."""
    header: dict[str, Any] = {"layout": saved.layout, "released": len(saved.released)}
    if saved.events:
        header["events"] = [event_fields(event) for event in saved.events]
    if saved.alerts:
        header["alerts"] = [
            [one.alert.record(), one.alert.onset, one.alert.cleared, one.provisional, one.looked_ahead_to]
            for one in saved.alerts
        ]
    if saved.seen:
        header["seen"] = saved.seen
    if saved.in_time:
        header["in_time"] = saved.in_time
    text = json.dumps(header, separators=(",", ":")).encode()
    return b"".join([MAGIC, _LENGTH.pack(len(text)), text, saved.released, saved.state])


def decode(key: Key, blob: bytes) -> SavedHammer:
    """Decode what `encode` returned. Raises StoreError for anything else."""
    if blob[: len(MAGIC)] != MAGIC:
        raise StoreError(
            f"{key[0]}/{key[1]}: state of unknown layout {blob[: len(MAGIC)]!r} in the checkpoint, written by another "
            "version: continue with that version, or begin with a new checkpoint"
        )
    end = _START + _LENGTH.unpack_from(blob, len(MAGIC))[0]
    header = json.loads(blob[_START:end])
    state = end + header["released"]
    return SavedHammer(
        header["layout"],
        blob[state:],
        blob[end:state],
        tuple(event_of(key, *fields) for fields in header.get("events", ())),
        tuple(_tracked(*fields) for fields in header.get("alerts", ())),
        tuple(header.get("seen", ())),
        header.get("in_time", 0),
    )


def event_fields(event: Event) -> list[Any]:
    """Return an event of a known hammer, ready for JSON."""
    return [event.kind, event.time, event.applied, event.fields]


def event_of(key: Key, kind: str, time: Instant, applied: Instant, fields: dict[str, Any]) -> Event:
    """Return the event of `event_fields`."""
    return Event(*key, kind, time, fields, applied)


def _tracked(
    record: dict[str, Any],
    onset: Instant,
    cleared: Instant | None,
    provisional: int,
    looked_ahead_to: Instant,
) -> TrackedAlert:
    alert = SavedAlert(record, onset, cleared, provisional).alert()
    return TrackedAlert(alert, provisional, looked_ahead_to)


@dataclass(slots=True)
class Outcome:
    """The outcome at the wall time `received`.

    `messages`: number of messages processed. `rows`: number of rows that went into the detectors. `warnings`: to be
    logged: event, hammer, fields.
    """

    received: Instant
    messages: int = 0
    rows: int = 0
    changes: list[Change] = field(default_factory=list)
    bouts: list[AttributedBout] = field(default_factory=list)
    stretches: list[AttributedStretch] = field(default_factory=list)
    events: list[Event] = field(default_factory=list)
    applied: list[Event] = field(default_factory=list)
    rejects: list[Reject] = field(default_factory=list)
    counts: dict[str, int] = field(default_factory=dict)
    feed: list[FeedCount] = field(default_factory=list)
    warnings: list[tuple[str, Key, dict[str, Any]]] = field(default_factory=list)

    @property
    def empty(self) -> bool:
        """Whether there is nothing to be stored."""
        return self == Outcome(self.received, self.messages, self.rows)

    def encode(self) -> bytes:
        """Return the outcome as JSON."""
        content = {
            "received": self.received,
            "messages": self.messages,
            "rows": self.rows,
            "changes": [
                [c.step, c.site, c.hammer, c.alert_id, c.record, c.onset, c.cleared, c.provisional, c.deliver]
                for c in self.changes
            ],
            "bouts": self.bouts,
            "stretches": self.stretches,
            "events": _events(self.events),
            "applied": _events(self.applied),
            "rejects": [
                [r.topic, base64.b64encode(r.payload).decode(), r.reason, r.detail, r.key, r.rows]
                for r in self.rejects
            ],
            "counts": self.counts,
            "feed": [[f.key, f.reason, f.n, f.name, f.detail] for f in self.feed],
            "warnings": self.warnings,
        }
        return json.dumps(content, ensure_ascii=False, default=float, separators=(",", ":")).encode()

    @staticmethod
    def decode(blob: bytes) -> "Outcome":
        """Return the outcome of its JSON."""
        content: dict[str, Any] = json.loads(blob)
        return Outcome(
            content["received"],
            content["messages"],
            content["rows"],
            [Change(*one) for one in content["changes"]],
            [
                AttributedBout(Bout(tuple(key), *more), operator, tool)
                for (key, *more), operator, tool in content["bouts"]
            ],
            [
                AttributedStretch(Stretch(tuple(key), *more), operator, tool)
                for (key, *more), operator, tool in content["stretches"]
            ],
            [event_of(tuple(key), *fields) for key, fields in content["events"]],
            [event_of(tuple(key), *fields) for key, fields in content["applied"]],
            [
                Reject(topic, base64.b64decode(payload), reason, detail, key and tuple(key), rows)
                for topic, payload, reason, detail, key, rows in content["rejects"]
            ],
            content["counts"],
            [FeedCount(tuple(key), *more) for key, *more in content["feed"]],
            [(event, tuple(key), fields) for event, key, fields in content["warnings"]],
        )


def joined(outcomes: Sequence[Outcome]) -> StepRecord:
    """Return the step record of all shards of a micro-batch; their rows and states are kept elsewhere."""
    counts: Counter[str] = Counter()
    for one in outcomes:
        counts.update(one.counts)
    return StepRecord(
        received=max((one.received for one in outcomes), default=0),
        events=[event for one in outcomes for event in one.events],
        applied=[event for one in outcomes for event in one.applied],
        changes=[change for one in outcomes for change in one.changes],
        bouts=[bout for one in outcomes for bout in one.bouts],
        stretches=[stretch for one in outcomes for stretch in one.stretches],
        rejects=[reject for one in outcomes for reject in one.rejects],
        counts=counts,
        feed=[count for one in outcomes for count in one.feed],
        recorded=True,
    )


def _events(events: Sequence[Event]) -> list[Any]:
    return [[(event.site, event.hammer), event_fields(event)] for event in events]
