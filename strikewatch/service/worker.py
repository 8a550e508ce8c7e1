"""The live step: messages in, one transaction, then the acknowledgement.

decode → admit → pipeline → ledger → store → acknowledge. A crash anywhere before the commit means redelivery, after it
a repetition that admit drops.
"""

import json
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from itertools import count
from math import isfinite
from typing import Any, Final, Protocol

import structlog

from strikewatch.core import instant
from strikewatch.core.alert import Change
from strikewatch.core.batch import NO_ROWS, Batch, Key, Portion, Rows
from strikewatch.core.bout import AttributedBout
from strikewatch.core.events import Event
from strikewatch.core.instant import SECOND, Instant
from strikewatch.core.stretch import AttributedStretch
from strikewatch.detectors.maintenance.corrections import KEPT
from strikewatch.engine.alert_tracker import AlertTracker
from strikewatch.engine.pipeline import Pipeline
from strikewatch.engine.self_alerts import DISK_FULL
from strikewatch.engine.state import LAYOUT
from strikewatch.engine.step_result import StepResult
from strikewatch.errors import Rejected, StoreError, StoreLost
from strikewatch.service.clock import Present
from strikewatch.service.feed_tally import FeedTally
from strikewatch.service.full_disk import Ahead, FullDisk
from strikewatch.service.look_ahead import LookAhead
from strikewatch.settings.tree import Settings
from strikewatch.sinks.log import log_changes
from strikewatch.sources.decode import Samples, decode, topic
from strikewatch.sources.decode.events import FIELDS
from strikewatch.sources.decode.nearest import KNOWN
from strikewatch.sources.hold import LAYOUT as HOLD_LAYOUT
from strikewatch.sources.hold import Hold
from strikewatch.sources.mqtt import Message
from strikewatch.sources.on_change import bounds_of
from strikewatch.sources.ordering import LAYOUT as ARRIVAL_LAYOUT
from strikewatch.sources.ordering import NEVER, Reorderer
from strikewatch.sources.remedies import meaning
from strikewatch.storage.actions.entries import ManualEvents
from strikewatch.storage.commit import spool
from strikewatch.storage.commit.step import Reject, StepRecord
from strikewatch.storage.commit.store import Store

_log: Final = structlog.get_logger("worker")

STEP_MESSAGES: Final = 250
"""At most so many messages in one step, so that what comes meanwhile soon has its turn. More would save little."""
LOOK_EVERY: Final = SECOND
IN_TIME_NS: Final = 10 * SECOND
"""Rows that come this long after their time, or earlier, have not waited at the broker."""
CORRECTION_TOO_LATE: Final = (
    f"only the last {KEPT} entries can be corrected; enter what was done last, or the hour meter with the reason "
    "corrected"
)
RETRY_COMMIT_S: Final = 1.0
PARTS_KEPT: Final = 3
"""Objects of one array that are kept of each reason for leaving them out."""
SAY_EVERY: Final = 60
"""Refusals of one commit from one word about it to the next."""


class Source(Protocol):
    """Where messages come from: a `Subscriber`."""

    def take(self, limit: int, timeout_s: float) -> list[Message]: ...
    def acknowledge(self, messages: Iterable[Message]) -> None: ...


Shown = Callable[[Instant, Sequence[Portion], StepResult], None]
"""Given when a step began (wall clock), its portions, and its outcome."""


