"""Runs of suspicious windows within a bout, and what speaks for each being blank; what `blank_firing` is made of.

A bout is a row of segments, each about one level (`steps`). The first is compared with what the hammer has
learned, every later one with the loaded level of this bout. Levels here are in bar at the reference engine speed,
and mirrored where the hammer's level rises when struck blank, so that blank is always low.
"""

import math
from typing import Any

from strikewatch.detect import blows, loaded, startup, steps
from strikewatch.detect.blank_state import (
    BLOCK,
    COMING_UP,
    EARLY,
    FEW,
    LEAVING,
    LOADED,
    LOW,
    MIDDLE,
    MIRROR,
    RECENT,
    START,
    UNSTEADY,
    WHOLE,
    bar,
    known,
    least_apart,
    young,
)
from strikewatch.detect.kernels import CLEARED, ESCALATED, HIGH, MEDIUM, NEVER, RAISED, emit, part


@part
def run_level(s: Any) -> float:
    """Mean level of the run."""
    total = s.run_sum
    n = s.run_n
    if s.kind == LOW:
        total += s.steps.sum
        n += s.steps.n
    return total / max(n, 1.0)  # type: ignore[no-any-return]


@part
def against(s: Any) -> float:
    """The level that the run is held against."""
    return s.ref if s.ref > 0.0 else s.loaded.level  # type: ignore[no-any-return]


@part
def rate_fall(s: Any) -> float:
    """By which share the blow rate is lower in the run than loaded; NaN where either is not known."""
    loaded_hz = blows.mean_rate(s.good_pulse)
    if loaded_hz != loaded_hz:
        loaded_hz = s.loaded.rate_hz if s.loaded.rate_hz > 0.0 else math.nan
    return 1.0 - blows.mean_rate(s.low_pulse) / loaded_hz


@part
def pulse_fall(s: Any) -> float:
    """By which share the pulse, peak to peak, is narrower in the run than loaded; NaN where not known."""
    wide = blows.mean_spread(s.good_pulse)
    if wide != wide:
        wide = s.loaded.pulse_bar if s.loaded.pulse_bar > 0.0 else math.nan
    return 1.0 - blows.mean_spread(s.low_pulse) / wide


@part
def score(s: Any, p: Any) -> float:
    """How likely the run is blank indeed, 0..1; fitted to labelled shifts (see the tests)."""
    fall = 1.0 - run_level(s) / against(s)
    apart = deviations(s, fall)
    # Not far out of the noise it may be the noise; the more so where few samples catch the pulse at its foot by turns.
    windows = s.run_n + (s.steps.n if s.kind == LOW else 0.0)
    few = s.run_end - s.run > FEW * windows and steps.noise_share(s.steps) > 0.05
    z = (
        -4.9
        + 27.2 * min(fall, 0.6)
        + 0.385 * min(apart, 12.0)
        - 3.0 * max(0.0, (3.0 if few else 2.2) - apart)
    )
    if s.run == s.bout and s.stepped:
        z += 2.5
    elif s.run == s.bout:
        # The whole bout: the pump, or the rock, as well.
        z -= 0.5 if s.rpm > 0.0 else 1.3
    if young(s, p):
        z -= 0.45
    slower = rate_fall(s)
    if slower == slower:
        # Hard rock lowers the level and raises the rate; a throttled pump lowers the rate by a tenth.
        z += 12.0 * (max(-0.1, min(0.4, slower)) - 0.12)
    elif pulses_stopped(s):
        z += 2.0
    return 1.0 / (1.0 + math.exp(-z))


@part
def pulses_stopped(s: Any) -> bool:
    """Whether the run has windows enough for a rate, and nothing in them is periodic, as it was when loaded."""
    beat = s.good_pulse.periods > 0 or s.loaded.rate_hz > 0.0
    return s.fast and beat and s.low_pulse.windows >= 8 and s.low_pulse.periods == 0  # type: ignore[no-any-return]


@part
def features(s: Any) -> int:
    """Which features spoke, added up: 1 the level, 2 the blow rate, 4 the pulse, 8 pulses that stopped."""
    spoke = 1
    if rate_fall(s) >= 0.15:
        spoke += 2
    if pulse_fall(s) >= 0.2:
        spoke += 4
    if pulses_stopped(s):
        spoke += 8
    return spoke


@part
def deviations(s: Any, fall: float) -> float:
    """A fall in robust standard deviations of this hammer's windows and bouts."""
    return fall / (1.25 * max(s.loaded.spread, steps.noise_share(s.steps)))  # type: ignore[no-any-return]


