"""Let time pass for silent hammers, as long as something may still be found without another row."""

from typing import Final

from strikewatch.core.alert import Alert
from strikewatch.core.batch import Batch, Key, Portion
from strikewatch.core.events import Event
from strikewatch.core.instant import Instant
from strikewatch.engine.pipeline import Pipeline
from strikewatch.engine.step_result import StepResult
from strikewatch.service.intake import Intake
from strikewatch.sources.ordering import NEVER

_AT_ONCE: Final = -(1 << 62)
_EVER: Final = 1 << 62


class LookAhead:
    """Runs silent hammers ahead to the present and discards their state, so that late rows still count.

    A hammer is looked at every time during its detectors' horizon after the last row; after that only when an event
    has come, and at the next instant that depends on the calendar alone. So a site of parked hammers costs nothing.
    `grace_ns`: silence after which time passes for a hammer.
    """

    def __init__(self, pipeline: Pipeline, intake: Intake, grace_ns: Instant) -> None:
        self._pipeline = pipeline
        self._intake = intake
        self._grace_ns = grace_ns
        self._settled: dict[
            Key, tuple[Instant, tuple[Event, ...], Instant]
        ] = {}  # row, events, next deadline

    def run(self, now: Instant) -> tuple[StepResult, dict[Key, Instant]] | None:
        """Look ahead at the monotonic time `now`; return the result and how far by hammer, None if there is no need."""
        portions: list[Portion] = []
        for key, heard in self._intake.last_heard.items():
            silent = now - heard
            newest = self._intake.reorderer.newest(key)
            until = max(newest, self._pipeline.silent_since(key)) + silent - self._grace_ns
            if silent >= self._grace_ns and until > self._pipeline.watermark(key) > 0:
                portion = self._intake.reorderer.look_ahead(key, until)
                if self._needed(portion):
                    portions.append(self._intake.fill_held(portion))
        return self._look(portions)

    def run_until(self, until: Instant) -> tuple[StepResult, dict[Key, Instant]] | None:
        """Look ahead to an instant for every hammer that has not reached it."""
        reorderer = self._intake.reorderer
        return self._look(
            [
                self._intake.fill_held(reorderer.look_ahead(key, until))
                for key in self._intake.last_heard
                if until > self._pipeline.watermark(key) > 0
            ]
        )

    def next_look(self, key: Key) -> Instant | None:
        """Return how long after its newest row a silent hammer is next looked at, ns; None: at the next opportunity."""
        newest, events, due = self._settled.get(key, (_AT_ONCE, (), _AT_ONCE))
        if due == _AT_ONCE:
            return None
        later = self._intake.reorderer.look_ahead(key, _EVER).events[len(events) :]
        return max(min([due, *(event.effective for event in later[:1])]) - newest, 0)

    def reach(self, alert: Alert) -> Instant:
        """Return how far a look-ahead that found the steps of an alert went at least; rows up to there decide."""
        key = alert.site, alert.hammer
        newest = self._newest(key)
        known = alert.onset if alert.cleared is None else alert.cleared
        if newest == NEVER:
            return known
        return max(known, newest + self._pipeline.horizon(key, alert.fault))

    def _look(self, portions: list[Portion]) -> tuple[StepResult, dict[Key, Instant]] | None:
        if not portions:
            return None
        result = self._pipeline.step(Batch(portions), report=True)
        for portion in portions:
            newest = self._newest(portion.key)
            settled = portion.watermark >= newest + self._pipeline.horizon(portion.key)
            due = self._pipeline.next_deadline(result, portion.key) if settled else _AT_ONCE
            self._settled[portion.key] = newest, portion.events, due
        return result, {portion.key: portion.watermark for portion in portions}

    def _needed(self, portion: Portion) -> bool:
        """Return whether looking up to the portion's watermark may find something that earlier looks have not."""
        row, events, due = self._settled.get(portion.key, (_AT_ONCE, (), _AT_ONCE))
        newest = self._newest(portion.key)
        return row != newest or events != portion.events or portion.watermark >= due

    def _newest(self, key: Key) -> Instant:
        """Return the time of a hammer's newest row, held values included, or when its silence began to count."""
        return max(self._intake.newest_row(key), self._pipeline.silent_since(key))
