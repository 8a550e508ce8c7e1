"""The data of one step, from the messages taken to what is committed, and the room that each hammer has in it."""

import json
from collections import Counter
from collections.abc import Mapping
from dataclasses import replace
from math import isfinite
from typing import Any, Final

import numpy as np

from strikewatch.core import instant
from strikewatch.core.alert import Change
from strikewatch.core.batch import Ints, Key, Portion, Rows
from strikewatch.core.bout import AttributedBout
from strikewatch.core.events import Event
from strikewatch.core.instant import SECOND, Instant
from strikewatch.core.stretch import AttributedStretch
from strikewatch.engine.alert_tracker import AlertTracker
from strikewatch.engine.step_result import StepResult
from strikewatch.errors import Rejected
from strikewatch.sources.mqtt import Message
from strikewatch.sources.reasons import explain
from strikewatch.storage.commit.step import Reject

QUANTUM_NS: Final = 5 * SECOND
"""A longer time between two rows counts as this much."""
LIMIT_NS: Final = 500 * QUANTUM_NS
"""Time of rows that a step takes of one hammer: 42 min with a row a second, 500 rows with one a minute."""


class StepLimit:
    """The time of rows that each hammer has used in a step.

    It bounds what one hammer's rows may cost: a message with weeks of rows is processed in several steps. Alerts need
    time: no hammer raises more than a few in `QUANTUM_NS`. So the time that rows span bounds the alerts of a step, its
    memory, and how long other hammers wait for the next step.
    """

    def __init__(self) -> None:
        self._used: dict[Key, int] = {}
        self._unmeasured: dict[Key, list[Rows]] = {}  # counted as QUANTUM_NS a row until the limit is reached

    def take_room(self, key: Key, rows: Rows) -> int:
        """Take the room for as many of the rows as fit, of a step's first at least one; return how many."""
        n = len(rows.time_ns)
        used = self._used.get(key, 0) + QUANTUM_NS * n
        if used <= LIMIT_NS:
            self._used[key] = used
            self._unmeasured.setdefault(key, []).append(rows)
            return n
        used = self._measure(key)
        costs = used + _costs(rows)
        fitting = max(int(np.searchsorted(costs, LIMIT_NS, side="right")), 0 if used else 1)
        if fitting:
            self._used[key] = int(costs[fitting - 1])
        return fitting

    def _measure(self, key: Key) -> int:
        """Return the time of rows that a hammer has used, ns."""
        used = self._used.get(key, 0)
        for rows in self._unmeasured.pop(key, ()):
            if len(rows):
                used += int(_costs(rows)[-1]) - QUANTUM_NS * len(rows)
        self._used[key] = used
        return used


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
        self.limit = StepLimit()
        self.portions: list[Portion] = []
        self.applied: list[Event] = []
        """The events that took effect, each with the time at which it did."""
        self.changes: list[Change] = []
        self.bouts: list[AttributedBout] = []
        self.stretches: list[AttributedStretch] = []
        self.rejects: list[Reject] = []
        self.counts: Counter[str] = Counter()
        self.postponed: list[Message] = []
        self.requests: list[tuple[str, bytes]] = []
        self.postponed_hammers: set[Key] = set()
        self.held_ns = 0

    def add_result(self, result: StepResult, tracker: AlertTracker) -> None:
        """Add what the detectors have found in the portions."""
        self.bouts += result.bouts()
        self.stretches += result.stretches()
        self.changes += tracker.apply(result.findings, result.on_duty, self.received)
        for portion in self.portions:
            self.changes += tracker.withdraw_unconfirmed(portion.key, portion.watermark)
            self.applied += [replace(event, applied=event.effective) for event in portion.events]

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


def _costs(rows: Rows) -> Ints:
    """Return the time of rows that each row and those before it use, ns; at least one row is given."""
    costs = np.full(len(rows), QUANTUM_NS)
    np.clip(np.diff(rows.time_ns), 0, QUANTUM_NS, out=costs[1:])
    return np.cumsum(costs)
