"""When to look ahead at a silent hammer: while something may still become known of it without another row."""

from collections.abc import Iterable
from typing import Final

from strikewatch.core.batch import Key, Portion
from strikewatch.core.events import Event
from strikewatch.core.instant import Instant
from strikewatch.engine.pipeline import Pipeline
from strikewatch.engine.step_result import StepResult

_AT_ONCE: Final = -(1 << 62)


class LookAhead:
    """What the last look at each silent hammer has settled.

    For its detectors' horizon after the last row a hammer is looked at every time; after that only when an event has
    come, and at the next instant that depends on the calendar alone. So a site full of parked hammers costs nothing.
    """

    def __init__(self, pipeline: Pipeline) -> None:
        self._pipeline = pipeline
        self._next: dict[Key, tuple[Instant, tuple[Event, ...], Instant]] = {}

    def needed(self, portion: Portion, last_row: Instant) -> bool:
        """Whether a look up to the portion's watermark may find something that earlier looks have not."""
        row, events, due = self._next.get(portion.key, (_AT_ONCE, (), _AT_ONCE))
        return row != last_row or events != portion.events or portion.watermark >= due

    def looked(self, portions: Iterable[Portion], last_row: Iterable[Instant], outcome: StepResult) -> None:
        """Take note of a look: of each portion, of the hammer's last row, and of what the look came to."""
        for portion, row in zip(portions, last_row, strict=True):
            settled = portion.watermark >= row + self._pipeline.horizon(portion.key)
            due = self._pipeline.next_deadline(outcome, portion.key) if settled else _AT_ONCE
            self._next[portion.key] = row, portion.events, due
