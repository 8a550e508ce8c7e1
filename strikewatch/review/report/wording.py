"""Sentences of the report that are made of numbers."""

from collections.abc import Iterator, Sequence
from datetime import timedelta
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from strikewatch.core.instant import SECOND, Instant
from strikewatch.review.charts.drawing import local
from strikewatch.review.coaching import Coaching
from strikewatch.review.data.feeds import Feeds
from strikewatch.review.data.schemas import Hours
from strikewatch.review.moments.highlights import Clean
from strikewatch.review.statistics import verdicts

if TYPE_CHECKING:
    import pandas as pd


def hours(value_h: float) -> str:
    """A length of time for people: 12 min, 3.4 h, 120 h."""
    if value_h < 1:
        return f"{value_h * 60:.0f} min"
    return f"{value_h:.1f} h" if value_h < 100 else f"{value_h:,.0f} h"


def many(n: int, one: str, more: str = "") -> str:
    return f"{n:,} {one if n == 1 else more or one + 's'}"


def listed(names: Sequence[str]) -> str:
    """a, b and c."""
    return " and ".join([", ".join(names[:-1]), names[-1]]) if len(names) > 1 else "".join(names)


def day(at: Instant, zone: ZoneInfo) -> str:
    shown = local(at, zone)
    return f"{shown.day} {shown:%b %Y}"


def period(begin: Instant, end: Instant, zone: ZoneInfo) -> str:
    """The days from the first to the last, both counted; hours too where it is less than a day."""
    last = end - 1
    if end - begin < timedelta(days=1).total_seconds() * SECOND:
        return f"{day(begin, zone)}, {local(begin, zone):%H:%M} to {local(end, zone):%H:%M} ({zone.key})"
    return f"{day(begin, zone)} to {day(last, zone)} ({zone.key})"


def worked(exposure: "pd.DataFrame") -> str:
    """What the rows of exposure hold: hours, people or hammers, and how much of it could be judged."""
    firing_h = float(exposure["firing_s"].sum()) / 3600
    operating_h = float(exposure["operating_s"].sum()) / 3600
    if not len(exposure):
        return "No work in this time."
    hammers = sorted(exposure["hammer"].unique())
    where = listed(hammers) if len(hammers) <= 6 else many(len(hammers), "hammer")
    said = f"{hours(firing_h)} of firing in {hours(operating_h)} of operating, on {where}"
    bouts = int(exposure["bouts"].sum())
    if not firing_h:
        return f"{hours(operating_h)} of operating on {where}, no firing."
    judged = float(exposure["judged_s"].sum()) / float(exposure["firing_s"].sum())
    blows = float(exposure["blows"].sum())
    counted = f", {blows:,.0f} blows counted" if blows > 0 else ""
    share = f"{100 * judged:.0f} % of the firing could be judged for blank blows."
    return f"{said}; {many(bouts, 'bout')}{counted}. {share}"


def more(hours: float, over: Hours) -> str:
    """How many more hours would bring limits that say something; empty where that is not known."""
    return verdicts.more_hours(hours, over) if hours == hours else ""


def less_certain(
    totals: "pd.DataFrame", exposure: "pd.DataFrame", feeds: Feeds, coaching: Coaching
) -> Iterator[str]:
    """A sentence for each reason why faults of one site are inferred only; from its rows of SITES and EXPOSURE."""
    worked = sorted(set(zip(exposure["site"], exposure["hammer"], strict=True)))
    for fault in totals.loc[totals["count"] > 0, "fault"]:
        by: dict[str, list[str]] = {}
        for key in worked:
            if why := feeds.uncertain.get(key, {}).get(fault, ""):
                by.setdefault(why, []).append(key[1])
        for why, hammers in by.items():
            yield f"Less certain on {listed(hammers)}: {coaching.name(fault).lower()} ({why})."


def clean(stretch: Clean, zone: ZoneInfo) -> str:
    begin, end = local(stretch.begin, zone), local(stretch.end, zone)
    until = f"{end:%H:%M}" if begin.date() == end.date() else f"{end.day} {end:%b %H:%M}"
    return (
        f"The longest stretch without a fault found: {hours(stretch.firing_s / 3600)} of firing on {stretch.hammer}, "
        f"{begin.day} {begin:%b}, {begin:%H:%M} to {until}."
    )
