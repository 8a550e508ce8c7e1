"""Events: what people do to a hammer, and the words the contract allows for it."""

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

SETTING_CLOCKS: Final = ("grease", "check", "inspection", "service", "storage", "hours")
"""Kinds that set a clock of the hammer; a correction of one sets it anew."""

METER_REASONS: Final = ("reading", "moved", "replaced", "corrected")
"""Why an hour meter's figure is told: read as it stood, on another carrier now, a new meter, or to set it right."""


@dataclass(frozen=True, slots=True)
class Event:
    """One event of one hammer.

    An event whose `fields` have `corrects` replaces an earlier one of the same hammer; one of kind `withdrawal` only
    takes that back.

    `time` is when it happened. `applied` is when it takes effect: later than `time` only where it reached us after
    the hammer's rows had already been worked through (a phone that was offline, say). `fields` holds the rest of the
    payload as sent, already validated (`operator`, `strokes`, `method`, ...).
    """

    site: str
    hammer: str
    kind: str
    time: Instant
    fields: dict[str, Any] = field(default_factory=dict)
    applied: Instant = -1

    @property
    def effective(self) -> Instant:
        return max(self.time, self.applied)

    @property
    def corrects(self) -> tuple[str, Instant] | None:
        """Kind and time of the earlier entry that this one corrects."""
        wrong = self.fields.get("corrects")
        return None if wrong is None else (wrong["event"], instant.parse(wrong["time"]))


def name_of(event: Event) -> dict[str, str]:
    """How `corrects` names an event: by its kind and its time, to the nanosecond."""
    return {"event": event.kind, "time": instant.exact_text(event.time)}


def valid(events: Iterable[Event]) -> list[Event]:
    """Leave out what a later event corrects, and withdrawals; `events` in the order of arrival.

    As in the detectors, a correction is of the oldest valid entry of that kind and time.
    """
    found: list[Event] = []
    for event in events:
        wrong = event.corrects
        if wrong is not None:
            for k, one in enumerate(found):
                if (one.kind, one.time) == wrong and (one.site, one.hammer) == (event.site, event.hammer):
                    del found[k]
                    break
        if event.kind != "withdrawal":
            found.append(event)
    return found
