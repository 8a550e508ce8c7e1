"""Alarm KPIs: how many alerts a site gives, beside the published targets of alarm management.

Targets of ISA-18.2 / IEC 62682 and EEMUA 191, for one person watching; those marked (m) are from memory:

| KPI | target |
| --- | --- |
| alerts a day | about 150 acceptable, 300 the maximum manageable |
| alerts in 10 min | 1 on average acceptable, 2 manageable (m) |
| share of time in flood | below 1 % (m); a flood begins above 10 in 10 min and ends below 5 (m) |
| ten largest contributors | together below 5 % of all (m) |
| chattering (3 or more in a minute) | none |
| stale (active for over 24 h) | fewer than 5 (m) |
| priorities low, medium, high | 80, 15 and 5 % |
"""

from bisect import bisect_right
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from typing import Any, Final

from strikewatch.core import instant
from strikewatch.core.alert import PRIORITIES, Priority
from strikewatch.core.instant import SECOND, Instant
from strikewatch.engine.flood import Episode, Rules, episodes

DAY: Final = 86_400 * SECOND
TEN_MINUTES: Final = 600 * SECOND
ACCEPTABLE_PER_DAY: Final = 150.0
MAX_PER_DAY: Final = 300.0
ACCEPTABLE_IN_10_MIN: Final = 1.0
MAX_IN_10_MIN: Final = 2.0
MAX_FLOOD_SHARE: Final = 0.01
TOP_CONTRIBUTORS: Final = 10
MAX_TOP_SHARE: Final = 0.05
STALE_AFTER: Final = DAY
MAX_STALE: Final = 5
PRIORITY_TARGETS: Final[dict[Priority, float]] = {"low": 0.80, "medium": 0.15, "high": 0.05}


@dataclass(frozen=True, slots=True)
class Interval:
    """One alert from its onset until it cleared (None: it is still active)."""

    hammer: str
    fault: str
    priority: Priority
    onset: Instant
    cleared: Instant | None


@dataclass(frozen=True, slots=True)
class Contributor:
    """The alerts of one fault of one hammer: how many, their share of all, and the number of chattering episodes."""

    hammer: str
    fault: str
    alerts: int
    share: float
    chattered: int


@dataclass(frozen=True, slots=True)
class AlarmKpis:
    """KPIs of one site from `begin` to `end` (exclusive). Shares are fractions of 1; all are 0 without alerts.

    `spread` is the distribution over priorities, `top` the largest contributors.
    """

    begin: Instant
    end: Instant
    alerts: int
    per_day: float
    busiest_day: int
    per_10_min: float
    busiest_10_min: int
    floods: int
    flood_share: float
    top: tuple[Contributor, ...]
    top_share: float
    chattering: tuple[Contributor, ...]
    stale: tuple[Interval, ...]
    spread: dict[Priority, float]

    def as_json(self) -> dict[str, Any]:
        """Return the KPIs ready for JSON, with instants as RFC 3339."""
        return {
            **asdict(self),
            "begin": instant.text(self.begin),
            "end": instant.text(self.end),
            "stale": [
                {
                    **asdict(interval),
                    "onset": instant.text(interval.onset),
                    "cleared": None if interval.cleared is None else instant.text(interval.cleared),
                }
                for interval in self.stale
            ],
        }


def compute_kpis(intervals: Iterable[Interval], begin: Instant, end: Instant, rules: Rules) -> AlarmKpis:
    """Compute the KPIs of one site over the alerts whose onset lies in [begin, end); `end` must be after `begin`.

    Earlier alerts count only as stale, where they were still active after `begin`.
    """
    ordered = sorted(intervals, key=lambda interval: (interval.onset, interval.hammer, interval.fault))
    within = [interval for interval in ordered if begin <= interval.onset < end]
    onsets = [interval.onset for interval in within]
    n, days = len(within), (end - begin) / DAY
    floods = episodes(rules.flood, onsets)
    contributors = _contributors(within, rules)
    by_priority = Counter(interval.priority for interval in within)
    return AlarmKpis(
        begin,
        end,
        n,
        n / days,
        _max_in_window(onsets, DAY),
        n / (days * DAY / TEN_MINUTES),
        _max_in_window(onsets, TEN_MINUTES),
        len(floods),
        _time_in(floods, end) / (end - begin),
        tuple(contributors[:TOP_CONTRIBUTORS]),
        sum(entry.share for entry in contributors[:TOP_CONTRIBUTORS]),
        tuple(entry for entry in contributors if entry.chattered),
        tuple(
            interval
            for interval in ordered
            if interval.onset < end
            and _active_for(interval, end) > STALE_AFTER
            and _cleared_after(interval, begin)
        ),
        {priority: by_priority[priority] / n if n else 0.0 for priority in PRIORITIES},
    )


def _contributors(within: Sequence[Interval], rules: Rules) -> list[Contributor]:
    """The contributors of these alerts, the largest first."""
    by_fault: dict[tuple[str, str], list[Instant]] = {}
    for interval in within:
        by_fault.setdefault((interval.hammer, interval.fault), []).append(interval.onset)
    found = [
        Contributor(*name, len(onsets), len(onsets) / len(within), len(episodes(rules.chattering, onsets)))
        for name, onsets in by_fault.items()
    ]
    return sorted(found, key=lambda entry: (-entry.alerts, entry.hammer, entry.fault))


def _max_in_window(onsets: Sequence[Instant], window: Instant) -> int:
    """Return the largest number of onsets in any window of this length, ns."""
    return max((k + 1 - bisect_right(onsets, onset - window) for k, onset in enumerate(onsets)), default=0)


def _time_in(episodes: Iterable[Episode], end: Instant) -> Instant:
    return sum(min(episode.until, end) - episode.began for episode in episodes)


def _active_for(interval: Interval, end: Instant) -> Instant:
    """How long an alert was active, until it cleared or until `end`, ns."""
    return min(end if interval.cleared is None else interval.cleared, end) - interval.onset


def _cleared_after(interval: Interval, begin: Instant) -> bool:
    return interval.cleared is None or interval.cleared > begin
