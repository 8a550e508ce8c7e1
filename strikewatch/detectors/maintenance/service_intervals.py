"""inspection_*, service_*, hour_meter: what is due by operating hours or by days, whichever comes first.

Tool and lower bushing: 50 operating hours or 7 days; full service of seals and diaphragms: 1,000 hours or 12 months,
here 365 days (common practice, no published source). Each is soon, due and overdue in turn, one alert at a time,
until the event that completes it.

The timers run while the carrier works (see `carrier`). An event between two rows of a feed without engine speed
resets its timer without the part of the interval before it. The hour meter runs with the timers and follows the
readings of the carrier's meter. A higher reading is work that was not seen, and is added to the timers, except at the
first reading ever, which may be of years before. A lower one is not accepted without a reason.
"""

import math
from collections.abc import Iterator
from itertools import pairwise
from typing import Any, Final, NamedTuple, Self

from pydantic import Field, model_validator

from strikewatch.core import instant
from strikewatch.core.finding import Fault
from strikewatch.core.instant import SECOND, Instant
from strikewatch.detectors import carrier
from strikewatch.detectors.base import FOREVER, Detector, DetectorSettings, Older, hours, tenth
from strikewatch.detectors.kernels import NEVER, part, unchecked
from strikewatch.detectors.maintenance.due_items import (
    ITEMS,
    STAGES,
    advance,
    apply_event,
    begin,
    report_active,
    uneventful_until,
    work_left,
)
from strikewatch.detectors.maintenance.forecast import DAY, DAYS, LEAST, days_left
from strikewatch.detectors.maintenance.history import (
    FIRST,
    PARAMS,
    ROW,
    STATE,
    TOTALS,
    cancel_drops,
    from_first,
)
from strikewatch.detectors.tiles import value_at


class Settings(DetectorSettings):
    """What is due by operating hours and days."""

    inspection_soon_h: float = Field(
        45.0, ge=0, description="Operating hours from which the inspection is due soon, h"
    )
    inspection_due_h: float = Field(
        50.0, gt=0, description="Operating hours from which the inspection is due, h; see the manual"
    )
    inspection_overdue_h: float = Field(
        60.0, gt=0, description="Operating hours from which the inspection is overdue, h"
    )
    inspection_soon_days: float = Field(6.0, ge=0, description="Days from which the inspection is due soon")
    inspection_due_days: float = Field(7.0, gt=0, description="Days from which the inspection is due")
    inspection_overdue_days: float = Field(8.0, gt=0, description="Days from which the inspection is overdue")
    service_soon_h: float = Field(
        950.0, ge=0, description="Operating hours from which the service is due soon, h"
    )
    service_due_h: float = Field(
        1000.0, gt=0, description="Operating hours from which the service is due, h; see the manual"
    )
    service_overdue_h: float = Field(
        1100.0, gt=0, description="Operating hours from which the service is overdue, h"
    )
    service_soon_days: float = Field(335.0, ge=0, description="Days from which the service is due soon")
    service_due_days: float = Field(365.0, gt=0, description="Days from which the service is due")
    service_overdue_days: float = Field(395.0, gt=0, description="Days from which the service is overdue")
    working_rpm: float = carrier.WORKING_RPM
    steady_s: float = carrier.STEADY_S

    @model_validator(mode="after")
    def _check_order(self) -> Self:
        for item in ITEMS:
            for unit in ("h", "days"):
                names = [f"{item}_{stage}_{unit}" for stage in STAGES]
                for lower, upper in pairwise(names):
                    if getattr(self, lower) > getattr(self, upper):
                        raise ValueError(f"{lower} must not be above {upper}")
        return self


@part
def quiet(tile: Any, state: Any, params: Any, rows: Any, engine_rpm: Any) -> bool:
    """Tell whether the carrier works throughout, and nothing becomes due; count it."""
    worked = tile.upto - tile.since
    if state.done != tile.since or tile.first_event < tile.last_event:
        return False
    if tile.upto >= uneventful_until(state, params) or worked >= work_left(state, params):
        return False
    if not carrier.works_throughout(tile, state, params, rows, engine_rpm):
        return False
    for k in range(2):
        state.clock[k] += worked
    state.meter += worked
    state.total += worked
    state.today += worked
    state.done = tile.upto
    carrier.take_newest(tile, state, params, rows, engine_rpm)
    return True


@part
def run(tile: Any, state: Any, params: Any, rows: Any, engine_rpm: Any, out: Any) -> None:
    time_ns = rows.time_ns
    events = rows.events
    event_index = tile.first_event
    i = tile.first
    while i < tile.last or event_index < tile.last_event:
        event_at = events[event_index].at if event_index < tile.last_event else FOREVER
        if i == tile.last or event_at < unchecked(time_ns, i):
            apply_event(state, params, events[event_index], tile.upto, out)
            event_index += 1
            continue
        now = unchecked(time_ns, i)
        begin(state, now)
        if state.first_row == NEVER:
            state.first_row = now
        for k in range(2):
            if state.since[k] == NEVER:
                state.since[k] = now
        works_until = carrier.works_until(
            state.has_engine_rpm, state.rpm_until, state.last_row, now, params.steady, NEVER
        )
        advance(state, params, now, works_until, out)
        if works_until == NEVER:
            cancel_drops(state)
        value = value_at(tile, engine_rpm, i)
        if value == value:
            state.has_engine_rpm = 1
            state.rpm_until = carrier.turns_until(value, now, params.working_rpm)
        state.last_row = now
        i += 1
    if state.done != NEVER and state.done <= tile.upto:
        if state.has_engine_rpm:
            advance(state, params, tile.upto, state.rpm_until, out)
        elif tile.report or not carrier.rows_close(state.last_row, tile.upto, params.steady):
            advance(state, params, tile.upto, NEVER, out)
    if tile.report:
        report_active(state, params, tile.upto, out)