class Worker:
    """Owns the core's state; one thread calls `turn` again and again.

    `wall` and `monotonic` tell ns; `told` is called after a step that changed alerts, `ahead` with what must go out
    before it is stored; `wait(s)` waits for up to s and tells whether to stop.
    """

    def __init__(
        self,
        settings: Settings,
        store: Store,
        source: Source,
        *,
        wall: Callable[[], Instant],
        monotonic: Callable[[], Instant],
        told: Callable[[], None],
        wait: Callable[[float], bool],
        ahead: Ahead = lambda _told: None,
    ) -> None:
        intake = settings.intake
        self._prefix = settings.mqtt.prefix
        self._max_ahead_ns = instant.seconds(intake.max_ahead_s)
        self._grace_ns = instant.seconds(intake.grace_s)
        self._reorder_ns = instant.seconds(intake.reorder_s)
        self._store = store
        self._source = source
        self._monotonic = monotonic
        self._told = told
        self._wait = wait
        self.shown: Shown = lambda _received, _portions, _outcome: None
        """Handed what each step of the detectors came to."""
        self._reorderer = Reorderer("gap", self._reorder_ns)
        self._hold = Hold(lambda key: bounds_of(settings.of_hammer(key)))
        self._pipeline = Pipeline(settings.of_hammer)
        self._ahead = LookAhead(self._pipeline)
        self._tracker = AlertTracker(instant.seconds(intake.historic_after_s))
        self._heard: dict[Key, Instant] = {}
        self._in_time: dict[Key, int] = {}  # the connection by which a hammer's newest rows came; 0: late
        self._looked = monotonic()
        self._feed_tally = FeedTally()
        self.rejected: Counter[str] = Counter()
        self.messages = 0
        self._full_disk = FullDisk(store, ahead, monotonic)
        self._present = Present(wall, monotonic, self._resume())
        self._noted = ManualEvents(store)

    def present(self) -> list[tuple[Key, Any]]:
        """Every hammer's record as it stands; for before the first turn."""
        return [(key, self._pipeline.state_of(key)) for key in self._pipeline.hammers]

    def turn(self, timeout_s: float) -> int:
        """Take what has come, for up to `timeout_s`, and see it through; how many messages that were."""
        messages = self._source.take(STEP_MESSAGES, timeout_s)
        step = _Step(self._present())
        for message in messages:
            self._decode(message, step)
        now = self._monotonic()
        touched = self._admit_rows(step, now)
        self._advance(step)
        if now - self._looked >= LOOK_EVERY:
            self._looked = now
            self._take_noted()
            self._look_ahead(step, now)
            if self._look(step.received):
                self._told()
        own = self._full_disk.look(step.received, self._heard)
        if messages or step.changes or own:
            self._commit(step, touched, own)
            self._source.acknowledge(messages)
            if step.changes or own:
                self._told()
                log_changes(step.changes)
        self.messages += len(messages)
        return len(messages)

    def _resume(self) -> Instant:
        """Go on where the last commit left off; the wall time of that."""
        saved = self._store.load()
        now = self._monotonic()
        waiting: dict[Key, Rows] = {}
        for key, (layout, state) in saved.states.items():
            size = sum(int(part.rpartition(":")[2]) for part in layout.split())
            lost = self._pipeline.restore(key, layout, state[:size])
            if lost:
                _log.warning("state_lost", site=key[0], hammer=key[1], begun_anew=lost)
            if len(state) > size:
                [(_, waiting[key])], _ = spool.decode(state[size:])
            self._hold.restore(key, layout, state)
            self._hold.expect(key, waiting.get(key, NO_ROWS))
            self._heard[key] = now
        events: dict[Key, list[Event]] = {}
        for event in saved.events:
            events.setdefault((event.site, event.hammer), []).append(event)
        for key in dict.fromkeys([*saved.states, *events]):
            self._reorderer.restore(
                key, self._pipeline.watermark(key), waiting.get(key, NO_ROWS), events.get(key, ())
            )
            if key in saved.states:
                self._reorderer.resume(key, *saved.states[key])
            self._heard.setdefault(key, now)
        for one in saved.alerts:
            key = one.record["site"], one.record["hammer"]
            if one.record["fault"] == DISK_FULL.name:
                self._full_disk.restore(key[0], one.onset)
                continue
            self._tracker.restore(key, one.alert(), one.ahead, max(self._pipeline.watermark(key), one.onset))
        return saved.newest

    def _decode(self, message: Message, step: "_Step") -> None:
        received = message.received_ns - self._present.doubt
        try:
            decoded = decode(
                message.topic,
                message.payload,
                received,
                self._prefix,
                self._max_ahead_ns + max(self._present.doubt, 0),
                self._hold,
            )
        except Rejected as error:
            step.reject(message.topic, message.payload, error, _hammer_of(message.topic, self._prefix))
            return
        if isinstance(decoded, Samples):
            key = decoded.key
            step.rows.setdefault(key, []).append(decoded.rows)
            self._hold.expect(key, decoded.rows)
            if len(decoded.rows):
                newest = int(decoded.rows.time_ns[-1])
                self._present.heard(key, newest)
                self._in_time[key] = message.generation if received - newest <= IN_TIME_NS else 0
            if message.redelivered:
                step.again.add(key)
            step.reject_parts(message.topic, message.payload, decoded.rejected, key)
        else:
            event = decoded.event
            key = event.site, event.hammer
            if event.kind == "connection" and event.time == received:
                event = self._dated(event, message.generation, step)
            if event not in step.events and not self._store.has_event(event):
                step.events.append(event)
                self._reorderer.add_event(event)
                self._heard.setdefault(key, self._monotonic())
        if decoded.unknown:
            known = KNOWN if isinstance(decoded, Samples) else FIELDS[decoded.event.kind]
            self._feed_tally.unknown(key, decoded.unknown, known)

    def _dated(self, event: Event, generation: int, step: "_Step") -> Event:
        """A last will, which bears no time: of its arrival, where the rows before it came in time.

        Otherwise it may have waited at the broker, with rows behind it, and nobody knows when the sender was lost:
        what is held is known up to the newest row only.
        """
        key = event.site, event.hammer
        if self._in_time.get(key) == generation:
            return event
        waiting = [self._reorderer.waiting(key)] if key in self._reorderer.keys else []
        ends = [int(rows.time_ns.max()) for rows in [*waiting, *step.rows.get(key, ())] if len(rows)]
        newest = max([self._reorderer.newest(key), *ends])
        return event if newest == NEVER else replace(event, time=min(newest + 1, event.time))

    def _admit_rows(self, step: "_Step", now: Instant) -> list[Key]:
        """Let rows pass; returns the hammers whose state has changed."""
        touched = []
        for key, parts in step.rows.items():
            arrived = Rows.join(parts)
            if len(arrived) and arrived.time_ns.max() > self._reorderer.newest(key):
                self._heard[key] = (
                    now  # late ones, as of a clock that was set back, are no sign of the present
                )
            self._heard.setdefault(key, now)
            repeated = self._reorderer.duplicates(key)
            rows = self._reorderer.add_rows(key, arrived, redelivered=key in step.again)
            if repeated := self._reorderer.duplicates(key) - repeated:
                self._feed_tally.duplicates(key, repeated)
            touched.append(key)
            if len(rows):
                step.portions.append(self._hold.portion(self._reorderer.portion(key, rows)))
            for reason, unused in self._reorderer.take_unused(key):
                step.reject_rows(key, reason, unused)
        for key in self._reorderer.waiting_hammers:
            if now - self._heard[key] >= self._reorder_ns:
                step.portions.append(
                    self._hold.portion(self._reorderer.portion(key, self._reorderer.flush(key)))
                )
                touched.append(key)
        return touched

    def _advance(self, step: "_Step") -> None:
        if not step.portions:
            return
        outcome = self._pipeline.step(Batch(step.portions))
        self._pipeline.commit(outcome)
        self.shown(step.received, step.portions, outcome)
        for site, hammer in outcome.not_found:
            _log.warning("correction_too_late", site=site, hammer=hammer, remedy=CORRECTION_TOO_LATE)
        step.bouts += outcome.bouts()
        step.stretches += outcome.stretches()
        step.changes += self._tracker.apply(outcome.findings, outcome.on_duty, step.received)
        for portion in step.portions:
            step.changes += self._tracker.withdraw_unconfirmed(portion.key, portion.watermark)

    def _last_row(self, key: Key) -> Instant:
        """The newest row that is known to come of a hammer: passed on, or filled in while a channel is held."""
        return self._reorderer.newest(key) + self._hold.remaining(key)

    def _look_ahead(self, step: "_Step", now: Instant) -> None:
        """Where nothing is heard time passes all the same; the state of it is not kept, so that rows may still come."""
        portions: list[Portion] = []
        for key, heard in self._heard.items():
            silent = now - heard
            upto = self._reorderer.newest(key) + silent - self._grace_ns
            if silent >= self._grace_ns and upto > self._pipeline.watermark(key) > 0:
                portion = self._reorderer.look_ahead(key, upto)
                if self._ahead.needed(portion, self._last_row(key)):
                    portions.append(self._hold.look_ahead(portion))
        if portions:
            outcome = self._pipeline.step(Batch(portions), report=True)
            self._ahead.looked(portions, [self._last_row(portion.key) for portion in portions], outcome)
            ahead = {portion.key: portion.watermark for portion in portions}
            for finding in outcome.findings:
                step.changes += self._tracker.apply(
                    [finding], outcome.on_duty, step.received, looked_ahead_to=ahead[finding.key]
                )

    def _take_noted(self) -> None:
        """Events that somebody entered beside the processor."""
        try:
            noted = self._noted.fetch_new()
        except StoreLost:
            raise
        except StoreError as error:
            _log.error("look_refused", problem=str(error), remedy="nothing is lost; it is tried again")
            return
        for event in noted:
            self._reorderer.add_event(event)
            self._heard.setdefault((event.site, event.hammer), self._monotonic())
            _log.info("event_noted", site=event.site, hammer=event.hammer, event_kind=event.kind)

    def _look(self, now: Instant) -> bool:
        """Let what waits to be told come up; a database that refuses is asked again with the next look."""
        try:
            return self._store.process_due(now)
        except StoreLost:
            raise
        except StoreError as error:
            _log.error("look_refused", problem=str(error), remedy="nothing is lost; it is tried again")
            return False

    def _commit(self, step: "_Step", touched: Sequence[Key], own: Sequence[Change]) -> None:
        """Make the step durable; a database that refuses is tried again, while the broker keeps what follows."""
        states = {}
        for key in touched:
            state = self._pipeline.saved(key) + self._hold.saved(key) + self._reorderer.saved(key)
            waiting = self._reorderer.waiting(key)
            states[key] = state + spool.encode([(key, waiting)]) if len(waiting) else state
        record = StepRecord(
            received=step.received,
            rows=[(portion.key, portion.rows) for portion in step.portions],
            events=step.events,
            applied=[replace(e, applied=e.effective) for portion in step.portions for e in portion.events],
            changes=[*step.changes, *own],
            bouts=step.bouts,
            stretches=step.stretches,
            states=states,
            layout=f"{LAYOUT} {HOLD_LAYOUT} {ARRIVAL_LAYOUT}",
            rejects=step.rejects,
            counts=self._reorderer.take_duplicate_counts(),
            feed=self._feed_tally.take(self._monotonic()),
        )
        for reject in step.rejects:
            self.rejected[reject.reason] += reject.rows
        for refused in count():
            try:
                self._store.commit(record)
                if refused:
                    _log.warning("commit_taken", refused=refused)
                self._full_disk.stored()
                return
            except StoreLost:
                raise
            except StoreError as error:
                if refused % SAY_EVERY == 0:
                    _log.error(
                        "commit_refused", problem=str(error), remedy="nothing is lost; it is tried again"
                    )
                more = self._full_disk.refused(step.received, self._heard)
                record = replace(record, changes=[*record.changes, *more])
                if self._wait(RETRY_COMMIT_S):
                    raise


