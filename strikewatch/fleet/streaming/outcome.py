"""What one micro-batch of a shard leaves for the driver, as JSON, and the step record of all shards together."""

import base64
import json
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from strikewatch.core.alert import Change
from strikewatch.core.batch import Key
from strikewatch.core.bout import AttributedBout, Bout
from strikewatch.core.events import Event
from strikewatch.core.instant import Instant
from strikewatch.core.stretch import AttributedStretch, Stretch
from strikewatch.fleet.streaming.saved import event_fields, event_of
from strikewatch.storage.commit.step import FeedCount, Reject, StepRecord


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
