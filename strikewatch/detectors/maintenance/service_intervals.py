"""inspection_*, service_*, hour_meter: what falls due by operating hours or by days, whichever comes first.

Tool and lower bushing: 50 operating hours or 7 days; full service of seals and membranes: 1,000 hours or 12 months
(common practice, no published source; here 365 days). Each is soon, due and overdue in turn, one alert at a time, until
the event that sees to it.

The clocks run as that of `grease`: while the engine is known to turn above `working_rpm`; on a feed without engine
speed from row to row while they are at most `steady_s` apart, once the later row has come. An event within such an
interval sets its clock without the part before it. The hour meter follows them, and what people read off the
carrier's: more than it stood at was worked unheard and is added to the clocks (but for the first figure ever, which may
be of years before); less is not taken unless a reason is given.
"""

from collections.abc import Iterator
from itertools import pairwise
from typing import Any, Final, Self

from pydantic import Field, model_validator

from strikewatch.core import instant
from strikewatch.core.finding import Fault
from strikewatch.detectors import carrier
from strikewatch.detectors.base import FOREVER, Detector, DetectorSettings, Older, hours, tenth
from strikewatch.detectors.kernels import LOW, MEDIUM, NEVER, STANDING, emit, kernel, nothing_yet, nth, sample
from strikewatch.detectors.maintenance.due_items import (
    FIRST,
    ITEMS,
    METER,
    PARAMS,
    STAGES,
    STATE,
    begin,
    from_first,
    outlook,
    quiet_until,
    room_left,
    row_comes,
    settle,
    take,
)
from strikewatch.detectors.maintenance.forecast import DAY
from strikewatch.detectors.maintenance.history import ROW, SUMS


class Settings(DetectorSettings):
    """What falls due by hours and days."""

    inspection_soon_h: float = Field(
        45.0, ge=0, description="Operating hours from which inspection is due soon, h"
    )
    inspection_due_h: float = Field(50.0, gt=0, description="... from which it is due, h; see the handbook")
    inspection_overdue_h: float = Field(60.0, gt=0, description="... from which it is overdue, h")
    inspection_soon_days: float = Field(6.0, ge=0, description="Days from which inspection is due soon")
    inspection_due_days: float = Field(7.0, gt=0, description="... from which it is due")
    inspection_overdue_days: float = Field(8.0, gt=0, description="... from which it is overdue")
    service_soon_h: float = Field(
        950.0, ge=0, description="Operating hours from which service is due soon, h"
    )
    service_due_h: float = Field(1000.0, gt=0, description="... from which it is due, h; see the handbook")
    service_overdue_h: float = Field(1100.0, gt=0, description="... from which it is overdue, h")
    service_soon_days: float = Field(335.0, ge=0, description="Days from which service is due soon")
    service_due_days: float = Field(365.0, gt=0, description="... from which it is due")
    service_overdue_days: float = Field(395.0, gt=0, description="... from which it is overdue")
    working_rpm: float = carrier.WORKING_RPM
    steady_s: float = carrier.STEADY_S

    @model_validator(mode="after")
    def _in_turn(self) -> Self:
        for item in ITEMS:
            for unit in ("h", "days"):
                names = [f"{item}_{stage}_{unit}" for stage in STAGES]
                for lower, upper in pairwise(names):
                    if getattr(self, lower) > getattr(self, upper):
                        raise ValueError(f"{lower} must not be above {upper}")
        return self


