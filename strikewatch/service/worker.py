"""The worker: takes messages, commits one transaction per step, then acknowledges them.

decode → admit → pipeline → alert tracker → store → acknowledge. After a crash before the commit the broker redelivers;
after a crash behind it, admission drops the repetitions.
"""

from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from itertools import count
from typing import Any, Final, Protocol

import structlog

from strikewatch.core import instant
from strikewatch.core.alert import Change
from strikewatch.core.batch import NO_ROWS, Batch, Key, Portion, Rows
from strikewatch.core.events import Event
from strikewatch.core.instant import SECOND, Instant
from strikewatch.detectors.maintenance.corrections import KEPT
from strikewatch.engine.alert_tracker import AlertTracker
from strikewatch.engine.pipeline import Pipeline
from strikewatch.engine.self_alerts import DISK_FULL
from strikewatch.engine.state import LAYOUT
from strikewatch.engine.step_result import StepResult
from strikewatch.errors import Rejected, StoreError, StoreLost
from strikewatch.service.clock import CorrectedClock
from strikewatch.service.feed_tally import FeedTally
from strikewatch.service.full_disk import FullDisk, SendUrgent
from strikewatch.service.look_ahead import LookAhead
from strikewatch.service.step import Step, hammer_of_topic
from strikewatch.settings.tree import Settings
from strikewatch.sinks.log import log_changes
from strikewatch.sources.decode import Samples, decode
from strikewatch.sources.decode.events import FIELDS
from strikewatch.sources.decode.samples import KEYS
from strikewatch.sources.hold import LAYOUT as HOLD_LAYOUT
from strikewatch.sources.hold import Hold, bounds_of
from strikewatch.sources.mqtt import Message
from strikewatch.sources.ordering import LAYOUT as ARRIVAL_LAYOUT
from strikewatch.sources.ordering import NEVER, Reorderer
from strikewatch.storage.actions.manual_events import ManualEvents
from strikewatch.storage.commit import spool
from strikewatch.storage.commit.step import StepRecord
from strikewatch.storage.commit.store import Store

_log: Final = structlog.get_logger("worker")

STEP_MESSAGES: Final = 250
"""Largest number of messages in one step, so that newer ones are taken soon. A larger number would save little."""
POLL_EVERY_NS: Final = SECOND
IN_TIME_NS: Final = 10 * SECOND
"""Rows that arrive within this time have not waited at the broker."""
CORRECTION_TOO_LATE: Final = (
    f"only the last {KEPT} entries can be corrected; log what was done last, or the hour meter with the reason "
    "corrected"
)
RETRY_COMMIT_S: Final = 1.0
LOG_EVERY_REFUSALS: Final = 60
"""A refused commit is logged once in this many attempts."""


class Source(Protocol):
    """A source of messages, such as a `Subscriber`."""

    def take(self, limit: int, timeout_s: float) -> list[Message]: ...
    def acknowledge(self, messages: Iterable[Message]) -> None: ...


OnStep = Callable[[Instant, Sequence[Portion], StepResult], None]
"""Called with the wall time at which a step began, its portions and their outcome."""


