"""Sentences of the report: amounts of work, who stands out, and what there is not enough data to say."""

from collections.abc import Collection, Iterator, Mapping, Sequence
from datetime import timedelta
from typing import TYPE_CHECKING, Final
from zoneinfo import ZoneInfo

from strikewatch.core.finding import Exposure as Hours
from strikewatch.core.instant import SECOND, Instant
from strikewatch.review.charts.drawing import local_time
from strikewatch.review.coaching import Coaching
from strikewatch.review.data.tables import Feeds
from strikewatch.review.highlights import CleanStretch
from strikewatch.review.report.content import RateLine
from strikewatch.review.statistics.comparisons import (
    NOT_MONITORED,
    Follows,
    SiteFault,
    hammers_above,
    indistinguishable_hammers,
)
from strikewatch.review.statistics.formatting import round_hours

if TYPE_CHECKING:
    import pandas as pd


def hours(value_h: float) -> str:
    """Format a duration: 12 min, 3.4 h, 120 h."""
    if value_h < 1:
        return f"{value_h * 60:.0f} min"
    return f"{value_h:.1f} h" if value_h < 100 else f"{value_h:,.0f} h"


def plural(count: int, singular: str) -> str:
    return f"{count:,} {singular if count == 1 else singular + 's'}"


def join_names(names: Sequence[str]) -> str:
    """Join names as in "a, b and c"."""
    return " and ".join([", ".join(names[:-1]), names[-1]]) if len(names) > 1 else "".join(names)


def lower_first(sentence: str) -> str:
    return sentence[:1].lower() + sentence[1:]


def upper_first(sentence: str) -> str:
    return sentence[:1].upper() + sentence[1:]


def day(at: Instant, zone: ZoneInfo) -> str:
    shown = local_time(at, zone)
    return f"{shown.day} {shown:%b %Y}"


def period(begin: Instant, end: Instant, zone: ZoneInfo) -> str:
    """Format a period by its first and last day, or by its hours if it is shorter than a day."""
    last = end - 1
    if end - begin < timedelta(days=1).total_seconds() * SECOND:
        return f"{day(begin, zone)}, {local_time(begin, zone):%H:%M} to {local_time(end, zone):%H:%M} ({zone.key})"
    return f"{day(begin, zone)} to {day(last, zone)} ({zone.key})"


def worked(exposure: "pd.DataFrame") -> str:
    """Summarize rows of EXPOSURE: hours, hammers, bouts, and the share that could be judged."""
    firing_h = float(exposure["firing_s"].sum()) / 3600
    operating_h = float(exposure["operating_s"].sum()) / 3600
    if not len(exposure):
        return "No work in this period."
    hammers = sorted(exposure["hammer"].unique())
    where = join_names(hammers) if len(hammers) <= 6 else plural(len(hammers), "hammer")
    work = f"{hours(firing_h)} of firing in {hours(operating_h)} of operating, on {where}"
    bouts = int(exposure["bouts"].sum())
    if not firing_h:
        return f"{hours(operating_h)} of operating on {where}, no firing."
    judged = float(exposure["judged_s"].sum()) / float(exposure["firing_s"].sum())
    blows = float(exposure["blows"].sum())
    counted = f", {blows:,.0f} blows counted" if blows > 0 else ""
    share = f"{100 * judged:.0f} % of the firing could be judged for blank firing."
    return f"{work}; {plural(bouts, 'bout')}{counted}. {share}"


def further_hours(hours: float, over: Hours) -> str:
    """Say how many further hours give useful limits; empty if not known."""
    return round_hours(hours, over) if hours == hours else ""


def less_certain(
    totals: "pd.DataFrame", exposure: "pd.DataFrame", feeds: Feeds, coaching: Coaching
) -> Iterator[str]:
    """Yield a sentence per reason why faults of one site are only inferred, from its rows of SITES and EXPOSURE."""
    worked = sorted(set(zip(exposure["site"], exposure["hammer"], strict=True)))
    for fault in totals.loc[totals["count"] > 0, "fault"]:
        hammers_by_reason: dict[str, list[str]] = {}
        for key in worked:
            if why := feeds.uncertain.get(key, {}).get(fault, ""):
                hammers_by_reason.setdefault(why, []).append(key[1])
        for why, hammers in hammers_by_reason.items():
            yield f"Less certain on {join_names(hammers)}: {coaching.name(fault).lower()} ({why})."


def clean_stretch(stretch: CleanStretch, zone: ZoneInfo) -> str:
    begin, end = local_time(stretch.begin, zone), local_time(stretch.end, zone)
    until = f"{end:%H:%M}" if begin.date() == end.date() else f"{end.day} {end:%b %H:%M}"
    return (
        f"The longest stretch without a fault: {hours(stretch.firing_s / 3600)} of firing on {stretch.hammer}, "
        f"{begin.day} {begin:%b}, {begin:%H:%M} to {until}."
    )


