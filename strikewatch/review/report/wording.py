"""Sentences of the report that contain numbers."""

from collections.abc import Iterator, Sequence
from datetime import timedelta
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from strikewatch.core.instant import SECOND, Instant
from strikewatch.review.charts.drawing import local_time
from strikewatch.review.coaching import Coaching
from strikewatch.review.data.feeds import Feeds
from strikewatch.review.data.schemas import Hours
from strikewatch.review.moments.highlights import CleanStretch
from strikewatch.review.statistics import verdicts

if TYPE_CHECKING:
    import pandas as pd


def hours(value_h: float) -> str:
    """Format a duration: 12 min, 3.4 h, 120 h."""
    if value_h < 1:
        return f"{value_h * 60:.0f} min"
    return f"{value_h:.1f} h" if value_h < 100 else f"{value_h:,.0f} h"


def plural(n: int, one: str, more: str = "") -> str:
    return f"{n:,} {one if n == 1 else more or one + 's'}"


def join_names(names: Sequence[str]) -> str:
    """Join names as in "a, b and c"."""
    return " and ".join([", ".join(names[:-1]), names[-1]]) if len(names) > 1 else "".join(names)


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
    said = f"{hours(firing_h)} of firing in {hours(operating_h)} of operating, on {where}"
    bouts = int(exposure["bouts"].sum())
    if not firing_h:
        return f"{hours(operating_h)} of operating on {where}, no firing."
    judged = float(exposure["judged_s"].sum()) / float(exposure["firing_s"].sum())
    blows = float(exposure["blows"].sum())
    counted = f", {blows:,.0f} blows counted" if blows > 0 else ""
    share = f"{100 * judged:.0f} % of the firing could be judged for blank firing."
    return f"{said}; {plural(bouts, 'bout')}{counted}. {share}"


def more(hours: float, over: Hours) -> str:
    """Say how many further hours give useful limits; empty if not known."""
    return verdicts.round_hours(hours, over) if hours == hours else ""


def less_certain(
    totals: "pd.DataFrame", exposure: "pd.DataFrame", feeds: Feeds, coaching: Coaching
) -> Iterator[str]:
    """Yield a sentence per reason why faults of one site are only inferred, from its rows of SITES and EXPOSURE."""
    worked = sorted(set(zip(exposure["site"], exposure["hammer"], strict=True)))
    for fault in totals.loc[totals["count"] > 0, "fault"]:
        by: dict[str, list[str]] = {}
        for key in worked:
            if why := feeds.uncertain.get(key, {}).get(fault, ""):
                by.setdefault(why, []).append(key[1])
        for why, hammers in by.items():
            yield f"Less certain on {join_names(hammers)}: {coaching.name(fault).lower()} ({why})."


def clean_stretch(stretch: CleanStretch, zone: ZoneInfo) -> str:
    begin, end = local_time(stretch.begin, zone), local_time(stretch.end, zone)
    until = f"{end:%H:%M}" if begin.date() == end.date() else f"{end.day} {end:%b %H:%M}"
    return (
        f"The longest stretch without a fault: {hours(stretch.firing_s / 3600)} of firing on {stretch.hammer}, "
        f"{begin.day} {begin:%b}, {begin:%H:%M} to {until}."
    )
