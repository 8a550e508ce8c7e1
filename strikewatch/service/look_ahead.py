"""Decide when to look ahead for a silent hammer: while its detectors may still find something without another row."""

from collections.abc import Iterable
from typing import Final

from strikewatch.core.batch import Key, Portion
from strikewatch.core.events import Event
from strikewatch.core.instant import Instant
from strikewatch.engine.pipeline import Pipeline
from strikewatch.engine.step_result import StepResult

_AT_ONCE: Final = -(1 << 62)


class LookAhead:
    """The last look-ahead of each silent hammer.

    Within its detectors' horizon after the last row, a hammer is looked at every time; after that only when an event
    has come, and at the next instant that depends on the calendar alone. So parked hammers cost nothing.
    """

    def __init__(self, pipeline: Pipeline) -> None:
        self._pipeline = pipeline
        self._next: dict[Key, tuple[Instant, tuple[Event, ...], Instant]] = {}

    def needed(self, portion: Portion, last_row: Instant) -> bool:
        """Return whether a look-ahead to the portion's watermark may find something new."""
        row, events, due = self._next.get(portion.key, (_AT_ONCE, (), _AT_ONCE))
        return row != last_row or events != portion.events or portion.watermark >= due

    def record(self, portions: Iterable[Portion], last_row: Iterable[Instant], outcome: StepResult) -> None:
        """Record a look-ahead: its portions, the last row of each hammer, and the outcome."""
        for portion, row in zip(portions, last_row, strict=True):
            settled = portion.watermark >= row + self._pipeline.horizon(portion.key)
            due = self._pipeline.next_deadline(outcome, portion.key) if settled else _AT_ONCE
            self._next[portion.key] = row, portion.events, due
