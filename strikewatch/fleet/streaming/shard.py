"""One micro-batch of a shard: messages, or silence, of some hammers, from their saved state to the next.

Pure but for the process's engine: the same messages, saved states and times give the same outcome, so a micro-batch
that Spark repeats after a failure changes nothing.
"""

from collections import deque
from collections.abc import Callable, Iterable, Sequence
from typing import Final

from strikewatch.core.batch import Batch, Key
from strikewatch.core.events import Event
from strikewatch.core.instant import seconds
from strikewatch.engine.alert_tracker import AlertTracker
from strikewatch.engine.state import LAYOUT as STATE_LAYOUT
from strikewatch.errors import Rejected
from strikewatch.fleet.streaming.engine import NO_HAMMER, Engine
from strikewatch.fleet.streaming.saved import (
    SEEN,
    HammerSchedule,
    Outcome,
    SavedHammer,
    ShardSchedule,
    digest,
)
from strikewatch.service.intake import LAYOUT as INTAKE_LAYOUT
from strikewatch.service.intake import Decoder, Intake, Step
from strikewatch.service.look_ahead import LookAhead
from strikewatch.service.worker import CORRECTION_TOO_LATE
from strikewatch.sources.mqtt import Message
from strikewatch.sources.ordering import NEVER
from strikewatch.storage.commit.step import Reject

MS: Final = 1_000_000
LOOK_EVERY_MS: Final = 1000
"""How often a silent hammer is looked at while something may still be found."""
NEVER_MS: Final = 1 << 62
"""The next look at a hammer at which nothing but new data can find anything."""
ALL_EVENTS: Final = 1 << 62

Saved = dict[Key, SavedHammer]


