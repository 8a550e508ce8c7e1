"""grease_due, grease_overdue, grease_short: manual greasing every 2 operating hours (common practice, no published
source), 10 to 15 strokes to each of two nipples, 15 to 20 to a single one (likewise).

The operating clock runs while the engine is known to turn above `working_rpm`; on a feed without engine speed, from
row to row while they are at most `steady_s` apart; or, by choice, while the hammer fires. Whether a silence counts is
known only when the next row comes, so greasings in it wait: at most `steady_s`, after which it does not count.
"""

from typing import Any, Final, Literal

import numpy as np
from pydantic import Field

from strikewatch.detect.detector import Detector, DetectorSettings, hours
from strikewatch.detect.kernels import (
    CLEARED,
    ESCALATED,
    HIGH,
    LOW,
    MEDIUM,
    NEVER,
    RAISED,
    STANDING,
    emit,
    kernel,
    nothing_yet,
    nth,
    part,
    sample,
)
from strikewatch.model import instant
from strikewatch.model.channels import CHANNELS
from strikewatch.model.finding import Fault


class Settings(DetectorSettings):
    """The greasing interval."""

    rising = ("due_s", "overdue_s", "high_s")

    due_s: float = Field(
        6300.0, gt=0, description="Operating time since greasing from which it is due, s (1 h 45 min)"
    )
    overdue_s: float = Field(7200.0, gt=0, description="... from which it is overdue, s (2 h)")
    high_s: float = Field(10800.0, gt=0, description="... from which the alert is high, s (3 h)")
    clock: Literal["carrier", "firing"] = Field(
        "carrier", description="What the interval counts: carrier or firing"
    )
    working_rpm: float = Field(400.0, ge=0, description="The carrier works above this engine speed, rpm")
    steady_s: float = Field(
        10.0, gt=0, description="Without engine speed: it works while rows come this close, s"
    )
    nipples: int | None = Field(
        None, ge=1, le=8, description="Grease nipples of the hammer; left out: as many as strokes are told of"
    )
    strokes_each: int = Field(10, ge=0, description="Strokes that each of two or more nipples needs at least")
    strokes_single: int = Field(15, ge=0, description="Strokes that a single nipple needs at least")


WAITING: Final = 8
"""Greasings that one silence of a few seconds may hold; a ninth is taken at once."""

STATE: Final = np.dtype(
    [
        ("clock", "<i8"),  # operating ns since greasing
        ("done", "<i8"),  # the clock is right up to here
        ("last_row", "<i8"),
        ("rpm_until", "<i8"),
        ("has_engine_rpm", "<i8"),
        ("due_onset", "<i8"),
        ("overdue_onset", "<i8"),
        ("high", "<i8"),
        ("short_onset", "<i8"),
        ("short_strokes", "<i8"),
        ("short_nipples", "<i8"),
        ("waiting", "<i8"),
        ("at", "<i8", (WAITING,)),
        ("age", "<i8", (WAITING,)),
        ("nipples", "<i8", (WAITING,)),
        ("strokes", "<i8", (WAITING,)),
        ("manual", "<i8", (WAITING,)),
    ]
)
PARAMS: Final = np.dtype(
    [
        ("due", "<i8"),
        ("overdue", "<i8"),
        ("high", "<i8"),
        ("by_firing", "<i8"),
        ("working_rpm", "<f8"),
        ("steady", "<i8"),
        ("nipples", "<i8"),
        ("strokes_each", "<i8"),
        ("strokes_single", "<i8"),
    ]
)

_DUE: Final = 0
_OVERDUE: Final = 1
_SHORT: Final = 2
_FOREVER: Final = -NEVER
_HOLD: Final = CHANNELS["engine_rpm"].hold_ns


@part
def _run_clock(s: Any, p: Any, lo: int, hi: int, out: Any, n: int, g: int) -> int:
    """The clock runs from lo to hi; whatever it reaches on the way is found at its exact instant."""
    before = s.clock
    s.clock = before + (hi - lo)
    if s.due_onset == NEVER and s.clock >= p.due:
        s.due_onset = lo + max(0, p.due - before)
        n = emit(out, n, g, _DUE, RAISED, s.due_onset, s.due_onset, LOW, (float(max(p.due, before)),))
    if s.overdue_onset == NEVER and s.clock >= p.overdue:
        s.overdue_onset = lo + max(0, p.overdue - before)
        s.high = 1 if before >= p.high else 0
        n = emit(
            out,
            n,
            g,
            _OVERDUE,
            RAISED,
            s.overdue_onset,
            s.overdue_onset,
            HIGH if s.high else MEDIUM,
            (float(max(p.overdue, before)),),
        )
    if s.overdue_onset != NEVER and not s.high and s.clock >= p.high:
        s.high = 1
        at = lo + max(0, p.high - before)
        n = emit(out, n, g, _OVERDUE, ESCALATED, s.overdue_onset, at, HIGH, (float(max(p.high, before)),))
    return n


