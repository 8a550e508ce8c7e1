"""The data of one step as the store writes it, and the saved data that the store returns after a restart."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from strikewatch.core.alert import Alert, Change
from strikewatch.core.instant import Instant

if TYPE_CHECKING:  # commands that only read the database do not load numpy
    from strikewatch.core.batch import Key, Rows
    from strikewatch.core.bout import AttributedBout
    from strikewatch.core.events import Event
    from strikewatch.core.stretch import AttributedStretch
    from strikewatch.sources.decode.sparkplug import NodeChanges


@dataclass(frozen=True, slots=True)
class Reject:
    """A rejected payload, or rows that were not used: topic, content and reason.

    `key`: the hammer, if the topic names one; without a hammer ("") the site counts as the sender, without both all
    others. `rows`: how many rows this reject counts for.
    """

    topic: str
    payload: bytes
    reason: str
    detail: str
    key: "Key | None" = None
    rows: int = 1


@dataclass(frozen=True, slots=True)
class FeedCount:
    """A count of a hammer's feed that is kept without payloads: duplicates, or one unknown key, `name`."""

    key: "Key"
    reason: str
    n: int
    name: str = ""
    detail: str = ""


@dataclass(frozen=True, slots=True)
class StepRecord:
    """Everything that one step must make durable before its messages are acknowledged.

    `received`: wall time of the step. `rows`: admitted. `events`: arrived. `applied`: events that took effect, each
    with its `applied` instant. `bouts` and `stretches`: ended. `states`: the new state of every hammer that changed,
    in the named `layout`. `counts`: rows dropped without being kept (duplicates, late rows), by reason; the `rejects`
    are counted by their own reasons in addition. `feed`: counts by sender. `session_held`: wall time at which the
    broker held the session; None: not to be written. `recorded`: rows and applied events are in recordings already.
    `nodes`: by Sparkplug source, what has changed of its nodes. `stream_batch`: the stream and the number of the
    micro-batch whose outcome this is.
    """

    received: Instant
    rows: "Sequence[tuple[Key, Rows]]" = ()
    events: "Sequence[Event]" = ()
    applied: "Sequence[Event]" = ()
    changes: Sequence[Change] = ()
    bouts: "Sequence[AttributedBout]" = ()
    states: "Mapping[Key, bytes]" = field(default_factory=dict)
    layout: str = ""
    rejects: Sequence[Reject] = ()
    counts: Mapping[str, int] = field(default_factory=dict)
    stretches: "Sequence[AttributedStretch]" = ()
    feed: Sequence[FeedCount] = ()
    session_held: Instant | None = None
    recorded: bool = False
    nodes: "Mapping[str, NodeChanges]" = field(default_factory=dict)
    stream_batch: tuple[str, int] | None = None


@dataclass(frozen=True, slots=True)
class SavedAlert:
    """The last known state of an alert; `onset` and `cleared` in nanoseconds, which the record rounds down.

    `ahead`: that of the last `Change`.
    """

    record: dict[str, Any]
    onset: Instant
    cleared: Instant | None
    ahead: int

    def alert(self) -> Alert:
        """Rebuild the alert that the tracker continues with."""
        record = self.record
        words = record["evidence"], record["summary"]
        return Alert(
            fault=record["fault"],
            site=record["site"],
            hammer=record["hammer"],
            operator=record["operator"],
            priority=record["priority"],
            onset=self.onset,
            describe=lambda: words,
            cleared=self.cleared,
            historic=record["historic"],
        )


@dataclass(frozen=True, slots=True)
class Saved:
    """The saved data of the last committed step.

    `states`: layout name and bytes by hammer. `alerts`: those that have not ended, or that only a look-ahead found, in
    onset order. `events`: stored events that have not taken effect yet, in order of arrival. `newest`: wall time of
    the newest step on record; 0 if there is none.
    """

    states: "dict[Key, tuple[str, bytes]]"
    alerts: list[SavedAlert]
    events: "list[Event]"
    newest: Instant
