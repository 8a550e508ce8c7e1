"""What one step of the worker gathers before it is committed."""

import json
from collections.abc import Sequence
from math import isfinite
from typing import Any, Final

from strikewatch.core import instant
from strikewatch.core.alert import Change
from strikewatch.core.batch import Key, Portion, Rows
from strikewatch.core.bout import AttributedBout
from strikewatch.core.events import Event
from strikewatch.core.instant import Instant
from strikewatch.core.stretch import AttributedStretch
from strikewatch.errors import Rejected
from strikewatch.sources.decode import topic
from strikewatch.sources.remedies import meaning
from strikewatch.storage.commit.step import Reject

PARTS_KEPT: Final = 3
"""How many rejected objects of one array are kept for each reason."""


class Step:
    """The data of one step: decoded rows and events, what the detectors found, and rejects.

    `received`: wall time. `redelivered`: hammers with redelivered messages.
    """

    def __init__(self, received: Instant) -> None:
        self.received = received
        self.rows: dict[Key, list[Rows]] = {}
        self.redelivered: set[Key] = set()
        self.events: list[Event] = []
        self.portions: list[Portion] = []
        self.changes: list[Change] = []
        self.bouts: list[AttributedBout] = []
        self.stretches: list[AttributedStretch] = []
        self.rejects: list[Reject] = []

    def reject(self, topic: str, payload: bytes, error: Rejected, key: Key | None) -> None:
        """Reject a payload."""
        self.rejects.append(Reject(topic, payload, error.reason, error.detail, key))

    def reject_parts(self, topic: str, payload: bytes, errors: Sequence[Rejected], key: Key) -> None:
        """Reject objects of one array: keep a few of each reason and count the others with the last of these.

        So one message cannot displace the kept rejects of other senders.
        """
        by_reason: dict[str, list[Rejected]] = {}
        for error in errors:
            by_reason.setdefault(error.reason, []).append(error)
        for reason, own in by_reason.items():
            for k, error in enumerate(own[:PARTS_KEPT], 1):
                n = len(own) - PARTS_KEPT + 1 if k == PARTS_KEPT else 1
                self.rejects.append(Reject(topic, payload, reason, error.detail, key, n))

    def reject_rows(self, key: Key, reason: str, rows: Rows) -> None:
        """Reject rows that were not used, with their values."""
        first, last = instant.text(int(rows.time_ns[0])), instant.text(int(rows.time_ns[-1]))
        kept: dict[str, Any] = {"time_ns": rows.time_ns.tolist()}
        for name, column in rows.columns.items():
            kept[name] = [value if isfinite(value) else None for value in column.tolist()]
        detail = f"{len(rows)} rows from {first} to {last}: {meaning(reason)}"
        self.rejects.append(
            Reject(f"{key[0]}/{key[1]}", json.dumps(kept).encode(), reason, detail, key, len(rows))
        )


def hammer_of_topic(name: str, prefix: str) -> Key | None:
    """Return the hammer that a topic names; None if the topic is not valid."""
    try:
        return topic.parse(name, prefix)[0]
    except Rejected:
        return None
