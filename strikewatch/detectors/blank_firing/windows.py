"""A bout as `blank_firing` takes it: rows into windows, and what is noted and learned of it when it is over."""

import math
from typing import Any, Final

from strikewatch.detectors.blank_firing import accumulator, baseline, blow_counter, cusum, ramp_up, waiting
from strikewatch.detectors.blank_firing.evidence import run_level, stands_out
from strikewatch.detectors.blank_firing.runs import (
    RELEASED,
    consider,
    end_run,
    resolve,
    throttle_again,
    throttled,
    wait,
    weigh,
)
from strikewatch.detectors.blank_firing.score import OPEN, REFUTED
from strikewatch.detectors.blank_firing.segments import add_block, good_until, judge
from strikewatch.detectors.blank_firing.state import (
    BLOCK,
    COMING_UP,
    END,
    LOADED,
    RECENT,
    UNSTEADY,
    UNSURE,
    WHOLE,
    bar,
    known,
    least_apart,
    least_fall,
)
from strikewatch.detectors.kernels import NEVER, NOTED, emit, nth, part, sample

ENOUGH: Final = 500_000_000
"""Loaded firing of a bout from which something is learned, ns."""

SHORTEST: Final = 75_000_000
"""A window is over at the first row so long after its start, ns."""
LONGEST: Final = 250_000_000
"""... or in a fast feed at the first blow, so that it holds whole blows; at the latest after this."""
SPARSE: Final = 1_500_000_000
"""A window longer than this says nothing, ns."""
FAST: Final = 12_500_000
"""Rows at most so far apart can have 8 in a blow, ns."""
TYPICAL: Final = 3_000_000_000
"""A feed that cannot show a blank run of this length, ns, is not judged."""
UNCLEAR: Final = 6
"""Index in `core.bout.REASONS`."""
SETTLE: Final = 150_000_000
"""Blows are looked for from here on, ns after the bout began."""


@part
def begin(s: Any, p: Any, a: int) -> None:
    s.bout = a
    s.row = a
    s.window = a
    s.sum = 0.0
    s.n = 0
    s.seen = 0
    s.long = 0
    s.judged = 0
    s.blank = 0
    s.kind = UNSURE
    s.first = 1
    s.least = least_fall(s, p)
    s.ref = 0.0
    s.good_sum = 0.0
    s.good_n = 0.0
    s.good = 0
    s.block = 0.0
    s.block_n = 0
    s.blocks = 0
    s.blocks_mean = 0.0
    s.blocks_square = 0.0
    s.swings = 0
    s.swung = 0.0
    s.fast = 0
    blow_counter.clear(s.good_pulse)
    blow_counter.clear(s.low_pulse)
    blow_counter.restart(s.blows, a)
    ramp_up.begin(s.startup)
    s.calm = a
    s.steps.level = 0.0
    s.steps.n = 0.0


@part
def row_of(s: Any, p: Any, pressure_bar: float, a: int, out: Any, n: int, g: int) -> int:
    """One sample of pressure while the hammer fires."""
    blow = False
    if a - s.row <= FAST:
        s.fast = 1
        if a - s.bout >= SETTLE:
            blow = blow_counter.take(s.blows, pressure_bar, a)
    s.row = a
    s.sum += pressure_bar
    s.n += 1
    lasted = a - s.window
    if lasted < SHORTEST or (s.fast and not blow and lasted < LONGEST):
        return n
    if lasted > SPARSE:
        s.long += 1
    elif s.straddles:
        # Taken at two engine speeds.
        s.straddles = 0
    elif s.window >= s.bout + p.transient:
        n = judge(s, p, s.sum / s.n, a, out, n, g)
    s.window = a
    s.sum = 0.0
    s.n = 0
    return n


@part
def along(
    s: Any,
    p: Any,
    time_ns: Any,
    fire_until: Any,
    pressure_bar: Any,
    engine_rpm: Any,
    g: int,
    i: int,
    last: int,
) -> int:
    """The short way through ordinary rows of a loaded segment, from row i on: leaves what `_row` would leave.

    Returns the first row that it does not take; a row is taken only if the hammer fires on until the next.
    """
    q = s.steps
    if (
        s.kind != LOADED
        or s.fast
        or q.fall != 0.0
        or q.rise != 0.0
        or q.n == 0.0
        or s.n
        or p.rises
        or s.waiting.on
        or s.straddles
    ):
        return i
    judging = known(s, p)
    if (judging and not s.judged) or s.window < s.bout + p.transient:
        return i
    up = s.startup
    first = i
    window = s.window
    level = q.level
    noise = q.noise
    total = q.sum
    windows = q.n
    recent = s.recent
    calm = s.calm
    block = s.block
    block_n = s.block_n
    watch_until = s.bout + COMING_UP if s.first else NEVER
    apart = least_apart(s)
    next_bin = s.window
    k = 0
    scale = s.factor
    least = s.least
    lowest = 0.0
    early = False
    while i + 1 < last:
        a = nth(time_ns, i)
        if nth(fire_until, i + 1 + g) < nth(time_ns, i + 1):
            break
        middle = (window + a) // 2
        if middle >= next_bin:
            k = (middle - s.bout) // ramp_up.BIN
            next_bin = s.bout + (k + 1) * ramp_up.BIN if k < ramp_up.BINS else -NEVER
            share = ramp_up.share_at(up, k)
            doubt = UNSTEADY * max(0.0, 1.0 - share)
            scale = 1.0 / share
            least = s.least + doubt
            lowest = s.loaded.level * (1.0 - apart - doubt) if judging else 0.0
            early = k < ramp_up.BINS
        if early and a - window > ramp_up.BIN:
            break
        raw = nth(pressure_bar, i) * s.factor
        x = raw * scale
        off = abs(x - level)
        if not (off < least * level and SHORTEST <= a - window <= SPARSE):
            break
        r = sample(engine_rpm, i)
        if r == r or (s.rpm > 0.0 and a > s.rpm_until):
            break
        of_late = recent + RECENT * (x - recent)
        if of_late < lowest and a <= watch_until:
            break
        recent = of_late
        ramp_up.take(up, window - s.bout, a - s.bout, raw, True)
        if off < max(0.4 * least * level, 2.0 * noise):
            calm = a
        total += x
        windows += 1.0
        level += cusum.gain(windows) * (x - level)
        noise += cusum.FOLLOW_NOISE * (min(off, 3.0 * max(noise, cusum.SURE * level)) - noise)
        block += x
        block_n += 1
        if block_n == BLOCK:
            add_block(s, block)
            block = 0.0
            block_n = 0
        window = a
        i += 1
    if i > first:
        q.level = level
        q.noise = noise
        q.sum = total
        q.n = windows
        s.block = block
        s.block_n = block_n
        s.calm = calm
        s.recent = recent
        s.deepest = recent
        s.seen += i - first
        if judging:
            s.judged += window - s.window
        s.window = window
        s.row = window
        s.fire_end = nth(time_ns, i)
    return i


