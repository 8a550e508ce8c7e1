"""The content of a report, in reading order, and the charts of its tables; the templates decide how it looks."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, Literal

import numpy as np

from strikewatch.core.instant import Instant
from strikewatch.review.charts.drawing import Standing
from strikewatch.review.charts.operators import Funnel, Intervals, draw_funnel, draw_intervals
from strikewatch.review.charts.series import ControlChart, draw_control_chart
from strikewatch.review.coaching import Coaching
from strikewatch.review.highlights import Highlight
from strikewatch.review.statistics.poisson import Kind, prediction_limits
from strikewatch.review.wear.condition import Condition

if TYPE_CHECKING:
    import pandas as pd


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


_POINTS: Final = 120
_LEAST: Final = 0.25
"""The curves begin where this many faults are expected; before that, a single fault is far above them."""


def comparison_charts(
    ident: str, name: str, exposure_name: str, rows: Sequence[Mapping[str, Any]], only: str | None
) -> list[Figure]:
    """Draw a fault over operators, from rows of OPERATORS with hours: a funnel plot and the estimated rates.

    With `only`, the other operators are points without a name.
    """
    hours, rate = (np.array([float(row[column]) for row in rows]) for column in ("hours", "rate"))
    standing: list[Standing] = [row["standing"] or "little" for row in rows]
    site_rate, dispersion = float(rows[0]["site_rate"]), float(rows[0]["dispersion"])
    last_h = 1.06 * float(hours.max())
    first_h = min(_LEAST / site_rate, last_h) if site_rate > 0 else last_h
    at_h = np.linspace(first_h, last_h, _POINTS)
    names = [str(row["operator"]) if only in (None, row["operator"]) else "" for row in rows]
    points = Funnel(
        names,
        hours,
        rate,
        standing,
        site_rate,
        at_h,
        prediction_limits(site_rate, at_h, 0.95, dispersion),
        prediction_limits(site_rate, at_h, 0.998, dispersion),
        exposure=f"{exposure_name.capitalize()} hours",
    )
    shown = [row for row in rows if only in (None, row["operator"])]
    rates, lower, upper, counted = (
        np.array([float(row[column]) for row in shown])
        for column in ("shrunk", "shrunk_lower", "shrunk_upper", "rate")
    )
    estimates = Intervals(
        names=[str(row["operator"]) for row in shown],
        rate=rates,
        lower=lower,
        upper=upper,
        raw=counted,
        standing=[row["standing"] or "little" for row in shown],
        expected=site_rate,
    )
    return [
        Figure(
            draw_funnel(f"{ident}-funnel", points, f"{name}: rates by hours worked"),
            "Each point is an operator; inside the curves, chance alone may explain the rate.",
        ),
        Figure(
            draw_intervals(f"{ident}-intervals", estimates, f"{name}: estimated rates"),
            "Estimated rate with its 95 % interval; hollow diamond: rate as counted.",
        ),
    ]


def weekly_chart(ident: str, name: str, weeks: "pd.DataFrame") -> Figure:
    """Draw a fault of an operator by week, from rows of WEEKS; weeks without work stay empty."""
    import pandas as pd

    begins = pd.to_datetime(weeks["week"])
    all_weeks = pd.date_range(begins.min(), begins.max(), freq="7D")
    shown = weeks.assign(week=begins).set_index("week").reindex(all_weeks)
    chart = ControlChart(
        [f"{week.day} {week:%b}" for week in all_weeks],
        shown["rate"].to_numpy(float),
        shown["chart_lower"].to_numpy(float),
        shown["chart_upper"].to_numpy(float),
        float(weeks["centre"].iloc[0]),
        shown["signal"].eq(True).to_numpy(bool),
    )
    return Figure(draw_control_chart(ident, chart, f"{name}, week by week"), name)
