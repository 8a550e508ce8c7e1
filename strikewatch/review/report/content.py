"""What a report says, in the order in which it is read; how it looks is the templates' business."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from strikewatch.core.instant import Instant
from strikewatch.review.charts.drawing import Standing
from strikewatch.review.coaching import Coaching
from strikewatch.review.moments.highlights import Moment
from strikewatch.review.statistics.poisson import Kind


@dataclass(frozen=True, slots=True)
class Line:
    """One operator, hammer or site, and one fault. Rates are per hour of `hours`; `per` says of which kind those are.

    `verdict` and `change` are said in words; `change` is empty where there was nothing before, `standing` where nobody
    is compared. `limits`: what `lower` and `upper` are; "little": they are not to be shown, and `more` says how many
    more hours would do, where that is known. `less_certain`: how many of `count` were inferred only.
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
    """One thing for the site to work on: the fault, how much of it there is, and where it comes from."""

    line: Line
    spread: str
    first: str


@dataclass(frozen=True, slots=True)
class Picture:
    """An SVG with what to say below it."""

    svg: str
    caption: str


@dataclass(frozen=True, slots=True)
class Shown:
    """A moment with its picture (none where no samples are kept), when it was, and the command that replays it, in
    parts that belong together."""

    moment: Moment
    name: str
    when: str
    svg: str | None
    command: Sequence[str] = ()


@dataclass(frozen=True, slots=True)
class Comparison:
    """One fault over the operators of a site. `why_none` where there is too little to compare."""

    fault: str
    name: str
    per: str
    lines: Sequence[Line]
    pictures: Sequence[Picture] = ()
    why_none: str = ""


@dataclass(frozen=True, slots=True)
class Person:
    """An operator's part: what was worked, each fault, the weeks, moments, and what went well."""

    operator: str
    anchor: str
    worked: str
    lines: Sequence[Line]
    coach: Sequence[str]
    summary: str
    weeks: Sequence[Picture] = ()
    shown: Sequence[Shown] = ()
    good: Sequence[str] = ()
    clean: Picture | None = None


@dataclass(frozen=True, slots=True)
class Reading:
    """One length that is read: the newest reading, how such readings go where no picture says so, and the picture."""

    said: str
    outlook: str
    picture: Picture | None


@dataclass(frozen=True, slots=True)
class Inspected:
    """A hammer's inspections: what to do with its lower bushing (`marked`: something is), why, and its readings."""

    hammer: str
    when: str
    verdict: str
    why: str
    marked: bool
    readings: Sequence[Reading]


@dataclass(frozen=True, slots=True)
class Fitting:
    """A hammer's tool in use, the work told of, whether it suits, and a note where it does not."""

    hammer: str
    tool: str
    work: str
    suits: str
    note: str


@dataclass(frozen=True, slots=True)
class Life:
    """A tool: where, since when, what it has done, what became of it, and whose hours those are."""

    tool: str
    hammer: str
    since: str
    firing: str
    blows: str
    fate: str
    operators: str


@dataclass(frozen=True, slots=True)
class Lasts:
    """Tools alike in something: how many, and after how many hours of firing half of them have ended, with limits."""

    name: str
    by: str
    tools: int
    ended: int
    median: str
    limits: str


@dataclass(frozen=True, slots=True)
class WearAndTools:
    """Wear and tools at a site; `practice` says where advice comes from, `lasting` how lives are counted."""

    inspected: Sequence[Inspected]
    fitted: Sequence[Fitting]
    lives: Sequence[Life]
    lasts: Sequence[Lasts]
    lasting: str
    practice: str


@dataclass(frozen=True, slots=True)
class UsedLine:
    """One measure of a hammer's use: in all, per firing hour, and that of all hammers at the site."""

    name: str
    amount: str
    rate: str
    every: str


@dataclass(frozen=True, slots=True)
class Used:
    """What a hammer went through; `none` lists of what there was nothing."""

    hammer: str
    lines: Sequence[UsedLine]
    none: str


@dataclass(frozen=True, slots=True)
class Account:
    """The account of use of a site's hammers; `gaps` say what could not be known of which."""

    hammers: Sequence[Used]
    gaps: Sequence[str]


@dataclass(frozen=True, slots=True)
class Site:
    """A site's part; `for_one`: to sit down with one operator, so that nobody else is in it.

    `overall` says what the comparison of the operators comes to where nobody stands out; empty where somebody does.
    `unassigned` is what happened with nobody signed on: shown, and never compared. `uncertain`: sentences on what feeds
    let be inferred only. `condition` None: nothing was told of wear or tools.
    """

    name: str
    anchor: str
    for_one: bool
    worked: str
    cards: Sequence[Card]
    quiet: Sequence[str]
    comparisons: Sequence[Comparison]
    people: Sequence[Person]
    hammers: Sequence[Line]
    overall: str
    uncertain: Sequence[str] = ()
    unassigned: Sequence[Line] = ()
    unassigned_worked: str = ""
    condition: WearAndTools | None = None
    account: Account | None = None


@dataclass(frozen=True, slots=True)
class Report:
    """The whole. `nothing` says why there is nothing to show; empty where there is."""

    period: str
    begin: Instant
    end: Instant
    coaching: Coaching
    sites: Sequence[Site] = ()
    faults: Sequence[str] = ()
    source: str = ""
    nothing: str = ""
    notes: Sequence[str] = ()
