"""Faults and findings: what can be found, and one step in the life of it as a detector saw it become true."""

from collections.abc import Callable, Mapping
from typing import Any, Literal, NamedTuple

from strikewatch.core.alert import Priority
from strikewatch.core.batch import Key
from strikewatch.core.instant import Instant

FindingStep = Literal["raised", "escalated", "cleared", "standing"]
"""`standing`: still true at the watermark; only the evidence is news."""

Render = Callable[[float], Any]
"""From a detector's number to what the alert record shows."""


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

    `numbers` are the detector's, NaN where unknown; what people read is made of them when asked for.
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
        return self.kind.name

    def words(self) -> tuple[dict[str, Any], str]:
        """The evidence as the alert record shows it, and the summary."""
        evidence = {
            name: render(number)
            for (name, render), number in zip(self.kind.evidence.items(), self.numbers, strict=False)
            if number == number
        }
        return evidence, self.kind.summary.format_map(_Words(evidence))


class _Unknown:
    def __format__(self, spec: str) -> str:
        return "unknown"


class _Words(dict[str, Any]):
    def __missing__(self, name: str) -> _Unknown:
        return _Unknown()
