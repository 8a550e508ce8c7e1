"""How well alerts serve people: alarm performance figures of a site, against the published yardsticks.

Yardsticks of ISA-18.2 / IEC 62682 and EEMUA 191, for one person who watches; those marked (m) are from memory:

| figure | yardstick |
| --- | --- |
| alerts a day | about 150 acceptable, 300 the most that can be managed |
| alerts in 10 min | 1 on average acceptable, 2 manageable (m) |
| share of time in flood | below 1 % (m); a flood is more than 10 in 10 min, over below 5 (m) |
| ten greatest contributors | together below 5 % of all (m) |
| chattering (3 or more in a minute) | none |
| stale (standing for over 24 h) | fewer than 5 (m) |
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
from strikewatch.engine.flood import Rules, Span, episodes

DAY: Final = 86_400 * SECOND
TEN_MINUTES: Final = 600 * SECOND
ACCEPTABLE_A_DAY: Final = 150.0
MOST_A_DAY: Final = 300.0
ACCEPTABLE_IN_10_MIN: Final = 1.0
MOST_IN_10_MIN: Final = 2.0
FLOOD_SHARE: Final = 0.01
TOP: Final = 10
TOP_SHARE: Final = 0.05
STALE_AFTER: Final = DAY
STALE: Final = 5
SPREAD: Final[dict[Priority, float]] = {"low": 0.80, "medium": 0.15, "high": 0.05}


@dataclass(frozen=True, slots=True)
class Interval:
    """An alert from its onset until it cleared; None: it stands."""

    hammer: str
    fault: str
    priority: Priority
    onset: Instant
    cleared: Instant | None


@dataclass(frozen=True, slots=True)
class Source:
    """What one fault of one hammer contributes: alerts, their share of all, and how often it chattered."""

    hammer: str
    fault: str
    alerts: int
    share: float
    chattered: int


@dataclass(frozen=True, slots=True)
class Figures:
    """The figures from `begin` to `end` (exclusive). Shares are fractions of 1; all are 0 where there are no alerts."""

    begin: Instant
    end: Instant
    alerts: int
    per_day: float
    busiest_day: int
    per_10_min: float
    busiest_10_min: int
    floods: int
    flood_share: float
    top: tuple[Source, ...]
    top_share: float
    chattering: tuple[Source, ...]
    stale: tuple[Interval, ...]
    spread: dict[Priority, float]

    def json(self) -> dict[str, Any]:
        """As others' programs get it."""
        return {
            **asdict(self),
            "begin": instant.text(self.begin),
            "end": instant.text(self.end),
            "stale": [
                {
                    **asdict(one),
                    "onset": instant.text(one.onset),
                    "cleared": None if one.cleared is None else instant.text(one.cleared),
                }
                for one in self.stale
            ],
        }


def figures(intervals: Iterable[Interval], begin: Instant, end: Instant, rules: Rules) -> Figures:
    """The figures of one site, of the alerts whose onset lies within; `end` must be after `begin`.

    Alerts of before count as stale too, where they stood for long within.
    """
    known = sorted(intervals, key=lambda one: (one.onset, one.hammer, one.fault))
    within = [one for one in known if begin <= one.onset < end]
    onsets = [one.onset for one in within]
    n, days = len(within), (end - begin) / DAY
    floods = episodes(rules.flood, onsets)
    sources = _sources(within, rules)
    counted = Counter(one.priority for one in within)
    return Figures(
        begin,
        end,
        n,
        n / days,
        _most(onsets, DAY),
        n / (days * DAY / TEN_MINUTES),
        _most(onsets, TEN_MINUTES),
        len(floods),
        _covered(floods, end) / (end - begin),
        tuple(sources[:TOP]),
        sum(one.share for one in sources[:TOP]),
        tuple(one for one in sources if one.chattered),
        tuple(
            one for one in known if one.onset < end and _stood(one, end) > STALE_AFTER and _after(one, begin)
        ),
        {priority: counted[priority] / n if n else 0.0 for priority in PRIORITIES},
    )


def _sources(within: Sequence[Interval], rules: Rules) -> list[Source]:
    """The greatest first."""
    streams: dict[tuple[str, str], list[Instant]] = {}
    for one in within:
        streams.setdefault((one.hammer, one.fault), []).append(one.onset)
    found = [
        Source(*name, len(onsets), len(onsets) / len(within), len(episodes(rules.chattering, onsets)))
        for name, onsets in streams.items()
    ]
    return sorted(found, key=lambda one: (-one.alerts, one.hammer, one.fault))


def _most(onsets: Sequence[Instant], window: Instant) -> int:
    """The most within any window."""
    return max((k + 1 - bisect_right(onsets, one - window) for k, one in enumerate(onsets)), default=0)


def _covered(spans: Iterable[Span], end: Instant) -> Instant:
    return sum(min(span.until, end) - span.began for span in spans)


def _stood(one: Interval, end: Instant) -> Instant:
    """How long it had stood by the end, or until it cleared."""
    return min(end if one.cleared is None else one.cleared, end) - one.onset


def _after(one: Interval, begin: Instant) -> bool:
    return one.cleared is None or one.cleared > begin
