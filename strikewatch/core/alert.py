"""Alerts: one record format for the log, the replay, the webhook, the HTTP API and the store."""

import hashlib
import json
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final, Literal

from strikewatch.core import instant
from strikewatch.core.instant import Instant

Priority = Literal["low", "medium", "high"]
PRIORITIES: Final[tuple[Priority, ...]] = ("low", "medium", "high")

RAISE_IS_PROVISIONAL: Final = 1
CLEAR_IS_PROVISIONAL: Final = 2
"""Bits of `Change.provisional`: the raise, or the clear, was found only by looking ahead through a silence."""

Step = Literal["raised", "escalated", "cleared"]
"""What happened to an alert; also the last word of the webhook's event type."""


def alert_id(hammer: str, fault: str, onset: Instant) -> str:
    """Return the id of an alert: the same for the same hammer, fault and onset (to the microsecond) in any run."""
    return _id(hammer, fault, instant.text(onset))


def _id(hammer: str, fault: str, onset: str) -> str:
    return hashlib.blake2b(f"{hammer}\n{fault}\n{onset}".encode(), digest_size=12).hexdigest()


to_json: Final = json.JSONEncoder(ensure_ascii=False, allow_nan=False, separators=(",", ":")).encode
"""Returns a record, or a digest of records, as the compact JSON text that is stored and sent."""

Describe = Callable[[], tuple[dict[str, Any], str]]
"""Returns the evidence (numbers or short words, units in their names) and the summary (one plain sentence)."""


def _no_description() -> tuple[dict[str, Any], str]:
    return {}, ""


@dataclass(slots=True)
class Alert:
    """One fault of one hammer, or of the processor at a site (`hammer` is empty).

    `describe` makes evidence and summary only when asked: most steps are never shown.
    """

    fault: str
    site: str
    hammer: str
    operator: str | None
    priority: Priority
    onset: Instant
    cleared: Instant | None = None
    historic: bool = False
    describe: Describe = _no_description

    @property
    def id(self) -> str:
        """The id of the alert record."""
        return alert_id(self.hammer or self.site, self.fault, self.onset)

    def record(self) -> dict[str, Any]:
        """Return the alert record, ready for JSON."""
        evidence, summary = self.describe()
        onset = instant.text(self.onset)
        return {
            "id": _id(self.hammer or self.site, self.fault, onset),
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

    def change(self, step: Step, *, provisional: int = 0, deliver: bool = True) -> "Change":
        """Return the alert as it is now, as the change that `step` made. For the others see `Change`."""
        record = self.record()
        return Change(
            step,
            self.site,
            self.hammer,
            record["id"],
            record,
            self.onset,
            self.cleared,
            provisional,
            deliver,
        )


@dataclass(frozen=True, slots=True)
class Change:
    """One step in the life of an alert: what happened, and the whole record after it.

    `step` is raised again where rows refute a clear that was provisional.
    `provisional`: RAISE_IS_PROVISIONAL and CLEAR_IS_PROVISIONAL added up; rows that arrive late may still refute it.
    `deliver`: whether the step is sent out; a mere confirmation or correction of the record is not.
    """

    step: Step
    site: str
    hammer: str
    alert_id: str
    record: dict[str, Any]
    onset: Instant
    cleared: Instant | None = None
    provisional: int = 0
    deliver: bool = True
