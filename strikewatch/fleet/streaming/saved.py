"""A hammer between two micro-batches, as bytes that Spark's state store keeps.

Layout: `SWf1`, the header's length as uint32, little-endian, the header, what ordering has released, and the state as
the processor saves it. Header, in JSON:
`{"layout": "part/version:size …", "released": bytes, "events": [[kind, time, applied, fields], …],
"alerts": [[record, onset, cleared, provisional, looked_ahead_to], …], "seen": ["…"], "in_time": 1}`.
"""

import hashlib
import json
import struct
from dataclasses import dataclass, field
from typing import Any, Final

from strikewatch.core.batch import Key
from strikewatch.core.events import Event
from strikewatch.core.instant import Instant
from strikewatch.engine.alert_tracker import TrackedAlert
from strikewatch.errors import StoreError
from strikewatch.storage.commit.step import SavedAlert

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
