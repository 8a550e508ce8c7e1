"""Faults and findings: what can be found, and one step in the life of it as a detector saw it become true."""

from collections.abc import Callable, Mapping
from typing import Any, Literal, NamedTuple

from strikewatch.core.alert import Priority
from strikewatch.core.batch import Key
from strikewatch.core.instant import Instant

Exposure = Literal["firing", "judged", "operating"]
"""Which hours a rate of faults is taken over: firing, firing that could be judged for blank blows, or operation."""

FindingStep = Literal["raised", "escalated", "cleared", "standing"]
"""`standing`: still true at the watermark; only the evidence is news."""

Render = Callable[[float], Any]
"""From a detector's number to what the alert record shows."""


class Highlight(NamedTuple):
    """A piece of evidence by which the review chooses moments to show; `text` has the value in braces."""

    evidence: str
    text: str


class Trace(NamedTuple):
    """The channels that a fault goes by, for the picture of a moment.

    `limits` gives the limits to draw from the detector's settings. `transform`: from a channel's values to what is
    compared with them, both [n].
    """

    title: str
    channels: tuple[str, ...]
    limits: Callable[[Any], tuple[float, ...]]
    transform: Callable[[Any], Any]


class Fault(NamedTuple):
    """One fault that a detector can find, and all that the review and the page need to know of it.

    `summary` is one plain sentence with the evidence's names in braces. `evidence` names, in the detector's order,
    each number of a finding and how it is shown. `of_operator`: whether it counts as a fault of the person, and not of
    the feed or the machine. Its texts on the page are under `fault.{name}`, its coaching note under `{name}`; the
    detector has the channels that it needs (`needs`) and the settings that silence it (`Settings.silenced`).

    `exposure`: the hours that its rate is taken over. `by_machine`: whether a machine can bring it about by itself, so
    that the review asks whether it follows a hammer. `duration`: the evidence that gives the seconds at fault, which
    the account of use adds up in proportion to `duration_over`. `picture_s`: where it builds up slowly, seconds that
    a picture of it shows before the onset, and at most after it.
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
