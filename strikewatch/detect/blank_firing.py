"""blank_firing: the piston strikes while the tool is not loaded. Suspected, never measured.

Supply pressure inside a bout (one run of firing), after the start-up transient, is averaged over windows and compared
with this hammer's own loaded level. That level is learned while it works: quickly at first, slowly later, and not at
all from windows under suspicion, unless the suspicion outlasts every plausible spell; then it was the pump that changed
and the level is learned anew. The decay after release is no evidence: a window that the bout does not fill is dropped.

The direction of the change differs between designs of breaker, so it is a setting of the hammer. A throttled pump and
harder rock move the level too (see the sources in the hammer's handbook): hence "suspected", with a score.
"""

import math
from typing import Any, Final, Literal

import numpy as np
from pydantic import Field

from strikewatch.detect.detector import Detector, DetectorSettings, hundredth, seconds, tenth
from strikewatch.detect.kernels import (
    CLEARED,
    ESCALATED,
    HIGH,
    MEDIUM,
    NEVER,
    RAISED,
    STANDING,
    emit,
    kernel,
    next_firing,
    nothing_yet,
    nth,
    part,
    sample,
)
from strikewatch.model import instant
from strikewatch.model.finding import Fault

Direction = Literal["falls", "rises", "either"]


class Settings(DetectorSettings):
    """Suspected blank firing, from the level of supply pressure."""

    rising = ("blank_min_s", "high_s")

    blank_min_s: float = Field(
        1.0, gt=0, description="An unbroken run of suspicious windows this long is a fault, s"
    )
    high_s: float = Field(5.0, gt=0, description="Lasting this long, the alert is high, s")
    window_s: float = Field(0.5, gt=0, description="Length of a window, s")
    transient_s: float = Field(0.5, ge=0, description="Start of a bout that is no evidence, s")
    level_when_blank: Direction = Field(
        "falls", description="Where the level goes when struck blank; by design"
    )
    least_change: float = Field(
        0.15, gt=0, lt=1, description="Change of level that is suspicious, share of the level"
    )
    spreads: float = Field(
        4.0, gt=0, description="... and at least so many times the usual spread of windows"
    )
    learn_s: float = Field(
        20.0, gt=0, description="Firing from which the level is known well enough to judge, s"
    )
    relearn_s: float = Field(
        60.0, gt=0, description="Suspicious without a break for this much firing: learn anew, s"
    )


STATE: Final = np.dtype(
    [
        ("bout", "<i8"),  # start of the bout
        ("fire_end", "<i8"),  # where its firing ended last
        ("window", "<i8"),  # start of the current window
        ("window_end", "<i8"),
        ("sum", "<f8"),
        ("n", "<i8"),
        ("level", "<f8"),  # the loaded level, bar
        ("spread", "<f8"),  # mean absolute deviation of windows from it, bar
        ("learned", "<i8"),  # ns of firing it was learned from
        ("run", "<i8"),  # start of the suspicious run
        ("run_end", "<i8"),
        ("run_sum", "<f8"),
        ("run_n", "<i8"),
        ("suspect", "<i8"),  # ns under suspicion since the last sound window
        ("suspect_sum", "<f8"),
        ("suspect_n", "<i8"),
        ("onset", "<i8"),
        ("high", "<i8"),
    ]
)
PARAMS: Final = np.dtype(
    [
        ("blank_min", "<i8"),
        ("high", "<i8"),
        ("window", "<i8"),
        ("transient", "<i8"),
        ("direction", "<i8"),
        ("least_change", "<f8"),
        ("spreads", "<f8"),
        ("learn", "<i8"),
        ("relearn", "<i8"),
    ]
)

START: Final = 0
MIDDLE: Final = 1
END: Final = 2


@part
def _change(s: Any, p: Any, level: float) -> float:
    """How far a level lies to the suspicious side, as a multiple of what is suspicious."""
    threshold = max(p.least_change * s.level, p.spreads * s.spread)
    change = s.level - level
    if p.direction < 0:
        change = -change
    elif p.direction == 0:
        change = abs(change)
    return change / threshold  # type: ignore[no-any-return]


@part
def _evidence(s: Any, p: Any, until: int, ended: bool) -> Any:
    level = s.run_sum / s.run_n
    score = 1.0 - math.exp(-_change(s, p, level))
    place = MIDDLE
    if s.run <= s.bout + p.transient:
        place = START
    elif ended:
        place = END
    return (float(until - s.run), level, s.level, 100.0 * (level - s.level) / s.level, score, float(place))


@part
def _end_run(s: Any, p: Any, at: int, ended: bool, out: Any, n: int, g: int) -> int:
    """The run is over: the hammer stopped (`ended`), or a window was sound again."""
    if s.onset != NEVER:
        n = emit(out, n, g, 0, CLEARED, s.onset, at, HIGH if s.high else MEDIUM, _evidence(s, p, at, ended))
    s.onset = NEVER
    s.high = 0
    s.run = NEVER
    return n


@part
def _learn(s: Any, p: Any, level: float, length: int) -> None:
    s.learned += length
    if s.learned == length:
        s.level = level
        s.spread = 0.02 * level
        return
    gain = max(0.02, min(0.5, 2.0 * length / s.learned))
    deviation = level - s.level
    # A first level learned from blank blows must give way: loaded, the hammer is on the sound side for good.
    if _change(s, p, level) < -1.0:
        gain = max(gain, 0.2)
    else:
        s.spread += gain * (min(abs(deviation), 3.0 * max(s.spread, 0.01 * s.level)) - s.spread)
    s.level += gain * deviation


