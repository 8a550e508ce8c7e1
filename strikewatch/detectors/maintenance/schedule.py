"""What is coming due for a hammer, read from its state: for whoever plans the week."""

import math
from typing import Any, Final, NamedTuple

from strikewatch.core.instant import SECOND, Instant
from strikewatch.detectors.kernels import (
    NEVER,
)
from strikewatch.detectors.maintenance import service_intervals
from strikewatch.detectors.maintenance.due_items import ITEMS
from strikewatch.detectors.maintenance.forecast import DAY, DAYS, LEAST, days_left

_HOUR: Final = 3600 * SECOND


class Coming(NamedTuple):
    """One item. Negative where it is past due.

    `hours_left` of operation and `days_left` of the calendar: whichever runs out first counts. `earliest_days`,
    `latest_days`: when that will be at the use of the days past, a 95 % interval; None where these are too few (the
    calendar's days are the latest all the same).
    """

    item: str
    stage: int
    hours_left: float
    days_left: float | None
    earliest_days: float | None
    latest_days: float | None
    seen_to: bool


def coming(record: Any, settings: service_intervals.Settings, now: Instant) -> list[Coming]:
    """Inspection and service, by a hammer's record of `upkeep`, as of an instant of event time."""
    hours, days, *_ = service_intervals.DETECTOR.params(settings)
    n = min(DAYS, int(record["day"]) - int(record["first_day"]) - 1)
    told = []
    for k, item in enumerate(ITEMS):
        left = hours[k][1] - int(record["clock"][k])
        since = int(record["since"][k])
        days_to = (since + days[k][1] - now) / DAY if since != NEVER else None
        earliest = latest = None
        if n >= LEAST and left > 0:
            ends = days_left(record["days"].astype(float), n, float(left))
            # The calendar needs no forecast: it is the latest at any use.
            earliest, latest = (
                one if math.isfinite(one) else None
                for one in (min(end, math.inf if days_to is None else max(0.0, days_to)) for end in ends)
            )
        told.append(
            Coming(
                item,
                int(record["stage"][k]),
                left / _HOUR,
                days_to,
                earliest,
                latest,
                bool(record["seen_to"][k]),
            )
        )
    return told