MIN_SHARE: Final = 0.8
"""Share of the hours that the judged operators must have for a statement about all."""
NOT_ENOUGH: Final = "Not enough data to say whether this is one operator or everyone."
SPREAD_OVER_ALL: Final = "Spread over all operators"
NOBODY_STANDS_OUT: Final = "No operator stands out by more than chance: the faults concern everybody."
ON_HAMMER: Final[Mapping[Follows, str]] = {
    "hammer": "regardless of who operates it: have it inspected",
    "some": "but not with every operator",
    "unclear": "but too few operators fired enough there to tell the hammer from the operator",
}


def fault_spread(rows: "pd.DataFrame", above: Sequence[str]) -> str:
    """Say who a fault concerns, from its rows of OPERATORS; `above`: the operators who stand out, in order."""
    if above:
        return f"Above the others: {join_names(above)}. Start coaching there."
    if not rows.loc[rows["standing"] != "", "count"].any():
        return "Only while nobody was signed on."
    if mostly_judged(rows):
        return f"{SPREAD_OVER_ALL}: address it with everybody, and check how the work is set up."
    return NOT_ENOUGH


def overall_verdict(operators: "pd.DataFrame") -> str:
    """Say who the faults of a site concern, from the rows of OPERATORS; empty if an operator stands out."""
    rows = operators[operators["standing"] != ""]
    if not len(rows) or (rows["standing"] == "above").any():
        return ""
    if all(mostly_judged(rows_of_fault) for _, rows_of_fault in rows.groupby("fault")):
        return NOBODY_STANDS_OUT
    little = (rows["standing"] == "little").groupby(rows["operator"]).all()
    if little.all():
        return f"{NOT_ENOUGH} The highlights may still be worth talking about."
    if little.any():
        unjudged = f"{little.sum()} of {plural(len(little), 'operator')}"
        return f"{NOT_ENOUGH} No operator stands out so far; {unjudged} cannot be judged on any fault yet."
    return f"{NOT_ENOUGH} No operator stands out so far; not every operator can be judged on every fault yet."


def mostly_judged(rows: "pd.DataFrame") -> bool:
    """Return whether the operators who can be judged on a fault stand for all: at least two, with most of the hours."""
    rows = rows[rows["standing"] != ""]
    judged = rows["standing"].isin(["above", "within", "below"])
    return bool(judged.sum() >= 2 and rows.loc[judged, "hours"].sum() >= MIN_SHARE * rows["hours"].sum())


def by_hammer(site: SiteFault, above: Sequence[str], *, names: bool) -> Iterator[str]:
    """Yield sentences on hammers with clearly more of a fault than the site, and whether it follows the hammer.

    `names`: operators may be named.
    """
    if names:
        for hammer, operators in indistinguishable_hammers(site, above):
            names_ = join_names(operators)
            yield f"It may also be the hammer: on {hammer}, only {names_} fired enough to tell."
    hammers_by_reason: dict[Follows, list[str]] = {}
    for hammer, follows in hammers_above(site, above):
        hammers_by_reason.setdefault(follows, []).append(hammer)
    for follows, hammers in hammers_by_reason.items():
        yield f"More often on {join_names(hammers)}, {ON_HAMMER[follows]}."


def faults_without_occurrence(
    faults: Sequence[str], site: str, hammers: Sequence[str], feeds: Feeds, coaching: Coaching
) -> Iterator[str]:
    """Yield sentences on faults that did not occur at a site, and on faults that its hammers' feeds cannot show."""
    not_monitored_on = {
        fault: [hammer for hammer in hammers if fault in feeds.silent.get((site, hammer), ())]
        for fault in faults
    }
    none = [
        coaching.name(fault).lower()
        + (f" (not monitored on {join_names(blind_hammers)})" if blind_hammers else "")
        for fault, blind_hammers in not_monitored_on.items()
        if len(blind_hammers) < len(hammers)
    ]
    not_monitored = [
        coaching.name(fault).lower()
        for fault, blind_hammers in not_monitored_on.items()
        if len(blind_hammers) == len(hammers)
    ]
    if none:
        yield f"None in this period: {', '.join(none)}."
    if not_monitored:
        yield f"Not monitored on any hammer: {', '.join(not_monitored)}."


def none_of(lines: Sequence[RateLine]) -> Iterator[str]:
    """Yield sentences on faults that an operator did not have; whether that means anything depends on the work."""
    for head, chosen in (
        ("None", [line for line in lines if line.standing == "within"]),
        (
            "None, but too little work to judge",
            [line for line in lines if line.standing == "little" and not not_monitored(line)],
        ),
        (NOT_MONITORED, [line for line in lines if not_monitored(line)]),
    ):
        if chosen:
            yield f"{head}: {', '.join(line.name.lower() for line in chosen)}."


def not_monitored(line: RateLine) -> bool:
    """Return whether the fault cannot be found on any hammer that the operator worked with."""
    return line.verdict.startswith(NOT_MONITORED)


def summary(lines: Sequence[RateLine], firing_s: float, occurred: Collection[str]) -> str:
    """Summarize an operator who does not stand out; `seen`: the faults that occurred at the site."""
    if not firing_s:
        return "No firing in this period"
    if not any(line.count for line in lines):
        return "No faults in this period"
    standings = {line.standing for line in lines if line.fault in occurred}
    if "little" not in standings:
        return "Nothing stands out"
    return "Not enough data to judge yet" if standings == {"little"} else "Nothing stands out so far"