@kernel
def run(
    report: bool,
    spans: Any,
    time_ns: Any,
    fire_until: Any,  # noqa: ARG001 - every kernel is called alike
    state: Any,
    params: Any,
    engine_rpm: Any,
    events: Any,
    out: Any,
) -> int:
    n = nothing_yet()
    for g in range(len(spans)):
        span = spans[g]
        s = state[g]
        p = params[span.slot]
        e = span.first_event
        i = span.first
        while i < span.last or e < span.last_event:
            if e < span.last_event and (i == span.last or events[e].at < nth(time_ns, i)):
                n = take(s, p, events[e], span.upto, out, n, g)
                e += 1
                continue
            # Rows among which nothing can happen but that hours add up: the short way.
            quiet = quiet_until(s, p)
            if e < span.last_event:
                quiet = min(quiet, events[e].at)
            has_engine_rpm = s.has_engine_rpm
            rpm_until = s.rpm_until
            x = s.done if has_engine_rpm else s.last_row
            room = room_left(s, p)
            worked = 0
            first = i
            while i < span.last and nth(time_ns, i) < quiet:
                t = nth(time_ns, i)
                ran = max(0, min(rpm_until, t) - x) if has_engine_rpm else t - x if t - x <= p.steady else 0
                v = sample(engine_rpm, i)
                if worked + ran >= room or (v == v and not has_engine_rpm):
                    break
                if v == v:
                    rpm_until = carrier.turns_until(v, t, p.working_rpm)
                worked += ran
                x = t
                i += 1
            if i > first:
                for k in range(2):
                    s.clock[k] += worked
                s.meter += worked
                s.total += worked
                s.today += worked
                s.done = s.last_row = x
                s.rpm_until = rpm_until
                continue
            t = nth(time_ns, i)
            begin(s, t)
            if s.first_row == NEVER:
                s.first_row = t
            for k in range(2):
                if s.since[k] == NEVER:
                    s.since[k] = t
            works = carrier.works_until(has_engine_rpm, rpm_until, s.last_row, t, p.steady, NEVER)
            n = settle(s, p, t, works, out, n, g)
            row_comes(s, works != NEVER)
            v = sample(engine_rpm, i)
            if v == v:
                s.has_engine_rpm = 1
                s.rpm_until = carrier.turns_until(v, t, p.working_rpm)
            s.last_row = t
            i += 1
        if s.done != NEVER and s.done <= span.upto:
            if s.has_engine_rpm:
                n = settle(s, p, span.upto, s.rpm_until, out, n, g)
            elif report or span.upto - s.last_row > p.steady:
                n = settle(s, p, span.upto, NEVER, out, n, g)
        if report:
            for k in range(2):
                if s.stage[k] > 0:
                    priority = MEDIUM if s.stage[k] == 3 else LOW
                    evidence = outlook(s, p, k, s.stage[k] + 1, span.upto, s.clock[k])
                    fault = 3 * k + s.stage[k] - 1
                    n = emit(out, n, g, fault, STANDING, s.onset[k], span.upto, priority, evidence)
            if s.meter_onset != NEVER:
                evidence_of_meter = (float(s.meter_stood), float(s.meter_told))
                n = emit(out, n, g, METER, STANDING, s.meter_onset, span.upto, LOW, evidence_of_meter)
    return n


def _params(own: Settings) -> tuple[Any, ...]:
    return (
        [[instant.seconds(getattr(own, f"{item}_{stage}_h") * 3600) for stage in STAGES] for item in ITEMS],
        [
            [instant.seconds(getattr(own, f"{item}_{stage}_days") * 86_400) for stage in STAGES]
            for item in ITEMS
        ],
        own.working_rpm,
        instant.seconds(own.steady_s),
    )


def _due(record: Any, params: Any) -> int:
    """When an item next reaches a stage by the calendar."""
    soonest = FOREVER
    for k in range(2):
        stage, since = int(record["stage"][k]), int(record["since"][k])
        if stage < 3 and since != NEVER:
            earliest = max(int(record["start"][k]), int(record["not_before"]))
            soonest = min(soonest, max(earliest, since + int(params["days"][k, stage])))
    return soonest


def _pending(record: Any, params: Any, _upto: int) -> Iterator[int]:
    """Where something falls due after the last row of a feed without engine speed, should the time there count."""
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


_WHAT: Final = {
    "inspection": ("Inspection of tool and lower bushing", "inspect and note the readings"),
    "service": ("Full service of seals and membranes", "plan it with the workshop"),
}
_SAY: Final = {"soon": "is due soon", "due": "is due", "overdue": "is overdue"}


def _fault(item: str, stage: str) -> Fault:
    what, todo = _WHAT[item]
    return Fault(
        f"{item}_{stage}",
        f"{what} {_SAY[stage]}: {{since_{item}_h:.1f}} operating hours and {{since_{item}_days:.1f}} days since the "
        f"last; {todo}.",
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
    reads=("engine_rpm", "events"),
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
        "floor": [NEVER if k == ROW else 0 for k in range(SUMS)],
    },
    horizon=lambda settings: max(carrier.HOLD, instant.seconds(settings.steady_s) + 1),
    due=_due,
    pending=_pending,
)