@part
def why_not(s: Any, p: Any) -> int:
    """Why a bout was not judged, as an index of `core.bout.REASONS`."""
    if s.judged > 0:
        return 0 if s.blank > 0 or stands_out(s, p, TYPICAL) else UNCLEAR
    if s.window == s.bout and s.n == 0:
        return 1
    if s.seen == 0:
        return 2 if s.long > 0 else 3
    return 4


@part
def measured(s: Any, p: Any, level: float, expected: float, why: int) -> Any:
    """The numbers of a `core.bout.Bout`."""
    hz = blow_counter.mean_rate(s.good_pulse)
    struck = math.nan
    blank = math.nan
    if s.fast and s.blows.count > 0:
        struck = float(blow_counter.struck(s.blows, hz))
        low_hz = blow_counter.mean_rate(s.low_pulse)
        blank = round(low_hz * s.blank * 1e-9) if low_hz == low_hz else math.nan
        if s.blank == 0:
            blank = 0.0
    return (
        0.0 if why == UNCLEAR else float(s.judged),
        float(s.blank),
        struck,
        blank,
        bar(s, p, level) if level > 0.0 else math.nan,
        bar(s, p, expected) if expected > 0.0 else math.nan,
        hz,
        blow_counter.mean_spread(s.good_pulse),
        float(why),
        0.0,
        0.0,
        0.0,
    )


@part
def note(s: Any, p: Any, level: float, expected: float, why: int, out: Any, n: int, g: int) -> int:
    """Write down what was measured of the bout."""
    numbers = measured(s, p, level, expected, why)
    return emit(out, n, g, 0, NOTED, s.bout, s.fire_end, 0, numbers)  # type: ignore[no-any-return]


@part
def release(s: Any, p: Any, out: Any, n: int, g: int) -> int:
    """The bout is over: note it, and learn from its loaded part."""
    q = s.steps
    why = why_not(s, p)
    expected = s.loaded.level
    waits = 0
    again = throttle_again(s)
    if s.waiting.on:
        n = resolve(s, p, REFUTED if again else OPEN, out, n, g)
    if s.run != NEVER:
        s.run_end = s.fire_end
        whole = s.run == s.bout and not s.stepped
        where = WHOLE if whole else END
        level = run_level(s)
        n = consider(s, p, RELEASED, out, n, g)
        held = s.held or again
        if s.onset == NEVER and not held and throttled(s) and weigh(s, p, where):
            wait(s, p, where)
            waits = 1
        n = end_run(s, p, where, out, n, g)
        if whole:
            baseline.set_aside(s.loaded, level)
            if held or s.loaded.asides >= 4:
                baseline.move(s.loaded, level)
            if held:
                why = 5
                s.judged = 0
    elif q.level > 0.0:
        good_until(s, s.fire_end)
    level = s.good_sum / s.good_n if s.good_n > 0.0 else 0.0
    if waits:
        numbers = measured(s, p, level, expected, why)
        for k in range(waiting.NOTE):
            s.waiting.note[k] = numbers[k]
    else:
        n = note(s, p, level, expected, why, out, n, g)
    ramp_up.learn(s.startup)
    if s.good >= ENOUGH:
        if s.rpm > 0.0:
            baseline.learn_power(s.loaded, bar(s, p, level), s.rpm)
        s.loaded.asides = 0
        if s.blocks >= 3:
            sway = math.sqrt(s.blocks_square / s.blocks) / s.blocks_mean
            if s.swings >= 2:
                # Down and up again and again is no tool that slips: it is how this feed sways.
                sway = max(sway, 0.5 * s.swung / s.swings)
            baseline.learn_sway(s.loaded, sway)
        baseline.learn(s.loaded, level, s.good, s.good_n, s.least)
        hz = blow_counter.mean_rate(s.good_pulse)
        if hz == hz:
            baseline.learn_pulse(s.loaded, hz, blow_counter.mean_spread(s.good_pulse))
            n = accumulator.watch(s, p, out, n, g)
    s.bout = NEVER
    return n
