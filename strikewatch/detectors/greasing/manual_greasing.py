"""grease_due, grease_overdue, grease_short: manual greasing every 2 operating hours (common practice, no published
source), 10 to 15 strokes to each of two nipples, 15 to 20 to a single one (likewise).

The operating clock runs while the engine is known to turn above `working_rpm`; on a feed without engine speed, from
row to row while they are at most `steady_s` apart; or, by choice, while the hammer fires. Whether a silence counts is
known only when the next row comes, so greasings in it wait: at most `steady_s`, after which it does not count.

A hammer that is greased automatically has no such interval, and its clock only tells: `grease_feed` watches over it.
"""

from collections.abc import Iterator
from typing import Any, Final, Literal

from pydantic import Field

from strikewatch.core import instant
from strikewatch.core.finding import Fault, Highlight
from strikewatch.detectors import carrier
from strikewatch.detectors.base import FIRES_ON, Detector, DetectorSettings, Older, hours
from strikewatch.detectors.greasing.operating_clock import (
    DUE,
    FIRST,
    FOREVER,
    OVERDUE,
    PARAMS,
    STATE,
    account,
    from_first,
    next_event,
    queue,
    quiet_until,
)
from strikewatch.detectors.kernels import (
    GROUP,
    HIGH,
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


class Settings(DetectorSettings):
    """The greasing interval."""

    rising = ("due_s", "overdue_s", "high_s")

    method: Literal["manual", "automatic"] = Field(
        "manual",
        description="How the hammer is greased: manual or automatic; automatic: no interval, see grease_feed",
    )
    due_s: float = Field(
        6300.0, gt=0, description="Operating time since greasing from which it is due, s (1 h 45 min)"
    )
    overdue_s: float = Field(7200.0, gt=0, description="... from which it is overdue, s (2 h)")
    high_s: float = Field(10800.0, gt=0, description="... from which the alert is high, s (3 h)")
    clock: Literal["carrier", "firing"] = Field(
        "carrier", description="What the interval counts: carrier or firing"
    )
    working_rpm: float = carrier.WORKING_RPM
    steady_s: float = carrier.STEADY_S
    nipples: int | None = Field(
        None, ge=1, le=8, description="Grease nipples of the hammer; left out: as many as strokes are told of"
    )
    strokes_each: int = Field(10, ge=0, description="Strokes that each of two or more nipples needs at least")
    strokes_single: int = Field(15, ge=0, description="Strokes that a single nipple needs at least")

    def silenced(self) -> str | None:
        return "it is greased automatically" if self.method == "automatic" else None


@kernel
def run(
    report: bool,
    spans: Any,
    time_ns: Any,
    firing_ends: Any,
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
        event_index = queue(state, events, span.first_event, span.last_event)
        start = span.since
        clock = state.clock
        quiet = quiet_until(state, params)
        event_at = next_event(state)
        has_engine_rpm = state.has_engine_rpm
        rpm_until = state.rpm_until
        last_row = state.last_row
        i = span.first - 1
        while i < span.last:
            if (
                i >= span.first
                and last_row != NEVER
                and not (params.by_firing or has_engine_rpm or engine_rpm.size)
            ):
                # Rows close together: the clock runs through all of them, to where it would reach something.
                short_of = min(last_row + (quiet - clock), event_at)
                through = last_row
                while (
                    i < span.last
                    and unchecked(time_ns, i) - through <= params.steady
                    and unchecked(time_ns, i) < short_of
                ):
                    through = unchecked(time_ns, i)
                    i += 1
                clock += through - last_row
                start = last_row = through
                if i == span.last:
                    i -= 1
            after = i + 1
            if has_engine_rpm and not params.by_firing:
                # Only rows with an engine speed matter.
                while after < span.last and sample(engine_rpm, after) != sample(engine_rpm, after):
                    after += 1
            end = unchecked(time_ns, after) if after < span.last else span.upto
            if i >= span.first:
                start = unchecked(time_ns, i)
                if not (params.by_firing or has_engine_rpm):
                    counts = carrier.rows_close(last_row, start, params.steady)
                    ran = start - last_row if counts else 0
                    if clock + ran < quiet and start < event_at:
                        clock += ran
                    else:
                        state.clock = clock
                        state.done = max(state.done, last_row)
                        account(state, params, start, start if counts else NEVER, out)
                        event_index = queue(state, events, event_index, span.last_event)
                        clock = state.clock
                        quiet = quiet_until(state, params)
                        event_at = next_event(state)
                value = sample(engine_rpm, i)
                if value == value:
                    has_engine_rpm = 1
                    rpm_until = carrier.turns_until(value, start, params.working_rpm)
                last_row = start
            runs_until = NEVER
            if params.by_firing:
                runs_until = unchecked(firing_ends, i + 1 + group)
            elif has_engine_rpm:
                runs_until = rpm_until
            i = after
            if not (params.by_firing or has_engine_rpm) and end - last_row <= params.steady:
                continue
            ran = max(0, min(runs_until, end) - start)
            if clock + ran < quiet and end < event_at:
                clock += ran
            else:
                state.clock = clock
                state.done = max(state.done, start)
                account(state, params, end, runs_until, out)
                event_index = queue(state, events, event_index, span.last_event)
                clock = state.clock
                quiet = quiet_until(state, params)
                event_at = next_event(state)
        state.clock = clock
        while event_index < span.last_event:
            account(state, params, state.at[0], NEVER, out)
            event_index = queue(state, events, event_index, span.last_event)
        state.has_engine_rpm = has_engine_rpm
        state.rpm_until = rpm_until
        if span.last > span.first:
            last_row = unchecked(time_ns, span.last - 1)
        state.last_row = last_row
        if params.by_firing or has_engine_rpm or span.upto - last_row > params.steady:
            state.done = max(state.done, span.upto)
        elif span.last > span.first:
            state.done = max(state.done, last_row)
        if report:
            if state.waiting:
                account(state, params, state.at[state.waiting - 1], NEVER, out)
            clock = (float(state.clock),)
            if state.due_onset != NEVER:
                emit(out, DUE, STANDING, state.due_onset, span.upto, LOW, clock)
            if state.overdue_onset != NEVER:
                priority = HIGH if state.high else MEDIUM
                emit(out, OVERDUE, STANDING, state.overdue_onset, span.upto, priority, clock)
    return written(out)


def _params(settings: Settings) -> tuple[Any, ...]:
    by_hand = settings.method == "manual"
    limits = settings.due_s, settings.overdue_s, settings.high_s
    return (
        *(instant.seconds(limit_s) if by_hand else FOREVER for limit_s in limits),
        settings.clock == "firing",
        settings.working_rpm,
        instant.seconds(settings.steady_s),
        settings.nipples or 0,
        settings.strokes_each if by_hand else 0,
        settings.strokes_single if by_hand else 0,
    )


def _pending(record: Any, params: Any, _upto: int) -> Iterator[int]:
    """Where something falls due after the last row of a feed without engine speed, should the time there count."""
    done, clock = int(record["done"]), int(record["clock"])
    if params["by_firing"] or record["has_engine_rpm"] or done == NEVER:
        return
    limits = int(params["due"]), int(params["overdue"])
    yield from (done + max(0, limit - clock) for limit in limits)
    for k in range(int(record["waiting"])):
        at, age = int(record["at"][k]), int(record["age"][k])
        clock = min(clock + max(0, at - done), age)
        done = max(done, at)
        yield at
        yield from (done + max(0, limit - clock) for limit in limits)


DETECTOR: Final = Detector(
    name="grease",
    version=2,
    faults=(
        Fault(
            "grease_due",
            "Greasing is due: {since_grease_h:.2f} operating hours since the last.",
            {"since_grease_h": hours},
        ),
        Fault(
            "grease_overdue",
            "Greasing was missed: {since_grease_h:.2f} operating hours since the last.",
            {"since_grease_h": hours},
            of_operator=True,
            exposure="operating",
            highlights=(
                Highlight("since_grease_h", "the longest without grease: {value:.1f} operating hours"),
            ),
            picture_s=(8400, 1800),
        ),
        Fault(
            "grease_short",
            "Greased with only {strokes_fewest} strokes to a nipple ({nipples} nipples).",
            {"strokes_fewest": int, "nipples": int},
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
        "done": NEVER,
        "last_row": NEVER,
        "rpm_until": NEVER,
        "due_onset": NEVER,
        "overdue_onset": NEVER,
        "short_onset": NEVER,
    },
    # What an engine last heard of runs up to, and what waits until a silence is too long to count.
    horizon=lambda settings: max(FIRES_ON, carrier.HOLD, instant.seconds(settings.steady_s) + 1),
    pending=_pending,
)