@part
def _grease(s: Any, p: Any, k: int, out: Any, n: int, g: int) -> int:
    """Apply the waiting greasing number k, the clock being right up to its instant."""
    at = s.at[k]
    clock = float(s.clock)
    if s.due_onset != NEVER:
        n = emit(out, n, g, _DUE, CLEARED, s.due_onset, at, LOW, (clock,))
    if s.overdue_onset != NEVER:
        n = emit(out, n, g, _OVERDUE, CLEARED, s.overdue_onset, at, HIGH if s.high else MEDIUM, (clock,))
    s.due_onset = NEVER
    s.overdue_onset = NEVER
    s.high = 0
    # Told of only later: the carrier may have worked all the while since.
    s.clock = min(s.clock, s.age[k])
    n = _run_clock(s, p, at, at, out, n, g)
    if s.short_onset != NEVER:
        evidence = (float(s.short_strokes), float(s.short_nipples))
        n = emit(out, n, g, _SHORT, CLEARED, s.short_onset, at, LOW, evidence)
        s.short_onset = NEVER
    told = s.nipples[k]
    if s.manual[k] and told > 0:
        needed = p.nipples if p.nipples > 0 else told
        strokes = s.strokes[k] if told >= needed else 0
        if strokes < (p.strokes_single if needed == 1 else p.strokes_each):
            s.short_onset = at
            s.short_strokes = strokes
            s.short_nipples = needed
            n = emit(out, n, g, _SHORT, RAISED, at, at, LOW, (float(strokes), float(needed)))
    return n


@part
def _move(s: Any, source: int, target: int) -> None:
    """Move a waiting greasing up; beyond the last there are blank ones, so that equal states are equal bytes."""
    there = source < s.waiting
    s.at[target] = s.at[source] if there else 0
    s.age[target] = s.age[source] if there else 0
    s.nipples[target] = s.nipples[source] if there else 0
    s.strokes[target] = s.strokes[source] if there else 0
    s.manual[target] = s.manual[source] if there else 0


@part
def _account(s: Any, p: Any, hi: int, runs_until: int, out: Any, n: int, g: int) -> int:
    """Bring the clock from `done` to hi, running up to `runs_until`, with the greasings on the way."""
    lo = s.done if s.done != NEVER else hi
    k = 0
    while k < s.waiting and s.at[k] <= hi:
        stop = min(max(s.at[k], lo), runs_until)
        if stop > lo:
            n = _run_clock(s, p, lo, stop, out, n, g)
        lo = max(lo, s.at[k])
        n = _grease(s, p, k, out, n, g)
        k += 1
    if k > 0:
        for j in range(WAITING):
            _move(s, j + k, j)
        s.waiting -= k
    stop = min(hi, runs_until)
    if stop > lo:
        n = _run_clock(s, p, lo, stop, out, n, g)
    s.done = max(s.done, hi)
    return n


@part
def _quiet_until(s: Any, p: Any) -> int:
    """Up to what reading of the clock nothing can happen but that it runs on: the short way."""
    if s.waiting > 0:
        return NEVER
    if s.due_onset == NEVER:
        return min(p.due, p.overdue)  # type: ignore[no-any-return]
    if s.overdue_onset == NEVER:
        return p.overdue  # type: ignore[no-any-return]
    return _FOREVER if s.high else p.high


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
        for e in range(span.first_event, span.last_event):
            event = events[e]
            if s.waiting == WAITING:
                n = _account(s, p, s.at[0], NEVER, out, n, g)
            k = s.waiting
            s.at[k] = event.at
            s.age[k] = event.age
            s.nipples[k] = event.nipples
            s.strokes[k] = event.strokes
            s.manual[k] = event.manual
            s.waiting = k + 1
        a = span.since
        clock = s.clock
        quiet = _quiet_until(s, p)
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
                short_of = last_row + (quiet - clock)
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
                    counts = a - last_row <= p.steady
                    ran = a - last_row if counts else 0
                    if clock + ran < quiet:
                        clock += ran
                    else:
                        s.clock = clock
                        s.done = max(s.done, last_row)
                        n = _account(s, p, a, a if counts else NEVER, out, n, g)
                        clock = s.clock
                        quiet = _quiet_until(s, p)
                v = sample(engine_rpm, i)
                if v == v:
                    has_engine_rpm = 1
                    rpm_until = a + _HOLD if v > p.working_rpm else a
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
            if clock + ran < quiet:
                clock += ran
            else:
                s.clock = clock
                s.done = max(s.done, a)
                n = _account(s, p, b, runs_until, out, n, g)
                clock = s.clock
                quiet = _quiet_until(s, p)
        s.clock = clock
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
                n = _account(s, p, s.at[s.waiting - 1], NEVER, out, n, g)
            clock = (float(s.clock),)
            if s.due_onset != NEVER:
                n = emit(out, n, g, _DUE, STANDING, s.due_onset, span.upto, LOW, clock)
            if s.overdue_onset != NEVER:
                priority = HIGH if s.high else MEDIUM
                n = emit(out, n, g, _OVERDUE, STANDING, s.overdue_onset, span.upto, priority, clock)
    return n


def _params(settings: Settings) -> tuple[Any, ...]:
    return (
        instant.seconds(settings.due_s),
        instant.seconds(settings.overdue_s),
        instant.seconds(settings.high_s),
        settings.clock == "firing",
        settings.working_rpm,
        instant.seconds(settings.steady_s),
        settings.nipples or 0,
        settings.strokes_each,
        settings.strokes_single,
    )


DETECTOR: Final = Detector(
    name="grease",
    version=1,
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
        ),
        Fault(
            "grease_short",
            "Greased with only {strokes_fewest} strokes to a nipple ({nipples} nipples).",
            {"strokes_fewest": int, "nipples": int},
        ),
    ),
    settings=Settings,
    state=STATE,
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
)
