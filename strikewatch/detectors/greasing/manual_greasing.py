"""grease_due, grease_overdue, grease_short: manual greasing every 2 operating hours, with 10 to 15 strokes to each of
two nipples or 15 to 20 to a single one (common practice, no published source).

The operating clock runs while the carrier works (see `carrier`) or, by choice, while the hammer fires. Onset: the
instant at which the clock reaches `due_s` or `overdue_s`. Cleared by the grease event, which resets the clock.
Priority of `grease_overdue`: high from `high_s`. On a feed without engine speed a greasing in a silence waits for the
next row, at most `steady_s`: after that the silence does not count.

A hammer that is greased automatically has no interval, so its clock raises nothing; see `grease_feed`.
"""

from collections.abc import Iterator
from typing import Any, Final, Literal

from pydantic import Field

from strikewatch.core import instant
from strikewatch.core.finding import Fault, Highlight
from strikewatch.detectors import carrier
from strikewatch.detectors.base import FIRES_ON, FOREVER, Detector, DetectorSettings, Older, hours
from strikewatch.detectors.greasing.operating_clock import (
    DUE,
    FIRST,
    OVERDUE,
    PARAMS,
    STATE,
    advance,
    enqueue,
    from_first,
    next_event_at,
    next_limit,
)
from strikewatch.detectors.kernels import (
    HIGH,
    LOW,
    MEDIUM,
    NEVER,
    STANDING,
    emit,
    part,
    unchecked,
)
from strikewatch.detectors.tiles import firing_by_row, value_at


class Settings(DetectorSettings):
    """The greasing interval."""

    rising = ("due_s", "overdue_s", "high_s")

    method: Literal["manual", "automatic"] = Field(
        "manual",
        description="How the hammer is greased: manual or automatic; automatic: no interval, see grease_feed",
    )
    due_s: float = Field(
        6300.0, gt=0, description="Operating time since greasing from which greasing is due, s (1 h 45 min)"
    )
    overdue_s: float = Field(
        7200.0, gt=0, description="Operating time since greasing from which it is overdue, s (2 h)"
    )
    high_s: float = Field(
        10800.0,
        gt=0,
        description="Operating time since greasing from which the alert has high priority, s (3 h)",
    )
    clock: Literal["carrier", "firing"] = Field(
        "carrier", description="What the interval counts: carrier, operating time; firing, firing time"
    )
    working_rpm: float = carrier.WORKING_RPM
    steady_s: float = carrier.STEADY_S
    nipples: int | None = Field(
        None,
        ge=1,
        le=8,
        description="Grease nipples of the hammer; left out: as many as strokes are given for",
    )
    strokes_each: int = Field(10, ge=0, description="Strokes that each of two or more nipples needs at least")
    strokes_single: int = Field(15, ge=0, description="Strokes that a single nipple needs at least")

    def silenced(self) -> str | None:
        return "it is greased automatically" if self.method == "automatic" else None


@part
def quiet(tile: Any, state: Any, params: Any, rows: Any, engine_rpm: Any) -> bool:
    """Tell whether the clock runs throughout, and reaches no limit; run it."""
    if state.waiting or tile.first_event < tile.last_event:
        return False
    if not params.by_firing and not carrier.works_throughout(tile, state, params, rows, engine_rpm):
        return False
    ran = tile.fired if params.by_firing else tile.upto - tile.since
    if state.clock + ran >= next_limit(state, params):
        return False
    state.clock += ran
    state.done = max(state.done, tile.upto)
    carrier.take_newest(tile, state, params, rows, engine_rpm)
    return True


@part
def run(tile: Any, state: Any, params: Any, rows: Any, engine_rpm: Any, out: Any) -> None:
    time_ns = rows.time_ns
    firing_ends = firing_by_row(tile, rows)
    events = rows.events
    event_index = enqueue(state, events, tile.first_event, tile.last_event)
    start = tile.since
    clock = state.clock
    limit = next_limit(state, params)
    event_at = next_event_at(state)
    has_engine_rpm = state.has_engine_rpm
    rpm_until = state.rpm_until
    last_row = state.last_row
    i = tile.first - 1
    while i < tile.last:
        by_rows = not (params.by_firing or has_engine_rpm)
        after = i + 1
        end = unchecked(time_ns, after) if after < tile.last else tile.upto
        if i >= tile.first:
            start = unchecked(time_ns, i)
            if by_rows:
                counts = carrier.rows_close(last_row, start, params.steady)
                ran = start - last_row if counts else 0
                if clock + ran < limit and start < event_at:
                    clock += ran
                else:
                    state.clock = clock
                    state.done = max(state.done, last_row)
                    advance(state, params, start, start if counts else NEVER, out)
                    event_index = enqueue(state, events, event_index, tile.last_event)
                    clock = state.clock
                    limit = next_limit(state, params)
                    event_at = next_event_at(state)
            value = value_at(tile, engine_rpm, i)
            if value == value:
                has_engine_rpm = 1
                rpm_until = carrier.turns_until(value, start, params.working_rpm)
            last_row = start
        runs_until = NEVER
        if params.by_firing:
            runs_until = unchecked(firing_ends, i + 1)
        elif has_engine_rpm:
            runs_until = rpm_until
        i = after
        if not (params.by_firing or has_engine_rpm) and carrier.rows_close(last_row, end, params.steady):
            continue
        ran = max(0, min(runs_until, end) - start)
        if clock + ran < limit and end < event_at:
            clock += ran
        else:
            state.clock = clock
            state.done = max(state.done, start)
            advance(state, params, end, runs_until, out)
            event_index = enqueue(state, events, event_index, tile.last_event)
            clock = state.clock
            limit = next_limit(state, params)
            event_at = next_event_at(state)
    state.clock = clock
    while event_index < tile.last_event:
        advance(state, params, state.at[0], NEVER, out)
        event_index = enqueue(state, events, event_index, tile.last_event)
    state.has_engine_rpm = has_engine_rpm
    state.rpm_until = rpm_until
    if tile.last > tile.first:
        last_row = unchecked(time_ns, tile.last - 1)
    state.last_row = last_row
    silent = not carrier.rows_close(last_row, tile.upto, params.steady)
    if params.by_firing or has_engine_rpm or silent:
        state.done = max(state.done, tile.upto)
    elif tile.last > tile.first:
        state.done = max(state.done, last_row)
    if tile.report:
        if state.waiting:
            advance(state, params, state.at[state.waiting - 1], NEVER, out)
        evidence = (float(state.clock),)
        emit(out, DUE, STANDING, state.due_onset, tile.upto, LOW, evidence)
        priority = HIGH if state.high else MEDIUM
        emit(out, OVERDUE, STANDING, state.overdue_onset, tile.upto, priority, evidence)


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
    """Yield when limits are reached after the last row of a feed without engine speed, if the time there counts."""
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
    quiet=quiet,
    reads=("engine_rpm",),
    fresh={
        "done": NEVER,
        "last_row": NEVER,
        "rpm_until": NEVER,
        "due_onset": NEVER,
        "overdue_onset": NEVER,
        "short_onset": NEVER,
    },
    # How long the engine is known to turn after its last speed, and how long a silence may still count.
    horizon=lambda settings: max(FIRES_ON, carrier.HOLD, instant.seconds(settings.steady_s) + 1),
    pending=_pending,
)