@part
def evidence(s: Any, p: Any, place: int) -> Any:
    """The numbers of a finding, in the order of the fault's."""
    level = run_level(s)
    loaded_level = against(s)
    slower = rate_fall(s)
    narrower = pulse_fall(s)
    lasted = s.run_end - s.run
    hz = blows.mean_rate(s.low_pulse)
    level_bar = bar(s, p, level)
    loaded_bar = bar(s, p, loaded_level)
    return (
        float(lasted),
        hz * lasted * 1e-9 if s.fast else math.nan,
        level_bar,
        loaded_bar,
        100.0 * (level_bar / loaded_bar - 1.0),
        deviations(s, 1.0 - level / loaded_level),
        -100.0 * slower,
        -100.0 * narrower,
        score(s, p),
        float(place),
        1.0 if young(s, p) else math.nan,
        float(features(s)),
    )


@part
def place(s: Any) -> int:
    """Where in its bout a run that goes on lies."""
    return START if s.run == s.bout else MIDDLE


@part
def waits(s: Any, over: bool) -> bool:
    """Whether the pump may have changed: low all through the bout, as far as it went, and the engine speed not known,
    or the same level already in bouts before. `over`: the run is at its end, and nothing else will tell."""
    if s.run != s.bout or s.stepped:
        return False
    before = s.loaded.asides if abs(s.recent / s.loaded.aside - 1.0) < loaded.SAME else 0
    s.held = before >= (1 if s.rpm == 0.0 else 3)
    return bool(s.held) or not over


@part
def consider(s: Any, p: Any, over: bool, out: Any, n: int, g: int) -> int:
    """The run has become longer: raise it, or make it high, when that is due."""
    lasted = s.run_end - s.run
    if s.onset == NEVER and lasted >= p.blank_min and known(s, p) and not waits(s, over):
        apart = s.run == s.bout and not (s.stepped and startup.known(s.startup))
        low = run_level(s) < against(s) * (1.0 - (least_apart(s) if apart else s.least))
        if low and score(s, p) >= p.least_score:
            s.onset = s.run
            n = emit(out, n, g, 0, RAISED, s.onset, s.onset, MEDIUM, evidence(s, p, place(s)))
    if s.onset != NEVER and not s.high and lasted >= p.high:
        s.high = 1
        n = emit(out, n, g, 0, ESCALATED, s.onset, s.run + p.high, HIGH, evidence(s, p, place(s)))
    return n


@part
def end_run(s: Any, p: Any, where: int, out: Any, n: int, g: int) -> int:
    """The run is over."""
    if s.onset != NEVER:
        priority = HIGH if s.high else MEDIUM
        n = emit(out, n, g, 0, CLEARED, s.onset, s.run_end, priority, evidence(s, p, where))
        s.blank += s.run_end - s.run
        if s.stepped:
            # At its deepest: by then the line has emptied.
            loaded.learn_fall(s.loaded, 1.0 - s.deepest / against(s))
    s.onset = NEVER
    s.high = 0
    s.held = 0
    s.stepped = 0
    s.run = NEVER
    s.run_sum = 0.0
    s.run_n = 0.0
    return n


@part
def good_until(s: Any, at: int) -> None:
    """The present segment was loaded, up to here."""
    s.good_sum += s.steps.sum
    s.good_n += s.steps.n
    s.good += at - s.steps.since


@part
def fell(s: Any, p: Any, out: Any, n: int, g: int) -> int:
    """The level has stepped down inside the bout."""
    q = s.steps
    at = max(min(s.calm, q.fall_at), q.fall_at - LEAVING)
    if s.kind != LOW and q.fall_at - s.bout < EARLY:
        at = s.bout
    q.sum -= q.fall_sum
    q.n -= q.fall_n
    level = q.fall_sum / q.fall_n
    if s.kind != LOW:
        if at > s.bout:
            if q.n > 0:
                s.ref = q.level
            good_until(s, at)
    elif s.run == s.bout and not s.stepped and at - s.bout >= p.blank_min and q.n > 0:
        # Low since the bout began and now lower still: the pump had changed, and the load goes only now.
        s.run_end = at
        before = q.sum / q.n
        n = end_run(s, p, START, out, n, g)
        loaded.move(s.loaded, before)
        s.ref = before
        good_until(s, at)
    else:
        s.run_sum += q.sum
        s.run_n += q.n
    if s.run == NEVER:
        s.run = at
        s.stepped = at > s.bout
    s.kind = LOW
    s.first = 0
    steps.open_segment(q, level, at, q.fall_sum, q.fall_n)
    return n


