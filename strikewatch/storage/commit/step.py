"""What one step hands to the store, and what the store hands back after a restart."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from strikewatch.core.alert import Alert, Change
from strikewatch.core.batch import Key, Rows
from strikewatch.core.bout import AttributedBout
from strikewatch.core.events import Event
from strikewatch.core.instant import Instant
from strikewatch.core.stretch import AttributedStretch


@dataclass(frozen=True, slots=True)
class Reject:
    """A payload that broke the contract: where it came from, what it was, and why it was refused.

    `key` is the hammer, where the topic names one. `rows`: how many rows it stands for, where rows were not used.
    """

    topic: str
    payload: bytes
    reason: str
    detail: str
    key: Key | None = None
    rows: int = 1


@dataclass(frozen=True, slots=True)
class FeedCount:
    """What is counted of a hammer's feed without a payload: duplicates, and each unknown key by its `name`."""

    key: Key
    reason: str
    n: int
    name: str = ""
    detail: str = ""


@dataclass(frozen=True, slots=True)
class StepRecord:
    """Everything that one step must make durable before its messages are acknowledged.

    `received` is the wall time of the step. `rows` were admitted in it and `events` arrived in it; `applied`
    took effect in it, each with its `applied` instant; `bouts` and `stretches` came to their end. `states` holds the
    new state of every hammer that moved, in the named `layout`. `counts` adds to the tally by reason whatever was
    dropped without being kept (duplicates, late rows); the `rejects` are tallied by their own reasons besides.
    `feed` is counted by sender.
    """

    received: Instant
    rows: Sequence[tuple[Key, Rows]] = ()
    events: Sequence[Event] = ()
    applied: Sequence[Event] = ()
    changes: Sequence[Change] = ()
    bouts: Sequence[AttributedBout] = ()
    states: Mapping[Key, bytes] = field(default_factory=dict)
    layout: str = ""
    rejects: Sequence[Reject] = ()
    counts: Mapping[str, int] = field(default_factory=dict)
    stretches: Sequence[AttributedStretch] = ()
    feed: Sequence[FeedCount] = ()


@dataclass(frozen=True, slots=True)
class SavedAlert:
    """An alert as it last stood; `onset` and `cleared` to the nanosecond, which the record cuts off.

    `ahead` is that of the last `Change`.
    """

    record: dict[str, Any]
    onset: Instant
    cleared: Instant | None
    ahead: int

    def alert(self) -> Alert:
        record = self.record
        told = record["evidence"], record["summary"]
        return Alert(
            fault=record["fault"],
            site=record["site"],
            hammer=record["hammer"],
            operator=record["operator"],
            priority=record["priority"],
            onset=self.onset,
            describe=lambda: told,
            cleared=self.cleared,
            historic=record["historic"],
        )


@dataclass(frozen=True, slots=True)
class Saved:
    """Where the last step left off.

    `states`: per hammer the layout's name and the bytes. `alerts`: all that are still open or were seen ahead only, in
    onset order. `events`: those stored that have not taken effect yet, in time order. `newest`: the wall time of the
    newest step on record, 0 if there is none.
    """

    states: dict[Key, tuple[str, bytes]]
    alerts: list[SavedAlert]
    events: list[Event]
    newest: Instant
