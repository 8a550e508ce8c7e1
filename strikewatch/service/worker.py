"""The worker: takes messages, commits one transaction per step, then acknowledges them.

decode → order → pipeline → alert tracker → store → acknowledge. After a crash before the commit the broker redelivers;
after a crash behind it, ordering drops the repetitions.
"""

from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Final, Protocol

import structlog

from strikewatch.core import instant
from strikewatch.core.alert import Change
from strikewatch.core.batch import Batch, Key, Portion, Rows
from strikewatch.core.events import Event
from strikewatch.core.instant import SECOND, Instant
from strikewatch.detectors.maintenance.corrections import KEPT
from strikewatch.engine.alert_tracker import AlertTracker
from strikewatch.engine.pipeline import Pipeline
from strikewatch.engine.state import LAYOUT as STATE_LAYOUT
from strikewatch.engine.step_result import StepResult
from strikewatch.errors import StoreError, StoreLost
from strikewatch.service.broker_session import SessionWatch
from strikewatch.service.committer import Committer, SendUrgent
from strikewatch.service.intake import LAYOUT as INTAKE_LAYOUT
from strikewatch.service.intake import Decoder, Intake, Step
from strikewatch.service.look_ahead import LookAhead
from strikewatch.service.step_journal import JournaledSource, Phase, StepJournal
from strikewatch.settings.tree import Settings
from strikewatch.sinks.log import log_changes
from strikewatch.sources.mapping import SourceHealth, Sources
from strikewatch.sources.mqtt import Message
from strikewatch.storage.actions.entries import ManualEvents
from strikewatch.storage.commit.sparkplug_nodes import restore_nodes
from strikewatch.storage.commit.step import Saved, StepRecord
from strikewatch.storage.commit.store import Store
from strikewatch.web.live.worker_stats import WorkerStats

_log: Final = structlog.get_logger("worker")

STEP_MESSAGES: Final = 1000
"""Largest number of messages in one step: a step of a backlog takes about 50 ms. See also `fair_queue.SHORT_STEP`."""
FLOODING: Final = 100
"""A hammer with this many findings in one step is committed after the others."""
POLL_EVERY_NS: Final = SECOND
CORRECTION_TOO_LATE: Final = (
    f"only the last {KEPT} entries can be corrected; log what was done last, or the hour meter with the reason "
    "corrected"
)
SIGNAL_LOST: Final = "signal_lost"


class Source(Protocol):
    """A source of messages, such as a `Subscriber`."""

    def take(self, limit: int, timeout_s: float) -> list[Message]: ...
    def acknowledge(self, messages: Iterable[Message]) -> None: ...
    def put_back(self, messages: Sequence[Message]) -> None:
        """Let the next `take` return these messages again, before later ones of their hammers."""


OnStep = Callable[[Instant, Sequence[Portion], StepResult], None]
"""Called with the wall time at which a step began, its portions and their result."""
Recorded = Mapping[Key, tuple[Rows, Sequence[Event]]]
"""By hammer, rows and events of our own recordings, in order."""


