"""A finding: one step in the life of a fault, as a detector saw it become true."""

from dataclasses import dataclass
from typing import Any, Literal

from strikewatch.model.alert import Priority
from strikewatch.model.batch import Key
from strikewatch.model.instant import Instant

FindingStep = Literal["raised", "escalated", "cleared", "standing"]
"""`standing`: still true at the watermark; only the evidence is news."""


@dataclass(frozen=True, slots=True)
class Finding:
    """`onset` names the fault of this hammer; `at` is when this step of it became true."""

    key: Key
    fault: str
    step: FindingStep
    onset: Instant
    at: Instant
    priority: Priority
    evidence: dict[str, Any]
    summary: str
    of_operator: bool