class Worker:
    """Owns the state of the engine; one thread calls `turn` repeatedly.

    `wall` and `monotonic` return ns. `alerts_changed` is called after a step that changed alerts, `send_urgent` with
    messages to be sent before they are stored. `wait(s)` waits for up to s and returns whether to stop.
    """

    def __init__(
        self,
        settings: Settings,
        store: Store,
        source: Source,
        *,
        wall: Callable[[], Instant],
        monotonic: Callable[[], Instant],
        alerts_changed: Callable[[], None],
        wait: Callable[[float], bool],
        send_urgent: SendUrgent = lambda _messages: None,
    ) -> None:
        intake = settings.intake
        self._prefix = settings.mqtt.prefix
        self._max_ahead_ns = instant.seconds(intake.max_ahead_s)
        self._grace_ns = instant.seconds(intake.grace_s)
        self._reorder_ns = instant.seconds(intake.reorder_s)
        self._max_keys = intake.max_keys
        self._max_pending_events = intake.max_pending_events
        self._store = store
        self._source = source
        self._monotonic = monotonic
        self._alerts_changed = alerts_changed
        self._wait = wait
        self.on_step: OnStep = lambda _received, _portions, _outcome: None
        """Called with the outcome of each step."""
        self._reorderer = Reorderer("gap", self._reorder_ns)
        self._hold = Hold(lambda key: bounds_of(settings.of_hammer(key)))
        self._pipeline = Pipeline(settings.of_hammer)
        self._ahead = LookAhead(self._pipeline)
        self._tracker = AlertTracker(instant.seconds(intake.historic_after_s))
        self._last_heard: dict[Key, Instant] = {}
        self._in_time: dict[Key, int] = {}  # the connection by which a hammer's newest rows came; 0: late
        self._last_poll = monotonic()
        self._feed_tally = FeedTally()
        self.rejected: Counter[str] = Counter()
        self.messages = 0
        self._full_disk = FullDisk(store, send_urgent, monotonic)
        self._clock = CorrectedClock(wall, monotonic, self._restore())
        self._manual_events = ManualEvents(store)

    def present(self) -> list[tuple[Key, Any]]:
        """Return the present state of every hammer; call before the first turn."""
        return [(key, self._pipeline.state_of(key)) for key in self._pipeline.hammers]

    def turn(self, timeout_s: float) -> int:
        """Make one step with the messages that arrive within `timeout_s`; return how many there were."""
        messages = self._source.take(STEP_MESSAGES, timeout_s)
        step = Step(self._clock())
        for message in messages:
            self._decode(message, step)
        now = self._monotonic()
        touched = self._admit_rows(step, now)
        self._advance(step)
        if now - self._last_poll >= POLL_EVERY_NS:
            self._last_poll = now
            self._take_manual_events()
            self._look_ahead(step, now)
            if self._process_due(step.received):
                self._alerts_changed()
        own = self._full_disk.check(step.received, self._last_heard)
        if messages or step.changes or own:
            self._commit(step, touched, own)
            self._source.acknowledge(messages)
            if step.changes or own:
                self._alerts_changed()
                log_changes(step.changes)
        self.messages += len(messages)
        return len(messages)

    def _restore(self) -> Instant:
        """Restore the state of the last commit; return its wall time."""
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
            self._last_heard[key] = now
        events: dict[Key, list[Event]] = {}
        for event in saved.events:
            events.setdefault((event.site, event.hammer), []).append(event)
        for key in dict.fromkeys([*saved.states, *events]):
            self._reorderer.restore(
                key, self._pipeline.watermark(key), waiting.get(key, NO_ROWS), events.get(key, ())
            )
            if key in saved.states:
                self._reorderer.resume(key, *saved.states[key])
            self._last_heard.setdefault(key, now)
        for one in saved.alerts:
            key = one.record["site"], one.record["hammer"]
            if one.record["fault"] == DISK_FULL.name:
                self._full_disk.restore(key[0], one.onset)
                continue
            self._tracker.restore(key, one.alert(), one.ahead, max(self._pipeline.watermark(key), one.onset))
        return saved.newest

    def _decode(self, message: Message, step: Step) -> None:
        received = message.received_ns - self._clock.doubt
        try:
            decoded = decode(
                message.topic,
                message.payload,
                received,
                self._prefix,
                self._max_ahead_ns + max(self._clock.doubt, 0),
                self._hold,
                self._max_keys,
            )
        except Rejected as error:
            step.reject(message.topic, message.payload, error, hammer_of_topic(message.topic, self._prefix))
            return
        if isinstance(decoded, Samples):
            key = decoded.key
            step.rows.setdefault(key, []).append(decoded.rows)
            self._hold.expect(key, decoded.rows)
            if len(decoded.rows):
                newest = int(decoded.rows.time_ns[-1])
                self._clock.heard(key, newest)
                self._in_time[key] = message.generation if received - newest <= IN_TIME_NS else 0
            if message.redelivered:
                step.again.add(key)
            for rejected in decoded.rejected:
                step.reject(message.topic, message.payload, rejected, key)
        else:
            event = decoded.event
            key = event.site, event.hammer
            if event.kind == "connection" and event.time == received:
                event = self._date_last_will(event, message.generation, step)
            if event in step.events or self._store.has_event(event):
                pass
            elif (pending := self._reorderer.pending_events(key)) >= self._max_pending_events:
                refused = Rejected("too_many_events", f"{pending} events of this hammer wait for its samples")
                step.reject(message.topic, message.payload, refused, key)
            else:
                step.events.append(event)
                self._reorderer.add_event(event)
                self._last_heard.setdefault(key, self._monotonic())
        if decoded.unknown:
            known = KEYS if isinstance(decoded, Samples) else FIELDS[decoded.event.kind]
            self._feed_tally.unknown(key, decoded.unknown, known)

    def _date_last_will(self, event: Event, generation: int, step: Step) -> Event:
        """Date a last will, which has no time: at its arrival if the rows before it came in time.

        Otherwise it may have waited at the broker with rows behind it, and the time of the loss is unknown. Then it
        is dated just after the newest row.
        """
        key = event.site, event.hammer
        if self._in_time.get(key) == generation:
            return event
        waiting = [self._reorderer.waiting(key)] if key in self._reorderer.keys else []
        ends = [int(rows.time_ns.max()) for rows in [*waiting, *step.rows.get(key, ())] if len(rows)]
        newest = max([self._reorderer.newest(key), *ends])
        return event if newest == NEVER else replace(event, time=min(newest + 1, event.time))

    def _admit_rows(self, step: Step, now: Instant) -> list[Key]:
        """Admit rows; return the hammers whose state has changed."""
        touched = []
        for key, parts in step.rows.items():
            arrived = Rows.join(parts)
            if len(arrived) and arrived.time_ns.max() > self._reorderer.newest(key):
                self._last_heard[key] = (
                    now  # late rows, as from a clock that was set back, do not show that it is sending now
                )
            self._last_heard.setdefault(key, now)
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
            if now - self._last_heard[key] >= self._reorder_ns:
                step.portions.append(
                    self._hold.portion(self._reorderer.portion(key, self._reorderer.flush(key)))
                )
                touched.append(key)
        return touched

    def _advance(self, step: Step) -> None:
        if not step.portions:
            return
        outcome = self._pipeline.step(Batch(step.portions))
        self._pipeline.commit(outcome)
        self.on_step(step.received, step.portions, outcome)
        for site, hammer in outcome.not_found:
            _log.warning("correction_too_late", site=site, hammer=hammer, remedy=CORRECTION_TOO_LATE)
        step.bouts += outcome.bouts()
        step.stretches += outcome.stretches()
        step.changes += self._tracker.apply(outcome.findings, outcome.on_duty, step.received)
        for portion in step.portions:
            step.changes += self._tracker.withdraw_unconfirmed(portion.key, portion.watermark)

    def _last_row(self, key: Key) -> Instant:
        """Return the time of a hammer's newest row: admitted, or to be filled in while a channel is held."""
        return self._reorderer.newest(key) + self._hold.remaining(key)

    def _look_ahead(self, step: Step, now: Instant) -> None:
        """Run silent hammers ahead to the present without keeping their state, so that late rows still count."""
        portions: list[Portion] = []
        for key, heard in self._last_heard.items():
            silent = now - heard
            upto = self._reorderer.newest(key) + silent - self._grace_ns
            if silent >= self._grace_ns and upto > self._pipeline.watermark(key) > 0:
                portion = self._reorderer.look_ahead(key, upto)
                if self._ahead.needed(portion, self._last_row(key)):
                    portions.append(self._hold.look_ahead(portion))
        if portions:
            outcome = self._pipeline.step(Batch(portions), report=True)
            self._ahead.record(portions, [self._last_row(portion.key) for portion in portions], outcome)
            ahead = {portion.key: portion.watermark for portion in portions}
            for finding in outcome.findings:
                step.changes += self._tracker.apply(
                    [finding], outcome.on_duty, step.received, looked_ahead_to=ahead[finding.key]
                )

    def _take_manual_events(self) -> None:
        """Admit the events that people have logged."""
        try:
            noted = self._manual_events.fetch_new()
        except StoreLost:
            raise
        except StoreError as error:
            _log.error("look_refused", problem=str(error), remedy="nothing is lost; this is retried")
            return
        for event in noted:
            self._reorderer.add_event(event)
            self._last_heard.setdefault((event.site, event.hammer), self._monotonic())
            _log.info("event_noted", site=event.site, hammer=event.hammer, event_kind=event.kind)

    def _process_due(self, now: Instant) -> bool:
        """Queue what is due for sending; return whether anything was. A refused attempt is repeated a second later."""
        try:
            return self._store.process_due(now)
        except StoreLost:
            raise
        except StoreError as error:
            _log.error("look_refused", problem=str(error), remedy="nothing is lost; this is retried")
            return False

    def _commit(self, step: Step, touched: Sequence[Key], own: Sequence[Change]) -> None:
        """Commit the step; retry while the database refuses, and let the broker keep the following messages."""
        states = {}
        for key in touched:
            state = self._pipeline.saved(key) + self._hold.saved(key) + self._reorderer.saved(key)
            waiting = self._reorderer.waiting(key)
            states[key] = state + spool.encode([(key, waiting)]) if len(waiting) else state
        record = StepRecord(
            received=step.received,
            rows=[(portion.key, portion.rows) for portion in step.portions],
            events=step.events,
            applied=[
                replace(event, applied=event.effective)
                for portion in step.portions
                for event in portion.events
            ],
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
                if refused % LOG_EVERY_REFUSALS == 0:
                    _log.error(
                        "commit_refused", problem=str(error), remedy="nothing is lost; this is retried"
                    )
                more = self._full_disk.refused(step.received, self._last_heard)
                record = replace(record, changes=[*record.changes, *more])
                if self._wait(RETRY_COMMIT_S):
                    raise
