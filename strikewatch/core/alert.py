"""The alert record: one shape for the log, the replay, the webhook, the HTTP API and the store."""

import hashlib
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final, Literal

from strikewatch.core import instant
from strikewatch.core.instant import Instant

Priority = Literal["low", "medium", "high"]
PRIORITIES: Final[tuple[Priority, ...]] = ("low", "medium", "high")

RAISED_AHEAD: Final = 1
CLEARED_AHEAD: Final = 2

Step = Literal["raised", "escalated", "cleared"]
"""What happened to an alert; also the last word of the webhook's event type."""


def alert_id(hammer: str, fault: str, onset: Instant) -> str:
    """The same for the same hammer, fault and onset (to the microsecond), whichever run found it."""
    return _id(hammer, fault, instant.text(onset))


def _id(hammer: str, fault: str, onset: str) -> str:
    return hashlib.blake2b(f"{hammer}\n{fault}\n{onset}".encode(), digest_size=12).hexdigest()


Words = Callable[[], tuple[dict[str, Any], str]]
"""Makes the evidence, numbers or short words with units in their names, and the summary, one plain sentence."""


def _nothing() -> tuple[dict[str, Any], str]:
    return {}, ""


@dataclass(slots=True)
class Alert:
    """One fault of one hammer. What people read of it is made when asked for: most steps of it nobody reads."""

    fault: str
    site: str
    hammer: str
    operator: str | None
    priority: Priority
    onset: Instant
    cleared: Instant | None = None
    historic: bool = False
    words: Words = _nothing

    @property
    def id(self) -> str:
        return alert_id(self.hammer, self.fault, self.onset)

    def record(self) -> dict[str, Any]:
        """The record of the contract, ready for JSON."""
        evidence, summary = self.words()
        onset = instant.text(self.onset)
        return {
            "id": _id(self.hammer, self.fault, onset),
            "fault": self.fault,
            "site": self.site,
            "hammer": self.hammer,
            "operator": self.operator,
            "priority": self.priority,
            "onset": onset,
            "cleared": None if self.cleared is None else instant.text(self.cleared),
            "historic": self.historic,
            "summary": summary,
            "evidence": evidence,
        }


@dataclass(frozen=True, slots=True)
class Change:
    """A step in the life of an alert: what happened, and the whole record as it stands after it.

    `ahead`: what of it was seen by looking ahead through a silence only, RAISED_AHEAD and CLEARED_AHEAD
    added up; rows that come late may still say otherwise.
    `deliver`: whether the outside is told; a mere confirmation or correction of the record is not news.
    """

    step: Step
    site: str
    hammer: str
    alert_id: str
    record: dict[str, Any]
    onset: Instant
    cleared: Instant | None = None
    ahead: int = 0
    deliver: bool = True