@part
def _judge(s: Any, p: Any, total: float, taken: int, out: Any, n: int, g: int) -> int:
    """A window is full: suspicious, or something to learn from."""
    level = total / taken
    length = s.window_end - s.window
    if s.learned >= p.learn and _change(s, p, level) >= 1.0:
        if s.run == NEVER:
            s.run = s.window
            s.run_sum = 0.0
            s.run_n = 0
        s.run_end = s.window_end
        s.run_sum += total
        s.run_n += taken
        s.suspect += length
        s.suspect_sum += total
        s.suspect_n += taken
        lasted = s.run_end - s.run
        if s.onset == NEVER and lasted >= p.blank_min:
            s.onset = s.run
            n = emit(out, n, g, 0, RAISED, s.onset, s.onset, MEDIUM, _evidence(s, p, s.run_end, False))
        if s.onset != NEVER and not s.high and lasted >= p.high:
            s.high = 1
            at = s.run + p.high
            n = emit(out, n, g, 0, ESCALATED, s.onset, at, HIGH, _evidence(s, p, s.run_end, False))
        if s.suspect >= p.relearn:
            n = _end_run(s, p, s.run_end, False, out, n, g)
            s.level = s.suspect_sum / s.suspect_n
            s.suspect = 0
    else:
        if s.run != NEVER:
            n = _end_run(s, p, s.run_end, False, out, n, g)
        s.suspect = 0
        _learn(s, p, level, length)
    if s.suspect == 0:
        s.suspect_sum = 0.0
        s.suspect_n = 0
    return n


@kernel
def run(
    report: bool,
    spans: Any,
    time_ns: Any,
    fire_until: Any,
    state: Any,
    params: Any,
    pressure_bar: Any,
    out: Any,
) -> int:
    n = nothing_yet()
    for g in range(len(spans)):
        span = spans[g]
        s = state[g]
        p = params[span.slot]
        a = span.since
        total = s.sum
        taken = s.n
        i = span.first - 1
        while i < span.last:
            if s.bout == NEVER and i >= span.first:
                i = next_firing(time_ns, fire_until, g, i, span.last)
                if i == span.last:
                    break
            row = i >= span.first
            if row:
                a = nth(time_ns, i)
            f = nth(fire_until, i + 1 + g)
            i += 1
            firing = f > a
            if not firing and s.bout == NEVER:
                continue
            b = nth(time_ns, i) if i < span.last else span.upto
            if firing:
                if s.bout == NEVER:
                    s.bout = a
                    s.window = a + p.transient
                    s.window_end = s.window + p.window
                    total = 0.0
                    taken = 0
                # The rows of a window, as long as the hammer fires on and the next lies in it too.
                while True:
                    if row and a >= s.window:
                        v = sample(pressure_bar, i - 1)
                        if v == v:
                            total += v
                            taken += 1
                    if f < b or b >= s.window_end or i == span.last or nth(fire_until, i + 1 + g) <= b:
                        break
                    row = True
                    a = b
                    f = nth(fire_until, i + 1 + g)
                    i += 1
                    b = nth(time_ns, i) if i < span.last else span.upto
                f = min(f, b)
                s.fire_end = f
                while s.window_end <= f:
                    if taken:
                        n = _judge(s, p, total, taken, out, n, g)
                        s.window = s.window_end
                        total = 0.0
                        taken = 0
                    s.window_end += p.window
            if f < b or not firing:
                # Release ends the bout and the run, and drops the window that it cut short.
                if s.run != NEVER:
                    n = _end_run(s, p, s.fire_end, True, out, n, g)
                s.bout = NEVER
        s.sum = total
        s.n = taken
        if report and s.onset != NEVER:
            evidence = _evidence(s, p, s.run_end, False)
            n = emit(out, n, g, 0, STANDING, s.onset, span.upto, HIGH if s.high else MEDIUM, evidence)
    return n


_DIRECTIONS: Final[dict[Direction, int]] = {"falls": 1, "rises": -1, "either": 0}


def _params(settings: Settings) -> tuple[Any, ...]:
    return (
        instant.seconds(settings.blank_min_s),
        instant.seconds(settings.high_s),
        instant.seconds(settings.window_s),
        instant.seconds(settings.transient_s),
        _DIRECTIONS[settings.level_when_blank],
        settings.least_change,
        settings.spreads,
        instant.seconds(settings.learn_s),
        instant.seconds(settings.relearn_s),
    )


def _place(value: float) -> str:
    return ("start of the bout", "middle of the bout", "end of the bout")[int(value)]


DETECTOR: Final = Detector(
    name="blank_firing",
    version=1,
    faults=(
        Fault(
            "blank_firing",
            "Suspected blank firing for {blank_s:.1f} s at the {place}: {change_percent:+.0f} % from the loaded level.",
            {
                "blank_s": seconds,
                "level_bar": tenth,
                "loaded_level_bar": tenth,
                "change_percent": tenth,
                "score": hundredth,
                "place": _place,
            },
            of_operator=True,
        ),
    ),
    settings=Settings,
    state=STATE,
    params_dtype=PARAMS,
    params=_params,
    run=run,
    reads=("pressure_bar",),
    fresh={"bout": NEVER, "fire_end": NEVER, "run": NEVER, "run_end": NEVER, "onset": NEVER},
)
