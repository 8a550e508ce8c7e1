"""Events: what people do to a hammer, and the kinds that the contract allows."""

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any, Final, Literal, get_args

from strikewatch.core import instant
from strikewatch.core.instant import Instant

EntryKind = Literal[
    "sign_on",
    "sign_off",
    "grease",
    "check",
    "inspection",
    "service",
    "storage",
    "tool_change",
    "work",
    "hours",
    "relearn",
]
"""Kinds that people enter and may correct later."""
KINDS: Final[tuple[str, ...]] = (*get_args(EntryKind), "connection", "withdrawal")

TIMER_RESETTING_KINDS: Final = ("grease", "check", "inspection", "service", "storage", "hours")
"""Kinds that reset a timer of the hammer; a correction of such an event resets it again."""

METER_REASONS: Final = ("reading", "moved", "replaced", "corrected")
"""Why an hour meter value is logged: read, moved to another carrier, meter replaced, or earlier value corrected."""


@dataclass(frozen=True, slots=True)
class Event:
    """One event of one hammer.

    An event with `corrects` in its `fields` replaces an earlier one of the same hammer; one of kind `withdrawal` only
    removes it.

    `time`: when it happened. `applied`: when it takes effect; later than `time` only where the event arrived after the
    hammer's rows had been processed (from a phone that was offline, for example). `fields`: the rest of the payload,
    validated (`operator`, `strokes`, `method`, ...).
    """

    site: str
    hammer: str
    kind: str
    time: Instant
    fields: dict[str, Any] = field(default_factory=dict)
    applied: Instant = -1

    @property
    def effective(self) -> Instant:
        """When the event takes effect."""
        return max(self.time, self.applied)

    @property
    def corrects(self) -> tuple[str, Instant] | None:
        """Kind and time of the earlier event that this one corrects, or None."""
        corrected = self.fields.get("corrects")
        return None if corrected is None else (corrected["event"], instant.parse(corrected["time"]))


def reference_to(event: Event) -> dict[str, str]:
    """Return the value of `corrects` that refers to an event: its kind and its time, to the nanosecond."""
    return {"event": event.kind, "time": instant.exact_text(event.time)}


def drop_corrected(events: Iterable[Event]) -> list[Event]:
    """Drop the events that a later event corrects, and withdrawals; `events` in the order of arrival.

    As in the detectors, a correction applies to the oldest remaining event of that kind and time.
    """
    remaining: list[Event] = []
    for event in events:
        corrected = event.corrects
        if corrected is not None:
            for k, one in enumerate(remaining):
                if (one.kind, one.time) == corrected and (one.site, one.hammer) == (event.site, event.hammer):
                    del remaining[k]
                    break
        if event.kind != "withdrawal":
            remaining.append(event)
    return remaining
