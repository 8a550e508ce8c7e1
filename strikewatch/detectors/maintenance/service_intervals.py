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
from strikewatch.detectors.kernels import (
    GROUP,
    LOW,
    MEDIUM,
    NEVER,
    STANDING,
    emit,
    kernel,
    new_output,
    sample,
    unchecked,
    written,
)
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
    firing_ends: Any,  # noqa: ARG001 - every kernel is called alike
    states: Any,
    all_params: Any,
    engine_rpm: Any,
    events: Any,
    findings: Any,
) -> int:
    out = new_output(findings)
    for group in range(len(spans)):
        out.cursor[GROUP] = group
        span = spans[group]
        state = states[group]
        params = all_params[span.slot]
        event_index = span.first_event
        i = span.first
        while i < span.last or event_index < span.last_event:
            if event_index < span.last_event and (
                i == span.last or events[event_index].at < unchecked(time_ns, i)
            ):
                take(state, params, events[event_index], span.upto, out)
                event_index += 1
                continue
            # Rows among which nothing can happen but that hours add up: the short way.
            quiet = quiet_until(state, params)
            if event_index < span.last_event:
                quiet = min(quiet, events[event_index].at)
            has_engine_rpm = state.has_engine_rpm
            rpm_until = state.rpm_until
            counted_to = state.done if has_engine_rpm else state.last_row
            room = room_left(state, params)
            worked = 0
            first = i
            while i < span.last and unchecked(time_ns, i) < quiet:
                now = unchecked(time_ns, i)
                ran = (
                    max(0, min(rpm_until, now) - counted_to)
                    if has_engine_rpm
                    else now - counted_to
                    if now - counted_to <= params.steady
                    else 0
                )
                value = sample(engine_rpm, i)
                if worked + ran >= room or (value == value and not has_engine_rpm):
                    break
                if value == value:
                    rpm_until = carrier.turns_until(value, now, params.working_rpm)
                worked += ran
                counted_to = now
                i += 1
            if i > first:
                for k in range(2):
                    state.clock[k] += worked
                state.meter += worked
                state.total += worked
                state.today += worked
                state.done = state.last_row = counted_to
                state.rpm_until = rpm_until
                continue
            now = unchecked(time_ns, i)
            begin(state, now)
            if state.first_row == NEVER:
                state.first_row = now
            for k in range(2):
                if state.since[k] == NEVER:
                    state.since[k] = now
            works = carrier.works_until(has_engine_rpm, rpm_until, state.last_row, now, params.steady, NEVER)
            settle(state, params, now, works, out)
            row_comes(state, works != NEVER)
            value = sample(engine_rpm, i)
            if value == value:
                state.has_engine_rpm = 1
                state.rpm_until = carrier.turns_until(value, now, params.working_rpm)
            state.last_row = now
            i += 1
        if state.done != NEVER and state.done <= span.upto:
            if state.has_engine_rpm:
                settle(state, params, span.upto, state.rpm_until, out)
            elif report or span.upto - state.last_row > params.steady:
                settle(state, params, span.upto, NEVER, out)
        if report:
            for k in range(2):
                if state.stage[k] > 0:
                    priority = MEDIUM if state.stage[k] == 3 else LOW
                    evidence = outlook(state, params, k, state.stage[k] + 1, span.upto, state.clock[k])
                    fault = 3 * k + state.stage[k] - 1
                    emit(out, fault, STANDING, state.onset[k], span.upto, priority, evidence)
            if state.meter_onset != NEVER:
                evidence_of_meter = (float(state.meter_stood), float(state.meter_told))
                emit(out, METER, STANDING, state.meter_onset, span.upto, LOW, evidence_of_meter)
    return written(out)


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
