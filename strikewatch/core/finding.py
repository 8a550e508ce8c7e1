"""Faults and findings: what a detector can find, and one step of a fault as the detector saw it become true."""

from collections.abc import Callable, Mapping
from typing import Any, Literal, NamedTuple

from strikewatch.core.alert import Priority
from strikewatch.core.batch import Key
from strikewatch.core.instant import Instant

Exposure = Literal["firing", "judged", "operating"]
"""Which hours a rate of faults is taken over: firing, firing that could be judged for blank blows, or operation."""

FindingStep = Literal["raised", "escalated", "cleared", "standing"]
"""`standing`: still active at the watermark; only the evidence has changed."""

Render = Callable[[float], Any]
"""Converts a detector's number to the value in the alert record."""


class Highlight(NamedTuple):
    """Evidence by which the review selects moments to show; `text` has the value in braces."""

    evidence: str
    text: str


class Trace(NamedTuple):
    """The channels that show a fault, for the chart of a moment.

    `limits` returns the limits to draw, from the detector's settings. `transform` converts a channel's values [n] to
    those that are compared with the limits [n].
    """

    title: str
    channels: tuple[str, ...]
    limits: Callable[[Any], tuple[float, ...]]
    transform: Callable[[Any], Any]


class PositionCause(NamedTuple):
    """How a fault appears in the alert that groups the faults of a hammer's position (`engine.grouping`).

    `phrase`: its part of the summary, with names of the evidence in braces. `combine`: combines the second number of
    the evidence of two spells; the first are seconds, which add up.
    """

    phrase: str
    combine: Callable[[float, float], float] = max


class Fault(NamedTuple):
    """One fault that a detector can find, with all that the review and the page need to know about it.

    `summary`: one plain sentence with names of the evidence in braces. `evidence`: in the detector's order, the name of
    each number of a finding and how it is shown. `of_operator`: whether it counts as a fault of the person, and not of
    the feed or the machine. Its texts on the page are under `fault.{name}`, its coaching note under `{name}`; the
    detector declares the channels that it needs (`needs`) and the settings that silence it (`Settings.silenced`).

    `exposure`: the hours that its rate is based on. `by_machine`: whether a machine can cause it by itself, so that the
    review checks whether it follows a hammer. `duration`: the evidence with the seconds at fault, which the usage
    report sums in proportion to `duration_over`. `picture_s`: where it builds up slowly, the seconds that a chart of it
    shows before the onset, and at most after it. `position_cause`: set if it is grouped with other faults of the
    hammer's position in one alert.
    """

    name: str
    summary: str
    evidence: Mapping[str, Render]
    of_operator: bool = False
    exposure: Exposure = "firing"
    by_machine: bool = False
    duration: str = ""
    duration_over: Exposure = "firing"
    highlights: tuple[Highlight, ...] = ()
    trace: Trace | None = None
    picture_s: tuple[int, int] | None = None
    position_cause: PositionCause | None = None


class Finding(NamedTuple):
    """One step of a fault of a hammer. `onset` identifies the fault; `at`: when this step became true.

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
