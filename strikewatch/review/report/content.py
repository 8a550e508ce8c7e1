"""The content of a report, in reading order; the templates decide how it looks."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from math import nan
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
    needed, if known. `less_certain`: how many of `count` are only inferred. `ratio`: to the others' rate,
    NaN if unknown.
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
    ratio: float = nan


@dataclass(frozen=True, slots=True)
class Action:
    """Something to do next, and why; `anchor`: where it is explained, empty if nowhere."""

    what: str
    why: str
    anchor: str = ""


@dataclass(frozen=True, slots=True)
class Card:
    """One fault to work on at a site: its rate, whom it concerns, and the first advice."""

    line: RateLine
    spread: str
    advice: str


@dataclass(frozen=True, slots=True)
class Topic:
    """A fault to coach an operator on: the reason, the ratio to the others' rate, earlier talks, what to say."""

    fault: str
    name: str
    why: str
    ratio: float
    talks: Sequence[str]
    advice: str
    ask: str


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
    """One fault compared over the operators of a site, as charts. Faults that nobody can be judged on have none."""

    fault: str
    name: str
    per: str
    pictures: Sequence[Figure]


@dataclass(frozen=True, slots=True)
class RateTable:
    """Rates of operators or hammers, one column per fault. `rows`: whose, and the line of each column."""

    faults: Sequence[str] = ()
    names: Sequence[str] = ()
    rows: Sequence[tuple[str, Sequence[RateLine | None]]] = ()


@dataclass(frozen=True, slots=True)
class OperatorPart:
    """An operator's page: work, what to talk about, faults, progress, highlights, and what went well.

    `lines`: faults to show; `none`: sentences on the others. `topics`: faults to coach on; without any, `summary` gives
    the result of the comparison. `talks`: the effect of each coaching talk.
    """

    operator: str
    anchor: str
    worked: str
    lines: Sequence[RateLine]
    none: Sequence[str]
    topics: Sequence[Topic]
    summary: str
    progress: Figure | None = None
    talks: Sequence[str] = ()
    highlights: Sequence[ShownHighlight] = ()
    went_well: Sequence[str] = ()


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
    """One measure of usage: (total, rate per firing hour) of each hammer, and the rate of all hammers at the site."""

    name: str
    cells: Sequence[tuple[str, str]]
    site_rate: str


@dataclass(frozen=True, slots=True)
class UsageTable:
    """The usage of some hammers, one column each."""

    hammers: Sequence[str]
    lines: Sequence[UsageLine]


@dataclass(frozen=True, slots=True)
class UsagePart:
    """The usage of a site's hammers. `none`: a sentence on measures that no hammer has any of; `gaps`: sentences on
    what is not known or less certain."""

    tables: Sequence[UsageTable]
    none: str
    gaps: Sequence[str]


@dataclass(frozen=True, slots=True)
class Site:
    """A site's part. `for_one`: it is for a talk with one operator, and nobody else is named.

    `actions`: what to do next. `overall`: the result of the comparison if no operator stands out; else empty.
    `improved`, `worse`: sentences on changes; `open_talks`: on talks without a clear change; `certainty`: on how sure
    all this is. `table`: the faults that somebody can be judged on. `unassigned`: faults with nobody signed on, which
    are shown but not compared. `condition`: None if no wear or tools are recorded.
    """

    name: str
    anchor: str
    for_one: bool
    worked: str
    actions: Sequence[Action]
    cards: Sequence[Card]
    overall: str
    improved: Sequence[str]
    worse: Sequence[str]
    open_talks: Sequence[str]
    certainty: Sequence[str]
    people: Sequence[OperatorPart]
    table: RateTable = field(default_factory=RateTable)
    comparisons: Sequence[Comparison] = ()
    hammers: RateTable = field(default_factory=RateTable)
    unassigned: Sequence[RateLine] = ()
    unassigned_worked: str = ""
    condition: WearAndTools | None = None
    usage: UsagePart | None = None

    @property
    def coached(self) -> Sequence[OperatorPart]:
        """Return the operators to coach."""
        return [person for person in self.people if person.topics]


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
