"""Faults and findings: what a detector can find, and one step of a fault as the detector saw it become true."""

from collections.abc import Callable, Mapping
from typing import Any, Literal, NamedTuple

from strikewatch.core.alert import Priority
from strikewatch.core.batch import Key
from strikewatch.core.instant import Instant

FindingStep = Literal["raised", "escalated", "cleared", "standing"]
"""`standing`: still active at the watermark; only the evidence has changed."""

Render = Callable[[float], Any]
"""Converts a detector's number to the value in the alert record."""


class Fault(NamedTuple):
    """One fault that a detector can find.

    `summary` is one plain sentence with the evidence's names in braces. `evidence` names, in the detector's order,
    each number of a finding and how it is shown. `of_operator`: whether it counts as a fault of the person, and not of
    the feed or the machine.
    """

    name: str
    summary: str
    evidence: Mapping[str, Render]
    of_operator: bool = False


class Finding(NamedTuple):
    """`onset` names the fault of this hammer; `at` is when this step of it became true.

    `numbers`: the detector's evidence, NaN where unknown; `describe` turns it into text.
    """

    key: Key
    kind: Fault
    step: FindingStep
    onset: Instant
    at: Instant
    priority: Priority
    numbers: tuple[float, ...]

    @property
    def fault(self) -> str:
        """The name of the fault."""
        return self.kind.name

    def describe(self) -> tuple[dict[str, Any], str]:
        """Return the evidence as the alert record shows it, and the summary."""
        evidence = {
            name: render(number)
            for (name, render), number in zip(self.kind.evidence.items(), self.numbers, strict=False)
            if number == number
        }
        return evidence, self.kind.summary.format_map(_EvidenceOrUnknown(evidence))


class _Unknown:
    def __format__(self, spec: str) -> str:
        return "unknown"


class _EvidenceOrUnknown(dict[str, Any]):
    def __missing__(self, name: str) -> _Unknown:
        return _Unknown()
