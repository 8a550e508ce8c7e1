"""The data of one step, from the messages taken to what is committed."""

import json
from collections import Counter
from collections.abc import Mapping
from dataclasses import replace
from math import isfinite
from typing import Any

from strikewatch.core import instant
from strikewatch.core.alert import Change
from strikewatch.core.batch import Key, Portion, Rows
from strikewatch.core.bout import AttributedBout
from strikewatch.core.events import Event
from strikewatch.core.instant import Instant
from strikewatch.core.stretch import AttributedStretch
from strikewatch.engine.alert_tracker import AlertTracker
from strikewatch.engine.step_result import StepResult
from strikewatch.errors import Rejected
from strikewatch.sources.mqtt import Message
from strikewatch.sources.reasons import explain
from strikewatch.storage.commit.step import Reject


class Step:
    """The data of one step: decoded rows and events, what the detectors found, and rejects.

    `received`: wall time. `recorded`: from our own recordings, so not to be recorded. `redelivered`: hammers with
    redelivered messages. `postponed`: messages for another step. `requests`: topics and payloads to publish.
    `counts`: rows dropped without being kept, by reason.
    """

    def __init__(self, received: Instant, *, recorded: bool = False) -> None:
        self.received = received
        self.recorded = recorded
        self.rows: dict[Key, list[Rows]] = {}
        self.redelivered: set[Key] = set()
        self.events: list[Event] = []
        self.portions: list[Portion] = []
        self.changes: list[Change] = []
        self.bouts: list[AttributedBout] = []
        self.stretches: list[AttributedStretch] = []
        self.rejects: list[Reject] = []
        self.counts: Counter[str] = Counter()
        self.postponed: list[Message] = []
        self.requests: list[tuple[str, bytes]] = []
        self.postponed_hammers: set[Key] = set()
        self.held_ns = 0

    @property
    def applied(self) -> list[Event]:
        """The events that took effect, each with the time at which it did."""
        return [
            replace(event, applied=event.effective) for portion in self.portions for event in portion.events
        ]

    def add_result(self, result: StepResult, tracker: AlertTracker) -> None:
        """Add what the detectors have found in the portions."""
        self.bouts += result.bouts()
        self.stretches += result.stretches()
        self.changes += tracker.apply(result.findings, result.on_duty, self.received)
        for portion in self.portions:
            self.changes += tracker.withdraw_unconfirmed(portion.key, portion.watermark)

    def add_look_ahead(self, result: StepResult, until: Mapping[Key, Instant], tracker: AlertTracker) -> None:
        """Add what a look-ahead has found; `until`: how far it went for each hammer."""
        for finding in result.findings:
            self.changes += tracker.apply(
                [finding], result.on_duty, self.received, looked_ahead_to=until[finding.key]
            )

    def reject(self, topic: str, payload: bytes, error: Rejected, key: Key | None) -> None:
        """Reject a payload."""
        self.rejects.append(Reject(topic, payload, error.reason, error.detail, key, error.count))

    def reject_rows(self, key: Key, reason: str, rows: Rows) -> None:
        """Reject rows that were not used, with their values."""
        first, last = instant.text(int(rows.time_ns[0])), instant.text(int(rows.time_ns[-1]))
        kept: dict[str, Any] = {"time_ns": rows.time_ns.tolist()}
        for name, column in sorted(rows.columns.items()):
            kept[name] = [value if isfinite(value) else None for value in column.tolist()]
        detail = f"{len(rows)} rows from {first} to {last}: {explain(reason).meaning}"
        self.rejects.append(
            Reject(f"{key[0]}/{key[1]}", json.dumps(kept).encode(), reason, detail, key, len(rows))
        )