class Worker:
    """Owns the state of the engine; one thread calls `turn` repeatedly.

    `wall` and `monotonic` return ns. `alerts_changed` is called after a step that changed alerts, `send_urgent` with
    messages to be sent before they are stored. `wait(s)` waits for up to s and returns whether to stop. `session`: the
    session at the broker. `journal`: lists the messages under way, so that none can end the process again and again.
    `sources`: mapped topics. `publish(topic, payload)` sends a request to a gateway, which may be lost.
    `stats` gets the progress of the steps.
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
        session: SessionWatch | None = None,
        journal: StepJournal | None = None,
        sources: Sources | None = None,
        publish: Callable[[str, bytes], None] = lambda _topic, _payload: None,
        stats: WorkerStats | None = None,
    ) -> None:
        self._store = store
        self._journal = journal or StepJournal()
        self._source = JournaledSource(source, self._journal)
        self._wall = wall
        self._monotonic = monotonic
        self._stats = stats or WorkerStats()
        self._alerts_changed = alerts_changed
        self.on_step: OnStep | None = None
        """Called with the outcome of each step."""
        saved = store.load()
        self._sources = sources or Sources({})
        self._sparkplug = self._sources.sparkplug
        self._intake = Intake(settings, wall, monotonic, store.has_event, saved.newest)
        check = self._journal.check if self._journal.has_refused else None
        self._decoder = Decoder(settings, self._intake, check, self._sources)
        self._publish = publish
        with store.read() as connection:
            for each in self._sparkplug:
                restore_nodes(connection, each.name, each.nodes)
        self.source_health: tuple[SourceHealth, ...] = self._sources.report(wall())
        """What has been heard of each mapped source, renewed every second; any thread may read it."""
        self._pipeline = Pipeline(settings.of_hammer)
        self._look_ahead = LookAhead(self._pipeline, self._intake, instant.seconds(settings.intake.grace_s))
        self._tracker = AlertTracker(instant.seconds(settings.intake.historic_after_s))
        self._last_poll = monotonic()
        self.rejected: Counter[str] = Counter()
        self.messages = 0
        self._committer = Committer(store, self._journal, send_urgent, monotonic, wait)
        self._session = session or SessionWatch()
        self._manual_events = ManualEvents(store)
        self._restore(saved)

    def current_states(self) -> list[tuple[Key, bytes]]:
        """Return the packed state of every hammer; call before the first turn."""
        return [(key, self._pipeline.packed(key)) for key in self._pipeline.hammers]

    def newest_rows(self) -> dict[Key, Instant]:
        """Return the time of every hammer's newest row."""
        return {key: self._intake.reorderer.newest(key) for key in self._pipeline.hammers}

    def turn(self, timeout_s: float) -> int:
        """Make one step with the messages that arrive within `timeout_s`; return how many there were."""
        taken = messages = self._source.take(STEP_MESSAGES, timeout_s)
        if messages:
            oldest = min(message.received_ns for message in messages)
            self._stats.begin_step((self._wall() - oldest) / SECOND)
            self._store.begin_step()
        step = Step(self._intake.clock())
        self._decoder.decode(messages, step)
        now = self._monotonic()
        changed = self._intake.order_rows(step, now)
        flooding = self._advance(step)
        if now - self._last_poll >= POLL_EVERY_NS and not flooding:
            self._last_poll = now
            self.source_health = self._sources.report(step.received)
            self._journal.mark(Phase.UNRELATED)
            self._take_manual_events()
            if (ahead := self._look_ahead.run(now)) is not None:
                step.add_look_ahead(*ahead, self._tracker)
            if self._process_due(step.received):
                self._alerts_changed()
        heard = self._intake.last_heard
        own_changes = self._committer.check_database(step.received, heard)
        own_changes += self._session.check(step.received, now, heard, self._intake.reorderer.newest)
        if messages or step.portions or step.changes or own_changes or self._session.must_save:
            self._commit_in_turns(step, changed, flooding, own_changes)
            if step.postponed:
                postponed = set(map(id, step.postponed))
                self._source.put_back([message for message in messages if id(message) in postponed])
                messages = [message for message in messages if id(message) not in postponed]
            self._source.acknowledge(messages)
            self._stats.end_step()
        self.messages += len(messages)
        return len(taken)

    def replay_recorded(self, recorded: Recorded, received: Instant) -> None:
        """Make one step with rows and events of our own recordings, as it was made when they arrived.

        They were ordered and filled before they were recorded, and are not recorded again. `received`: wall time.
        """
        step = Step(received, recorded=True)
        for key, (rows, events) in recorded.items():
            self._intake.take_recorded(key, rows, events, step)
        flooding = self._advance(step)
        if self._process_due(received):
            self._alerts_changed()
        self._commit_in_turns(step, list(recorded), flooding, ())

    def end_recorded(self, until: Instant, now: Instant, own_changes: Sequence[Change]) -> None:
        """End a replay of recordings that reach to `until`, at the wall time `now`.

        Silence up to `until` is looked at as by a live run. Data from then to `now` may be missing: silence there is
        not the hammers'. From `now` on it is. `own_changes`: changes of self alerts to be stored.
        """
        step = Step(until)
        if (ahead := self._look_ahead.run_until(until)) is not None:
            step.add_look_ahead(*ahead, self._tracker)
        lost = {
            (alert.site, alert.hammer) for alert in self._tracker.open_alerts() if alert.fault == SIGNAL_LOST
        }
        for key in self._pipeline.hammers:
            if key not in lost:
                self._pipeline.overlook_silence(key, now)
        self._commit(step, self._pipeline.hammers, own_changes)

    def _commit_in_turns(
        self, step: Step, changed: Sequence[Key], flooding: Sequence[Portion], own_changes: Sequence[Change]
    ) -> None:
        """Commit a step, and then each portion that was set aside."""
        later = {portion.key for portion in flooding}
        self._commit(step, [key for key in changed if key not in later], own_changes)
        for portion in flooding:
            part = Step(step.received, recorded=step.recorded)
            part.portions = [portion]
            self._advance(part)
            self._commit(part, [portion.key], ())

    def _restore(self, saved: Saved) -> None:
        """Restore the state of the last commit."""
        events: dict[Key, list[Event]] = {}
        for event in saved.events:
            events.setdefault((event.site, event.hammer), []).append(event)
        for key in dict.fromkeys([*saved.states, *events]):
            state = saved.states.get(key)
            if state is not None and (lost := self._pipeline.restore(key, *state)):
                _log.warning("state_lost", site=key[0], hammer=key[1], reset_parts=lost)
            self._intake.restore(key, self._pipeline.watermark(key), events.get(key, ()), state)
        for each in saved.alerts:
            key = each.record["site"], each.record["hammer"]
            if any(one.restore(each.record, each.onset) for one in (self._committer, self._session)):
                continue
            alert = each.alert()
            self._tracker.restore(key, alert, each.ahead, self._look_ahead.reach(alert))

    def _advance(self, step: Step) -> list[Portion]:
        """Advance the hammers of a step; return the portions that `_set_flooding_aside` removed from it."""
        if not step.portions:
            return []
        outcome = self._pipeline.step(Batch(step.portions))
        flooding: list[Portion] = []
        if len(step.portions) > 1 and (flooding := self._set_flooding_aside(step, outcome)):
            outcome = self._pipeline.step(Batch(step.portions))
        self._pipeline.commit(outcome)
        if self.on_step is not None:
            self.on_step(step.received, step.portions, outcome)
        for site, hammer in outcome.not_found:
            _log.warning("correction_too_late", site=site, hammer=hammer, remedy=CORRECTION_TOO_LATE)
        step.add_result(outcome, self._tracker)
        return flooding

    @staticmethod
    def _set_flooding_aside(step: Step, outcome: StepResult) -> list[Portion]:
        """Remove the portions with very many findings, if there are others; return them, the smallest first.

        They are committed after the others, each by itself, so that one hammer's flood does not delay the alerts of
        another. The messages are acknowledged after all; if the process ends before, they are delivered again.
        """
        if len(outcome.findings) < FLOODING:
            return []
        numbers = Counter(finding.key for finding in outcome.findings)
        flooding = [portion for portion in step.portions if numbers[portion.key] >= FLOODING]
        step.portions = [portion for portion in step.portions if numbers[portion.key] < FLOODING]
        return sorted(flooding, key=lambda portion: numbers[portion.key])

    def _take_manual_events(self) -> None:
        """Admit the events that people have logged."""
        try:
            entries = self._manual_events.fetch_new()
        except StoreLost:
            raise
        except StoreError as error:
            _log.error("poll_refused", problem=str(error), remedy="nothing is lost; this is retried")
            return
        for event in entries:
            self._intake.add_event(event)
            _log.info("entry_applied", site=event.site, hammer=event.hammer, event_kind=event.kind)

    def _process_due(self, now: Instant) -> bool:
        """Queue what is due for sending; return whether anything was. A refused attempt is repeated a second later."""
        try:
            return self._store.process_due(now)
        except StoreLost:
            raise
        except StoreError as error:
            _log.error("poll_refused", problem=str(error), remedy="nothing is lost; this is retried")
            return False

    def _commit(self, step: Step, changed: Sequence[Key], own_changes: Sequence[Change]) -> None:
        """Commit the step, send its requests, and report its changes. Raises as `Committer.commit` does."""
        record = StepRecord(
            received=step.received,
            rows=[(portion.key, portion.rows) for portion in step.portions],
            events=step.events,
            applied=step.applied,
            changes=[*step.changes, *own_changes],
            bouts=step.bouts,
            stretches=step.stretches,
            states={key: self._pipeline.saved(key) + self._intake.saved(key) for key in changed},
            layout=f"{STATE_LAYOUT} {INTAKE_LAYOUT}",
            rejects=step.rejects,
            counts=step.counts,
            feed=self._intake.tally.take(self._monotonic()) if self._intake.tally.waiting else (),
            session_held=self._session.unsaved,
            recorded=step.recorded,
            nodes={source.name: source.nodes.take_changes() for source in self._sparkplug},
        )
        for reject in step.rejects:
            self.rejected[reject.reason] += reject.rows
        self._committer.commit(record, self._intake.last_heard)
        if record.session_held is not None:
            self._session.stored(record.session_held)
        for topic, payload in step.requests:
            self._publish(topic, payload)
        if step.changes or own_changes:
            self._alerts_changed()
            log_changes(step.changes)
