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
    HIGH,
    LOW,
    MEDIUM,
    NEVER,
    STANDING,
    emit,
    kernel,
    nothing_yet,
    nth,
    sample,
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
    fire_until: Any,
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
        e = queue(s, events, span.first_event, span.last_event)
        a = span.since
        clock = s.clock
        quiet = quiet_until(s, p)
        event_at = next_event(s)
        has_engine_rpm = s.has_engine_rpm
        rpm_until = s.rpm_until
        last_row = s.last_row
        i = span.first - 1
        while i < span.last:
            if (
                i >= span.first
                and last_row != NEVER
                and not (p.by_firing or has_engine_rpm or engine_rpm.size)
            ):
                # Rows close together: the clock runs through all of them, to where it would reach something.
                short_of = min(last_row + (quiet - clock), event_at)
                through = last_row
                while i < span.last and nth(time_ns, i) - through <= p.steady and nth(time_ns, i) < short_of:
                    through = nth(time_ns, i)
                    i += 1
                clock += through - last_row
                a = last_row = through
                if i == span.last:
                    i -= 1
            after = i + 1
            if has_engine_rpm and not p.by_firing:
                # Only rows with an engine speed matter.
                while after < span.last and sample(engine_rpm, after) != sample(engine_rpm, after):
                    after += 1
            b = nth(time_ns, after) if after < span.last else span.upto
            if i >= span.first:
                a = nth(time_ns, i)
                if not (p.by_firing or has_engine_rpm):
                    counts = carrier.rows_close(last_row, a, p.steady)
                    ran = a - last_row if counts else 0
                    if clock + ran < quiet and a < event_at:
                        clock += ran
                    else:
                        s.clock = clock
                        s.done = max(s.done, last_row)
                        n = account(s, p, a, a if counts else NEVER, out, n, g)
                        e = queue(s, events, e, span.last_event)
                        clock = s.clock
                        quiet = quiet_until(s, p)
                        event_at = next_event(s)
                v = sample(engine_rpm, i)
                if v == v:
                    has_engine_rpm = 1
                    rpm_until = carrier.turns_until(v, a, p.working_rpm)
                last_row = a
            runs_until = NEVER
            if p.by_firing:
                runs_until = nth(fire_until, i + 1 + g)
            elif has_engine_rpm:
                runs_until = rpm_until
            i = after
            if not (p.by_firing or has_engine_rpm) and b - last_row <= p.steady:
                continue
            ran = max(0, min(runs_until, b) - a)
            if clock + ran < quiet and b < event_at:
                clock += ran
            else:
                s.clock = clock
                s.done = max(s.done, a)
                n = account(s, p, b, runs_until, out, n, g)
                e = queue(s, events, e, span.last_event)
                clock = s.clock
                quiet = quiet_until(s, p)
                event_at = next_event(s)
        s.clock = clock
        while e < span.last_event:
            n = account(s, p, s.at[0], NEVER, out, n, g)
            e = queue(s, events, e, span.last_event)
        s.has_engine_rpm = has_engine_rpm
        s.rpm_until = rpm_until
        if span.last > span.first:
            last_row = nth(time_ns, span.last - 1)
        s.last_row = last_row
        if p.by_firing or has_engine_rpm or span.upto - last_row > p.steady:
            s.done = max(s.done, span.upto)
        elif span.last > span.first:
            s.done = max(s.done, last_row)
        if report:
            if s.waiting:
                n = account(s, p, s.at[s.waiting - 1], NEVER, out, n, g)
            clock = (float(s.clock),)
            if s.due_onset != NEVER:
                n = emit(out, n, g, DUE, STANDING, s.due_onset, span.upto, LOW, clock)
            if s.overdue_onset != NEVER:
                priority = HIGH if s.high else MEDIUM
                n = emit(out, n, g, OVERDUE, STANDING, s.overdue_onset, span.upto, priority, clock)
    return n


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