def _params(settings: Settings) -> tuple[Any, ...]:
    return (
        [
            [instant.seconds(getattr(settings, f"{item}_{stage}_h") * 3600) for stage in STAGES]
            for item in ITEMS
        ],
        [
            [instant.seconds(getattr(settings, f"{item}_{stage}_days") * 86_400) for stage in STAGES]
            for item in ITEMS
        ],
        settings.working_rpm,
        instant.seconds(settings.steady_s),
    )


def _due(record: Any, params: Any) -> int:
    """Return when an item next reaches a stage by the calendar."""
    soonest = FOREVER
    for k in range(2):
        stage, since = int(record["stage"][k]), int(record["since"][k])
        if stage < 3 and since != NEVER:
            earliest = max(int(record["start"][k]), int(record["not_before"]))
            soonest = min(soonest, max(earliest, since + int(params["days"][k, stage])))
    return soonest


def _pending(record: Any, params: Any, _upto: int) -> Iterator[int]:
    """Yield when stages are reached after the last row of a feed without engine speed, if the time there counts."""
    done = int(record["done"])
    if record["has_engine_rpm"] or done == NEVER:
        return
    for k in range(2):
        start = max(done, int(record["start"][k]))
        yield start
        yield from (start + max(0, hours - int(record["clock"][k])) for hours in params["hours"][k].tolist())
        yield from (max(start, int(record["since"][k]) + days) for days in params["days"][k].tolist())


def _days(value_ns: float) -> float:
    return tenth(value_ns / DAY)


_ITEM_TEXTS: Final = {
    "inspection": ("Inspection of tool and lower bushing", "inspect and note the readings"),
    "service": ("Full service of seals and membranes", "plan it with the workshop"),
}
_STAGE_TEXTS: Final = {"soon": "is due soon", "due": "is due", "overdue": "is overdue"}


def _fault(item: str, stage: str) -> Fault:
    item_text, todo = _ITEM_TEXTS[item]
    return Fault(
        f"{item}_{stage}",
        f"{item_text} {_STAGE_TEXTS[stage]}: {{since_{item}_h:.1f}} operating hours and {{since_{item}_days:.1f}} days "
        f"since the last; {todo}.",
        {
            f"since_{item}_h": hours,
            f"since_{item}_days": _days,
            "earliest_days_left": tenth,
            "latest_days_left": tenth,
        },
    )


DETECTOR: Final = Detector(
    name="upkeep",
    version=2,
    faults=(
        *(_fault(item, stage) for item in ITEMS for stage in STAGES),
        Fault(
            "hour_meter",
            "The hour meter was read as {told_h:.1f} h, but stood at {stood_h:.1f} h; enter it again with the reason.",
            {"stood_h": hours, "told_h": hours},
        ),
    ),
    settings=Settings,
    state=STATE,
    older={1: Older(FIRST, from_first)},
    params_dtype=PARAMS,
    params=_params,
    run=run,
    quiet=quiet,
    reads=("engine_rpm",),
    fresh={
        "since": NEVER,
        "start": NEVER,
        "onset": NEVER,
        "meter_start": NEVER,
        "meter_onset": NEVER,
        "done": NEVER,
        "last_row": NEVER,
        "rpm_until": NEVER,
        "first_row": NEVER,
        "not_before": NEVER,
        "floor": [NEVER if k == ROW else 0 for k in range(TOTALS)],
    },
    horizon=lambda settings: max(carrier.HOLD, instant.seconds(settings.steady_s) + 1),
    due=_due,
    pending=_pending,
)


class DueItem(NamedTuple):
    """When one item is due. Times are negative when it is past due.

    `hours_left` of operation and `days_left` of the calendar: whichever ends first counts. `earliest_days` and
    `latest_days`: when that will be by the use of past days, a 95 % interval; None where there are too few of these.
    `completed`: whether it was ever done.
    """

    item: str
    stage: int
    hours_left: float
    days_left: float | None
    earliest_days: float | None
    latest_days: float | None
    completed: bool


def due_items(record: Any, settings: Settings, now: Instant) -> list[DueItem]:
    """Return when inspection and service are due at an instant of event time, by a hammer's record of STATE."""
    limit_ns, limit_days_ns, *_ = _params(settings)
    days_known = min(DAYS, int(record["day"]) - int(record["first_day"]) - 1)
    items = []
    for k, item in enumerate(ITEMS):
        left_ns = limit_ns[k][1] - int(record["clock"][k])
        since = int(record["since"][k])
        days_to = (since + limit_days_ns[k][1] - now) / DAY if since != NEVER else None
        earliest = latest = None
        if days_known >= LEAST and left_ns > 0:
            interval = days_left(record["days"].astype(float).tolist(), days_known, float(left_ns))
            # The calendar needs no forecast: it is the latest whatever the use.
            calendar = math.inf if days_to is None else max(0.0, days_to)
            earliest, latest = (
                days if math.isfinite(days) else None for days in (min(end, calendar) for end in interval)
            )
        items.append(
            DueItem(
                item,
                int(record["stage"][k]),
                left_ns / (3600 * SECOND),
                days_to,
                earliest,
                latest,
                bool(record["completed"][k]),
            )
        )
    return items
