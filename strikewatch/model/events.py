"""Events: what people do to a hammer, and the words the contract allows for it."""

from dataclasses import dataclass, field
from typing import Any, Final

from strikewatch.model.instant import Instant

KINDS: Final = (
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
    "connection",
)

METER_REASONS: Final = ("reading", "moved", "replaced", "corrected")
"""Why an hour meter's figure is told: read as it stood, on another carrier now, a new meter, or to set it right."""


@dataclass(frozen=True, slots=True)
class Event:
    """One event of one hammer.

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