@part
def rose(s: Any, p: Any, out: Any, n: int, g: int) -> int:
    """The level has stepped up inside the bout."""
    q = s.steps
    at = q.rise_at
    q.sum -= q.rise_sum
    q.n -= q.rise_n
    level = q.rise_sum / q.rise_n
    if s.kind == LOW:
        s.run_end = at
        s.held = 0
        s.stepped = 1
        from_start = s.run == s.bout
        if from_start and level < s.loaded.level:
            # What came after is what it would have had before, whatever the pump does.
            s.ref = level
        n = consider(s, p, True, out, n, g)
        n = end_run(s, p, START if from_start else MIDDLE, out, n, g)
    elif q.n > 0:
        good_until(s, at)
    s.kind = LOADED
    s.first = 0
    s.ref = level
    steps.open_segment(q, level, at, q.rise_sum, q.rise_n)
    return n


@part
def first_segment(s: Any, p: Any, doubt: float, end: int) -> None:
    """While a bout has shown no step: is it low against what the hammer has learned?"""
    q = s.steps
    if s.seen < 3 and end - s.bout < p.blank_min:
        return
    s.kind = LOADED
    if known(s, p) and s.recent < s.loaded.level * (1.0 - least_apart(s) - doubt):
        s.kind = LOW
        s.run = s.bout
        # Until here the line was filling.
        steps.open_segment(q, s.recent, s.bout, s.recent, 1.0)


@part
def add_block(s: Any, total: float) -> None:
    """Another `BLOCK` of loaded windows, for the sway: Welford's running variance of their means."""
    mean = total / BLOCK
    s.blocks += 1
    off = mean - s.blocks_mean
    s.blocks_mean += off / s.blocks
    s.blocks_square += off * (mean - s.blocks_mean)


@part
def judge(s: Any, p: Any, pressure_bar: float, end: int, out: Any, n: int, g: int) -> int:
    """A window is full."""
    q = s.steps
    start = s.window
    x = max(pressure_bar, 1.0) * s.factor
    if p.rises:
        x = MIRROR / x
    k = ((start + end) // 2 - s.bout) // startup.BIN
    startup.take(s.startup, k, x, s.kind == LOADED)
    share = startup.share_at(s.startup, k)
    x *= 1.0 / share
    doubt = UNSTEADY * max(0.0, 1.0 - share)
    least = s.least + doubt
    if abs(x - q.level) < max(0.4 * least * q.level, 2.0 * q.noise):
        s.calm = end
    if q.n == 0.0:
        q.level = x
    if s.kind == LOADED and steps.stay(q, x, least):
        pass
    elif s.seen == 1:
        steps.open_segment(q, x, s.bout, x, 1.0)
    else:
        weight = min(2.0, (end - start) * 1e-8)
        step = steps.follow(q, x, start, weight, least)
        if step == steps.FALL:
            n = fell(s, p, out, n, g)
        elif step == steps.RISE:
            n = rose(s, p, out, n, g)
    s.recent = x if s.seen == 1 else steps.ewma(s.recent, x, RECENT)
    s.deepest = min(s.deepest, s.recent) if s.kind == LOW else s.recent
    if s.first and s.kind != LOW and end - s.bout <= COMING_UP:
        first_segment(s, p, doubt, end)
    if s.fast:
        low = x < against(s) * (1.0 - least) if against(s) > 0.0 else False
        if low:
            blows.tally(s.low_pulse, s.blows)
        elif s.kind != LOW:
            blows.tally(s.good_pulse, s.blows)
            if s.run == NEVER:
                blows.clear(s.low_pulse)
    if (
        s.kind == LOW
        and s.run == s.bout
        and not s.stepped
        and q.level > s.loaded.level * (1.0 - 0.6 * least_apart(s))
    ):
        # It was only slow to come up.
        s.run_end = s.calm
        n = end_run(s, p, START, out, n, g)
        s.kind = LOADED
    if s.kind == LOADED and q.fall == 0.0:
        s.block += x
        s.block_n += 1
        if s.block_n == BLOCK:
            add_block(s, s.block)
            s.block = 0.0
            s.block_n = 0
    if s.run != NEVER and q.rise == 0.0:
        s.run_end = end
        n = consider(s, p, False, out, n, g)
        if s.run == s.bout and not s.stepped and end - s.bout >= p.relearn:
            level = q.sum / q.n
            n = end_run(s, p, WHOLE, out, n, g)
            loaded.move(s.loaded, level)
            s.kind = LOADED
            s.ref = level
    if known(s, p):
        s.judged += end - start if s.judged else end - s.bout
    return n


@part
def new_speed(s: Any) -> None:
    """The engine runs at another speed: what the level does about now says nothing of the load."""
    q = s.steps
    if s.kind == LOADED and q.n > 0.0:
        q.fall = 0.0
        q.rise = 0.0
        s.good_sum += q.sum
        s.good_n += q.n
        s.good += s.window - q.since
        q.since = s.window
        q.sum = 0.0
        q.n = 0.0
