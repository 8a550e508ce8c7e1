"""grease_feed: automatic greasing that cannot be relied on (limits are common practice, no published source).

Three causes, one alert a hammer at a time: the reservoir is low; the pump gives no flow through `no_flow_s` of firing;
the pressure in the line lies outside its band for `line_s` while the pump gives flow. Each goes on until the opposite
is known. What is not known begins none and ends none.
"""

import math
from typing import Any, Final, Self

import numpy as np
from pydantic import Field, model_validator

from strikewatch.core import instant
from strikewatch.core.channels import CHANNELS
from strikewatch.core.finding import Fault
from strikewatch.detectors.base import FIRES_ON, Detector, DetectorSettings, hundredth, seconds
from strikewatch.detectors.kernels import (
    CLEARED,
    MEDIUM,
    NEVER,
    RAISED,
    STANDING,
    emit,
    kernel,
    newest,
    nothing_yet,
    nth,
    part,
    sample,
)


class Settings(DetectorSettings):
    """Automatic greasing: reservoir, pump and line."""

    rising = ("low_level", "refilled_level")

    low_level: float = Field(0.1, ge=0, le=1, description="The reservoir is low below this, share of it")
    refilled_level: float = Field(
        0.15, ge=0, le=1, description="From this up it is filled again, share of it"
    )
    no_flow_s: float = Field(600.0, gt=0, description="Firing without flow from the pump that is a fault, s")
    line_low_bar: float | None = Field(
        None, description="Pressure in the grease line that is too low, bar: below it; left out: not judged"
    )
    line_high_bar: float | None = Field(
        None, description="... too high: above it; from the profile; left out: not judged"
    )
    line_s: float = Field(10.0, gt=0, description="Outside without a break for this long is a fault, s")

    @model_validator(mode="after")
    def _band(self) -> Self:
        low, high = self.line_low_bar, self.line_high_bar
        if low is not None and high is not None and low > high:
            raise ValueError("line_low_bar must not be above line_high_bar")
        return self


STATE: Final = np.dtype(
    [
        ("level", "<f8"),
        ("level_until", "<i8"),
        ("flows", "<i8"),
        ("flow_until", "<i8"),
        ("outside", "<i8"),  # the line's pressure lies outside its band
        ("line_until", "<i8"),
        ("dry", "<i8"),  # ns of firing known to be without flow, since it was last known to flow
        ("run", "<i8"),  # since when flow has been known, and the line's pressure known to be outside
        ("causes", "<i8"),  # RESERVOIR, FLOW and LINE, one bit each: that stand,
        ("seen", "<i8"),  # and that have stood since the onset
        ("onset", "<i8"),
        ("lowest", "<f8"),  # since the onset
        ("driest", "<i8"),  # likewise
    ]
)
PARAMS: Final = np.dtype(
    [
        ("low", "<f8"),
        ("refilled", "<f8"),
        ("no_flow", "<i8"),
        ("line_low", "<f8"),
        ("line_high", "<f8"),
        ("line", "<i8"),
    ]
)

RESERVOIR: Final = 1
FLOW: Final = 2
LINE: Final = 4
_HOLD_LEVEL: Final = CHANNELS["grease_level"].hold_ns
_HOLD_FLOW: Final = CHANNELS["grease_flow"].hold_ns
_HOLD_LINE: Final = CHANNELS["grease_bar"].hold_ns


@part
def _evidence(s: Any) -> Any:
    return float(s.seen), s.lowest, float(s.driest) if s.driest else math.nan


@part
def _note(s: Any, at: int, out: Any, n: int, g: int) -> int:
    """Bring onset and clearing in line with the causes that stand at this instant."""
    if s.causes:
        s.seen |= s.causes
        if s.onset == NEVER:
            s.onset = at
            s.seen = s.causes
            s.lowest = s.level if s.level_until >= at else math.nan
            s.driest = s.dry
            n = emit(out, n, g, 0, RAISED, at, at, MEDIUM, _evidence(s))
    elif s.onset != NEVER:
        n = emit(out, n, g, 0, CLEARED, s.onset, at, MEDIUM, _evidence(s))
        s.onset = NEVER
    return n


@part
def _outside(bar: float, p: Any) -> bool:
    return bar < p.line_low or bar > p.line_high  # type: ignore[no-any-return]


@part
def _quiet(s: Any, a: int) -> bool:
    """Whether nothing stands, and nothing is on its way: the short way."""
    dry = not s.flows and s.flow_until > a
    return not (s.causes or dry or (s.outside and s.line_until > a))


@part
def _next_wrong(level: Any, flow: Any, bar: Any, p: Any, i: int, last: int) -> int:
    """The first row from i on that may begin something; `last` where there is none."""
    if level.size == 0 and flow.size == 0 and bar.size == 0:
        return last
    while i < last and not (sample(level, i) < p.low or sample(flow, i) < 0.5 or _outside(sample(bar, i), p)):
        i += 1
    return i