class _Step:
    """What one turn gathers."""

    def __init__(self, received: Instant) -> None:
        self.received = received
        self.rows: dict[Key, list[Rows]] = {}
        self.again: set[Key] = set()
        self.events: list[Event] = []
        self.portions: list[Portion] = []
        self.changes: list[Change] = []
        self.bouts: list[AttributedBout] = []
        self.stretches: list[AttributedStretch] = []
        self.rejects: list[Reject] = []

    def reject(self, topic: str, payload: bytes, error: Rejected, key: Key | None) -> None:
        self.rejects.append(Reject(topic, payload, error.reason, error.detail, key))

    def reject_parts(self, topic: str, payload: bytes, errors: Sequence[Rejected], key: Key) -> None:
        """Objects of one array that were left out: a few of each reason one by one, the others counted with them, so
        that one message does not push everybody else's out of what is kept."""
        by_reason: dict[str, list[Rejected]] = {}
        for error in errors:
            by_reason.setdefault(error.reason, []).append(error)
        for reason, own in by_reason.items():
            for k, error in enumerate(own[:PARTS_KEPT], 1):
                n = len(own) - PARTS_KEPT + 1 if k == PARTS_KEPT else 1
                self.rejects.append(Reject(topic, payload, reason, error.detail, key, n))

    def reject_rows(self, key: Key, reason: str, rows: Rows) -> None:
        first, last = instant.text(int(rows.time_ns[0])), instant.text(int(rows.time_ns[-1]))
        kept: dict[str, Any] = {"time_ns": rows.time_ns.tolist()}
        for name, column in rows.columns.items():
            kept[name] = [value if isfinite(value) else None for value in column.tolist()]
        detail = f"{len(rows)} rows from {first} to {last}: {meaning(reason)}"
        self.rejects.append(
            Reject(f"{key[0]}/{key[1]}", json.dumps(kept).encode(), reason, detail, key, len(rows))
        )


def _hammer_of(name: str, prefix: str) -> Key | None:
    """The hammer that a topic names; None where it breaks the contract."""
    try:
        return topic.parse(name, prefix)[0]
    except Rejected:
        return None
