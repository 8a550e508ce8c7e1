"""The content of a report, in reading order; the templates decide how it looks."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from strikewatch.core.instant import Instant
from strikewatch.review.charts.drawing import Standing
from strikewatch.review.coaching import Coaching
from strikewatch.review.highlights import Highlight
from strikewatch.review.statistics.poisson import Kind
from strikewatch.review.wear.condition import Condition


@dataclass(frozen=True, slots=True)
class RateLine:
    """Rate of one fault for one operator, hammer or site. `per`: the kind of `hours` that rates are based on.

    `verdict` and `change` are sentences. `change` is empty without a previous period, `standing` without a comparison.
    `limits`: kind of `lower` and `upper`; with "little" they are not shown, and `more` says how many more hours are
    needed, if known. `less_certain`: how many of `count` are only inferred.
    """

    who: str
    fault: str
    name: str
    count: int
    seconds: float
    hours: float
    rate: float
    lower: float
    upper: float
    per: str
    standing: Standing | Literal[""]
    verdict: str
    change: str = ""
    limits: Kind = "exact"
    more: str = ""
    less_certain: int = 0


@dataclass(frozen=True, slots=True)
class Card:
    """One fault to work on: its rate, whom it concerns, and the first advice."""

    line: RateLine
    spread: str
    advice: str


@dataclass(frozen=True, slots=True)
class Figure:
    """An SVG with its caption."""

    svg: str
    caption: str


@dataclass(frozen=True, slots=True)
class ShownHighlight:
    """A highlight with its chart (None if no samples are kept), its time, and the command that replays it, in parts."""

    highlight: Highlight
    name: str
    when: str
    svg: str | None
    command: Sequence[str] = ()


@dataclass(frozen=True, slots=True)
class Comparison:
    """One fault over the operators of a site. `why_none`: why there is no comparison; else empty."""

    fault: str
    name: str
    per: str
    lines: Sequence[RateLine]
    pictures: Sequence[Figure] = ()
    why_none: str = ""


@dataclass(frozen=True, slots=True)
class OperatorPart:
    """An operator's part: work, faults, weeks, highlights, and what went well."""

    operator: str
    anchor: str
    worked: str
    lines: Sequence[RateLine]
    coach: Sequence[str]
    summary: str
    weeks: Sequence[Figure] = ()
    highlights: Sequence[ShownHighlight] = ()
    went_well: Sequence[str] = ()
    clean_stretch: Figure | None = None


@dataclass(frozen=True, slots=True)
class WearReading:
    """One measured length: the latest reading, its trend in words if there is no chart, and the chart."""

    latest: str
    trend: str
    picture: Figure | None


@dataclass(frozen=True, slots=True)
class InspectedHammer:
    """A hammer's inspections: the verdict on its lower bushing (`marked`: action needed), the reason, the readings."""

    hammer: str
    when: str
    verdict: str
    why: str
    marked: bool
    readings: Sequence[WearReading]


@dataclass(frozen=True, slots=True)
class WearAndTools:
    """Wear and tools at a site: its inspected hammers, and the condition of hammers and tools."""

    inspected: Sequence[InspectedHammer]
    condition: Condition


@dataclass(frozen=True, slots=True)
class UsageLine:
    """One measure of a hammer's usage: in total, per firing hour, and the rate of all hammers at the site."""

    name: str
    amount: str
    rate: str
    site_rate: str


@dataclass(frozen=True, slots=True)
class HammerUsage:
    """A hammer's usage. `none`: a sentence that lists the measures without any."""

    hammer: str
    lines: Sequence[UsageLine]
    none: str


@dataclass(frozen=True, slots=True)
class UsagePart:
    """The usage of a site's hammers. `gaps`: sentences on what is not known or less certain."""

    hammers: Sequence[HammerUsage]
    gaps: Sequence[str]


@dataclass(frozen=True, slots=True)
class Site:
    """A site's part. `for_one`: it is for a talk with one operator, and nobody else is named.

    `not_occurred`: sentences on faults that did not occur. `overall`: the result of the comparison if no operator
    stands out; else empty. `unassigned`: faults with nobody signed on, which are shown but not compared. `uncertain`:
    sentences on faults that are only inferred. `condition`: None if no wear or tools are recorded.
    """

    name: str
    anchor: str
    for_one: bool
    worked: str
    cards: Sequence[Card]
    not_occurred: Sequence[str]
    comparisons: Sequence[Comparison]
    people: Sequence[OperatorPart]
    hammers: Sequence[RateLine]
    overall: str
    uncertain: Sequence[str] = ()
    unassigned: Sequence[RateLine] = ()
    unassigned_worked: str = ""
    condition: WearAndTools | None = None
    usage: UsagePart | None = None


@dataclass(frozen=True, slots=True)
class Report:
    """A whole report. `nothing`: why there is nothing to show; else empty."""

    period: str
    begin: Instant
    end: Instant
    coaching: Coaching
    sites: Sequence[Site] = ()
    faults: Sequence[str] = ()
    source: str = ""
    nothing: str = ""
    notes: Sequence[str] = ()
