"""Runs of suspicious windows within a bout, and what speaks for each being blank; what `blank_firing` is made of.

A bout is a row of segments, each about one level (`steps`). The first is compared with what the hammer has
learned, every later one with the loaded level of this bout. Levels here are in bar at the reference engine speed,
and mirrored where the hammer's level rises when struck blank, so that blank is always low.
"""

from typing import Any, Final

from strikewatch.detectors.blank_firing import baseline, blow_counter, cusum, ramp_up
from strikewatch.detectors.blank_firing.evidence import against, run_level
from strikewatch.detectors.blank_firing.runs import (
    GOES_ON,
    ROSE,
    consider,
    drop_run,
    end_run,
    place,
    raise_it,
    resolve,
)
from strikewatch.detectors.blank_firing.score import BORNE_OUT, REFUTED, SCORE
from strikewatch.detectors.blank_firing.state import (
    BLOCK,
    COMING_UP,
    EARLY,
    LEAVING,
    LOADED,
    LOW,
    MIDDLE,
    MIRROR,
    RECENT,
    START,
    UNSTEADY,
    UNSURE,
    WHOLE,
    known,
    least_apart,
)
from strikewatch.detectors.kernels import NEVER, part

SPENT: Final = 0.7
"""A run that was suspicious is over when its score falls below this share of the floor."""
STALE: Final = 2_500_000_000
"""A change of level so shortly before one of engine speed went with it, ns."""
TOLD: Final = 1_500_000_000
"""So long after the start of a bout its level tells what became of the pump, ns."""


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
        baseline.move(s.loaded, before)
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
    cusum.open_segment(q, level, at, q.fall_sum, q.fall_n)
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
        if not from_start:
            s.swings += 1
            s.swung += max(0.0, 1.0 - run_level(s) / against(s))
        if from_start and level < s.loaded.level * (1.0 - s.least):
            # What came after is what it would have had before, whatever the pump does.
            s.ref = level
        n = consider(s, p, ROSE, out, n, g)
        n = end_run(s, p, START if from_start else MIDDLE, out, n, g)
    elif q.n > 0:
        good_until(s, at)
    s.kind = LOADED
    s.first = 0
    s.ref = level
    cusum.open_segment(q, level, at, q.rise_sum, q.rise_n)
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
        cusum.open_segment(q, s.recent, s.bout, s.recent, 1.0)


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
    k = ((start + end) // 2 - s.bout) // ramp_up.BIN
    ramp_up.take(s.startup, start - s.bout, end - s.bout, x, s.kind == LOADED)
    spread = ramp_up.spread_at(s.startup, k, end - start)
    if spread > ramp_up.VARIES:
        return n
    s.seen += 1
    share = ramp_up.share_at(s.startup, k)
    x *= 1.0 / share
    doubt = UNSTEADY * max(0.0, 1.0 - share) + spread
    least = s.least + doubt
    if abs(x - q.level) < max(0.4 * least * q.level, 2.0 * q.noise):
        s.calm = end
    if q.n == 0.0:
        q.level = x
    if s.kind == LOADED and cusum.stay(q, x, least):
        pass
    elif s.seen == 1:
        cusum.open_segment(q, x, s.bout, x, 1.0)
    else:
        weight = min(2.0, (end - start) * 1e-8)
        s.step = cusum.ewma(s.step, float(end - start), 0.1) if s.step > 0.0 else float(end - start)
        step = cusum.follow(q, x, start, weight, least)
        if step == cusum.FALL:
            n = fell(s, p, out, n, g)
        elif step == cusum.RISE:
            n = rose(s, p, out, n, g)
    s.recent = x if s.seen == 1 else cusum.ewma(s.recent, x, RECENT)
    s.deepest = min(s.deepest, s.recent) if s.kind == LOW else s.recent
    if s.first and s.kind != LOW and end - s.bout <= COMING_UP:
        first_segment(s, p, doubt, end)
    if s.fast:
        low = x < against(s) * (1.0 - least) if against(s) > 0.0 else False
        if low:
            blow_counter.tally(s.low_pulse, s.blows)
        elif s.kind != LOW:
            blow_counter.tally(s.good_pulse, s.blows)
            if s.run == NEVER:
                blow_counter.clear(s.low_pulse)
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
        n = consider(s, p, GOES_ON, out, n, g)
        if s.sure_end != NEVER and s.now[SCORE] < SPENT * p.least_score:
            # It was suspicious, and what came since speaks against it: it ended where it was so last.
            waited = s.onset == NEVER and not (s.run == s.bout and not s.stepped)
            if waited and s.sure[SCORE] >= p.at_once:
                n = raise_it(s, out, n, g)
            s.run_end = s.sure_end
            n = end_run(s, p, place(s), out, n, g)
            s.kind = LOADED
            cusum.open_segment(q, s.recent, end, s.recent, 1.0)
            return n
        if s.run == s.bout and not s.stepped and end - s.bout >= p.relearn:
            level = q.sum / q.n
            n = end_run(s, p, WHOLE, out, n, g)
            baseline.move(s.loaded, level)
            s.kind = LOADED
            s.ref = level
    if known(s, p):
        s.judged += end - start if s.judged else end - s.bout
    if s.waiting.on and s.kind == LOADED and end - s.bout >= TOLD and q.fall == 0.0 and q.n >= 2.0:
        loaded_again = q.level > 0.5 * (s.waiting.level + s.waiting.against)
        n = resolve(s, p, BORNE_OUT if loaded_again else REFUTED, out, n, g)
        if not loaded_again:
            baseline.move(s.loaded, q.level)
    return n


@part
def new_speed(s: Any) -> None:
    """The engine runs at another speed: what the level does about now says nothing of the load."""
    q = s.steps
    s.straddles = 1
    if s.bout == NEVER or s.onset != NEVER:
        return
    if s.window - s.bout < COMING_UP and (s.run == NEVER or s.run == s.bout):
        # It comes up from idling: what was seen of the bout was taken at a speed that no longer held.
        drop_run(s)
        s.kind = UNSURE
        s.seen = 0
        s.first = 1
        s.ref = 0.0
        s.good_sum = 0.0
        s.good_n = 0.0
        s.good = 0
        cusum.open_segment(q, 0.0, s.bout, 0.0, 0.0)
    elif s.kind == LOW and s.run != s.bout and s.window - s.run < STALE:
        # The speed is sampled now and then: the level had gone with it before it was known.
        q.level = against(s)
        drop_run(s)
        s.kind = LOADED
        cusum.open_segment(q, q.level, s.window, q.level, 1.0)
    elif s.kind == LOADED and q.n > 0.0:
        q.fall = 0.0
        q.rise = 0.0
        s.good_sum += q.sum
        s.good_n += q.n
        s.good += s.window - q.since
        q.since = s.window
        q.sum = 0.0
        q.n = 0.0