@part
def _take(s: Any, p: Any, time_ns: Any, level: Any, flow: Any, bar: Any, first: int, i: int) -> None:
    """Know what is known at row i, the newest of those from `first` on, and which causes end or begin with it."""
    k = newest(level, first, i)
    if k >= first:
        s.level = nth(level, k)
        s.level_until = nth(time_ns, k) + _HOLD_LEVEL
        if s.level < p.low:
            s.causes |= RESERVOIR
        elif s.level >= p.refilled:
            s.causes &= ~RESERVOIR
        if s.onset != NEVER and not s.level >= s.lowest:
            s.lowest = s.level
    k = newest(flow, first, i)
    if k >= first:
        s.flows = 1 if nth(flow, k) >= 0.5 else 0
        s.flow_until = nth(time_ns, k) + _HOLD_FLOW
        if s.flows:
            s.dry = 0
            s.causes &= ~FLOW
    k = newest(bar, first, i)
    if k >= first:
        s.outside = 1 if _outside(nth(bar, k), p) else 0
        s.line_until = nth(time_ns, k) + _HOLD_LINE


@part
def _judge_line(s: Any, a: int) -> None:
    """What the row at a says of the line, all its values being known."""
    if s.flows and min(s.flow_until, s.line_until) > a:
        if not s.outside:
            s.run = NEVER
            s.causes &= ~LINE
        elif s.run == NEVER:
            s.run = a
    else:
        s.run = NEVER


@part
def _pass(s: Any, p: Any, a: int, b: int, f: int, last: bool, out: Any, n: int, g: int) -> int:
    """Time goes from a to b; the hammer fires up to f."""
    stop = min(f, s.flow_until, b)
    if not s.flows and stop > a:
        before = s.dry
        dry = before + (stop - a)
        if before < p.no_flow <= dry:
            s.causes |= FLOW
            s.dry = p.no_flow
            n = _note(s, a + (p.no_flow - before), out, n, g)
        s.dry = dry
        s.driest = max(s.driest, dry)
    if s.run != NEVER:
        stop = min(s.flow_until, s.line_until)
        if not s.causes & LINE and s.run + p.line <= min(stop, b):
            s.causes |= LINE
            n = _note(s, s.run + p.line, out, n, g)
        # A row at b may say that it goes on; at the watermark itself there is none to come.
        if stop < b or (last and stop == b):
            s.run = NEVER
    return n


@kernel
def run(
    report: bool,
    spans: Any,
    time_ns: Any,
    fire_until: Any,
    state: Any,
    params: Any,
    level: Any,
    flow: Any,
    bar: Any,
    out: Any,
) -> int:
    n = nothing_yet()
    for g in range(len(spans)):
        span = spans[g]
        s = state[g]
        p = params[span.slot]
        a = span.since
        taken = span.first
        i = span.first - 1
        while i < span.last:
            if _quiet(s, a):
                i = _next_wrong(level, flow, bar, p, max(i, span.first), span.last)
                if i == span.last:
                    break
            if i >= span.first:
                a = nth(time_ns, i)
                _take(s, p, time_ns, level, flow, bar, taken, i - 1)
                _take(s, p, time_ns, level, flow, bar, i, i)
                taken = i + 1
                _judge_line(s, a)
                n = _note(s, a, out, n, g)
            i += 1
            last = i == span.last
            b = span.upto if last else nth(time_ns, i)
            n = _pass(s, p, a, b, nth(fire_until, i + g), last, out, n, g)
        _take(s, p, time_ns, level, flow, bar, taken, span.last - 1)
        if report and s.onset != NEVER:
            n = emit(out, n, g, 0, STANDING, s.onset, span.upto, MEDIUM, _evidence(s))
    return n


def _params(settings: Settings) -> tuple[Any, ...]:
    return (
        settings.low_level,
        settings.refilled_level,
        instant.seconds(settings.no_flow_s),
        -math.inf if settings.line_low_bar is None else settings.line_low_bar,
        math.inf if settings.line_high_bar is None else settings.line_high_bar,
        instant.seconds(settings.line_s),
    )


def _causes(bits: float) -> str:
    names = ("reservoir", "flow", "line")
    return " ".join(name for k, name in enumerate(names) if int(bits) >> k & 1)


DETECTOR: Final = Detector(
    name="grease_feed",
    version=1,
    faults=(
        Fault(
            "grease_feed",
            "Automatic greasing fails ({causes}): refill it, or have pump and lines checked; "
            "grease by hand until it works, as the handbook says.",
            {"causes": _causes, "lowest_level": hundredth, "firing_without_flow_s": seconds},
        ),
    ),
    settings=Settings,
    state=STATE,
    params_dtype=PARAMS,
    params=_params,
    run=run,
    reads=("grease_level", "grease_flow", "grease_bar"),
    fresh={"level_until": NEVER, "flow_until": NEVER, "line_until": NEVER, "run": NEVER, "onset": NEVER},
    needs=(("grease_level", "grease_flow"),),
    horizon=lambda _settings: max(FIRES_ON, min(_HOLD_FLOW, _HOLD_LINE)),
)
