"""All hammers as the page shows them. The worker's thread hands over what each step came to; the page's thread takes
it in, so that a step waits for nobody."""

from collections import deque
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from strikewatch.core.batch import NO_ROWS, Key, Portion, Rows
from strikewatch.core.instant import Instant
from strikewatch.detectors import coverage
from strikewatch.detectors.kernels import NEVER
from strikewatch.engine.pipeline import HammerSettings
from strikewatch.engine.state import STATE
from strikewatch.engine.step_result import StepResult
from strikewatch.web.live.due_items import Item, upcoming
from strikewatch.web.live.recent_hours import MINUTE, Strip
from strikewatch.web.live.snapshot import Glance, Limits, glance

HOUR: Final = 60 * MINUTE
HANDED: Final = 20_000
"""Steps that may wait to be taken in; of more the oldest are not drawn."""


@dataclass(slots=True)
class Watched:
    """One hammer: its last glance, its strip, when it was last heard of (wall clock, ns; None: not since the start),
    and its whole state as bytes, for who looks closer."""

    settings: HammerSettings
    limits: Limits
    strip: Strip
    glance: Glance
    heard: Instant | None
    state: bytes

    def upcoming(self, now: Instant) -> list[Item]:
        """What comes due."""
        return upcoming(self._record, self.settings, self.glance, now)

    @property
    def meter_h(self) -> float:
        """What the carrier's hour meter stands at by what was heard and read, h."""
        return float(self._record["upkeep"]["meter"]) / HOUR

    def unwatched(self) -> dict[str, list[str]]:
        """Why → the faults that cannot be found for that reason."""
        return _by_reason(coverage.unmonitored_faults(self.settings, coverage.channels_of(self._record)))

    def uncertain(self) -> dict[str, list[str]]:
        """Why → the faults that are inferred only, and so less certain, for that reason."""
        return _by_reason(coverage.inferred_faults(self.settings, coverage.channels_of(self._record)))

    @property
    def _record(self) -> Any:
        return np.frombuffer(self.state, STATE)[0]


def _by_reason(reasons: Iterable[tuple[str, str]]) -> dict[str, list[str]]:
    found: dict[str, list[str]] = {}
    for fault, why in reasons:
        found.setdefault(why, []).append(fault)
    return found


class Scene:
    """`settings_of` a hammer are asked for once. `hours`: what a strip holds."""

    def __init__(self, settings_of: Callable[[Key], HammerSettings], hours: float) -> None:
        self._settings_of = settings_of
        self._hours = hours
        self._handed: deque[tuple[Instant, Sequence[Portion], StepResult]] = deque(maxlen=HANDED)
        self.hammers: Final[dict[Key, Watched]] = {}

    def hand_over(self, received: Instant, portions: Sequence[Portion], outcome: StepResult) -> None:
        """For the worker's thread."""
        self._handed.append((received, portions, outcome))

    def begin(self, records: Iterable[tuple[Key, Any]]) -> None:
        """Hammers as they stood when the processor last stopped."""
        for key, record in records:
            self._watched(key, record, NO_ROWS)

    def take_in(self) -> list[Key]:
        """Take in what was handed over; the hammers that have changed."""
        changed: dict[Key, None] = {}
        while self._handed:
            received, portions, outcome = self._handed.popleft()
            bouts: dict[Key, list[tuple[Instant, Instant]]] = {}
            for worked in outcome.bouts():
                bouts.setdefault(worked.bout.key, []).append((worked.bout.start, worked.bout.end))
            for portion, record in zip(portions, outcome.state, strict=True):
                seen = self._watched(portion.key, record, portion.rows)
                if len(portion.rows):
                    seen.heard = received
                seen.strip.fired(bouts.get(portion.key, ()), _under_way(record["reading"]))
                changed[portion.key] = None
        return list(changed)

    def meter(self, key: Key) -> tuple[float, Instant] | None:
        """What a hammer's hour meter stands at, h, and as of when; None where it is not known."""
        seen = self.hammers.get(key)
        return None if seen is None else (seen.meter_h, seen.glance.upto)

    def window(self, now: Instant) -> tuple[Instant, Instant]:
        """What strips show, all alike: up to now, from the hour in which any hammer was first heard within what they
        hold."""
        end = -(-now // MINUTE) * MINUTE
        earliest = end - round(self._hours * HOUR)
        heard = (seen.strip.first(earliest) for seen in self.hammers.values())
        first = min((at for at in heard if at is not None), default=end)
        return max(earliest, min(first - first % HOUR, end - HOUR)), end

    def warm(self, past: Callable[[Key], tuple[Iterable[tuple[Instant, Instant]], Rows]]) -> None:
        """Fill the strips of hammers that are known already with their `past`: bouts and rows."""
        for key, seen in self.hammers.items():
            bouts, rows = past(key)
            seen.strip.take(rows)
            seen.strip.fired(bouts, None)

    def _watched(self, key: Key, record: Any, rows: Rows) -> Watched:
        seen = self.hammers.get(key)
        if seen is None:
            settings, strip = self._settings_of(key), Strip(self._hours)
            limits = Limits.of(settings)
            strip.take(rows)
            one = glance(record, limits, strip.last_oil)
            seen = self.hammers[key] = Watched(settings, limits, strip, one, None, record.tobytes())
            return seen
        seen.strip.take(rows)
        seen.glance = glance(record, seen.limits, seen.strip.last_oil)
        seen.state = record.tobytes()
        return seen


def _under_way(reading: Any) -> tuple[Instant, Instant] | None:
    began = int(reading["began"])
    return None if began == NEVER else (began, min(int(reading["until"]), int(reading["upto"])))