class ShardStep:
    """A micro-batch at the wall time `now_ms`. `schedule`: all hammers of the shard; it is updated in place.

    `load` returns the saved state of a hammer in the schedule.
    """

    def __init__(
        self, engine: Engine, schedule: ShardSchedule, load: Callable[[Key], SavedHammer | None], now_ms: int
    ) -> None:
        settings = engine.settings
        self._now_ms, self._now = now_ms, now_ms * MS
        self._schedule = schedule
        self._load = load
        self._pipeline = engine.pipeline
        self._intake = Intake(settings, lambda: self._now, lambda: self._now, self._is_known, 0)
        for key in schedule.hammers:
            self._intake.admission.add(key)
        self._own: dict[Key, None] = {}
        self._decoder = Decoder(
            settings, self._intake, sources=engine.sources, is_own=lambda key: key in self._own
        )
        self._look_ahead = LookAhead(self._pipeline, self._intake, seconds(settings.intake.grace_s))
        self._tracker = AlertTracker(seconds(settings.intake.historic_after_s))
        self._late_ms = engine.late_ms
        self._grace_ms = round(settings.intake.grace_s * 1000)
        self._reorder_ms = round(settings.intake.reorder_s * 1000)
        self._seen: dict[Key, deque[str]] = {}
        self.outcome = Outcome(self._now)

    def take(self, messages: Sequence[Message], hammers: Iterable[Key]) -> Saved:
        """Process messages in order of arrival; return the new state of the hammers.

        `hammers`: those that the messages say something of and that are this shard's; others in them are passed over.
        """
        self._own = dict.fromkeys(hammers)
        self.outcome.messages += len(messages)
        for key in self._own:
            if key != NO_HAMMER:
                self._restore(key)
        while messages:
            step = Step(self._now)
            self._decoder.decode(messages, step)
            self._intake.order_rows(step, self._now)
            self._advance(step)
            self._collect(step)
            messages = step.postponed
        return self._saved([key for key in self._own if key in self._intake.last_heard])

    def refuse(self, topic: str, key: Key, error: Rejected) -> None:
        """Reject a message of which only the topic has come."""
        self.outcome.messages += 1
        self.outcome.rejects.append(Reject(topic, b"", error.reason, error.detail, key))

    def pass_silence(self) -> Saved:
        """Let time pass for the hammers whose look is due; return their new state."""
        self._exclude_downtime()
        due = [key for key, own in self._schedule.hammers.items() if own.look_ms <= self._now_ms]
        for key in due:
            self._restore(key)
        step = Step(self._now)
        self._intake.order_rows(step, self._now)
        self._advance(step)
        if (ahead := self._look_ahead.run(self._now)) is not None:
            step.add_look_ahead(*ahead, self._tracker)
        self._collect(step)
        return self._saved(due)

    def _exclude_downtime(self) -> None:
        """Do not count time in which the stream did not run, or was behind, as silence: messages may wait unread."""
        schedules = self._schedule.hammers.values()
        late_ms = self._now_ms - min((one.look_ms for one in schedules), default=self._now_ms)
        if late_ms >= self._late_ms:
            for one in schedules:
                one.heard_ms = min(one.heard_ms + late_ms, self._now_ms)

    def _restore(self, key: Key) -> None:
        saved = self._load(key) if key in self._schedule.hammers else None
        self._seen[key] = deque(saved.seen if saved is not None else (), SEEN)
        if saved is None:
            if self._pipeline.watermark(key) != NEVER:  # a failed attempt has left something
                self._pipeline.restore(key, "", b"")
            return
        if lost := self._pipeline.restore(key, saved.layout, saved.state):
            self.outcome.warnings.append(("state_lost", key, {"reset_parts": lost}))
        watermark = self._pipeline.watermark(key)
        self._intake.restore(key, watermark, saved.events, (saved.layout, saved.state))
        self._intake.reorderer.resume_released(key, saved.released)
        self._intake.last_heard[key] = self._schedule.hammers[key].heard_ms * MS
        self._intake.in_time[key] = saved.in_time
        for one in saved.alerts:
            self._tracker.restore(key, one.alert, one.provisional, one.looked_ahead_to)

    def _is_known(self, event: Event) -> bool:
        """Return whether an event has arrived before; remember it."""
        seen = self._seen.setdefault((event.site, event.hammer), deque(maxlen=SEEN))
        mark = digest(event)
        if mark in seen:
            return True
        seen.append(mark)
        return False

    def _advance(self, step: Step) -> None:
        if not step.portions:
            return
        result = self._pipeline.step(Batch(step.portions))
        self._pipeline.commit(result)
        step.add_result(result, self._tracker)
        self.outcome.warnings += [
            ("correction_too_late", key, {"remedy": CORRECTION_TOO_LATE}) for key in result.not_found
        ]

    def _collect(self, step: Step) -> None:
        outcome = self.outcome
        outcome.rows += sum(len(portion.rows) for portion in step.portions)
        outcome.changes += step.changes
        outcome.bouts += step.bouts
        outcome.stretches += step.stretches
        outcome.events += step.events
        outcome.applied += step.applied
        outcome.rejects += step.rejects
        for reason, count in step.counts.items():
            outcome.counts[reason] = outcome.counts.get(reason, 0) + count
        outcome.feed += self._intake.tally.take(self._now)

    def _saved(self, keys: Iterable[Key]) -> Saved:
        intake, saved = self._intake, Saved()
        waiting = set(intake.reorderer.waiting_hammers)
        for key in keys:
            events = intake.reorderer.look_ahead(key, ALL_EVENTS).events
            saved[key] = SavedHammer(
                f"{STATE_LAYOUT} {INTAKE_LAYOUT}",
                self._pipeline.saved(key) + intake.saved(key),
                intake.reorderer.released(key),
                events,
                tuple(self._tracker.tracked(key)),
                tuple(self._seen[key]),
                intake.in_time.get(key, 0),
            )
            heard_ms = intake.last_heard[key] // MS
            self._schedule.hammers[key] = HammerSchedule(
                heard_ms, self._next_look(key, heard_ms, key in waiting)
            )
        return saved

    def _next_look(self, key: Key, heard_ms: int, waiting: bool) -> int:
        """Return when silence may next bring something, wall time in ms."""
        if waiting:
            return max(heard_ms + self._reorder_ms, self._now_ms + 1)
        if self._pipeline.watermark(key) <= 0:
            return NEVER_MS
        if self._now_ms < heard_ms + self._grace_ms:
            return heard_ms + self._grace_ms
        after = self._look_ahead.next_look(key)
        if after is None:
            return self._now_ms + LOOK_EVERY_MS
        return max(min(heard_ms + self._grace_ms + -(-after // MS), NEVER_MS), self._now_ms + LOOK_EVERY_MS)
