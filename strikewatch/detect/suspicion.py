"""What speaks for a run of low windows being blank: how far it fell, against what, and what that is worth.

The score is a logistic function of what was seen, fitted to shifts of a physical model with labels
(`tests/physics`): of the suspicions that score 0.8, about 80 % are real there.
"""

import math
from typing import Any

from strikewatch.detect import blows, steps
from strikewatch.detect.blank_state import FEW, LOW, bar, young
from strikewatch.detect.kernels import part


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
    # Down and up again and again is no tool that slips: it is how this feed sways.
    z -= 1.5 * min(s.swings, 3)
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
    """A fall in robust standard deviations: of windows and, where the bout began with it, of bouts."""
    usual = max(s.loaded.sway, 1.25 * steps.noise_share(s.steps))
    if s.run == s.bout:
        usual = max(usual, 1.25 * s.loaded.spread)
    return fall / usual  # type: ignore[no-any-return]


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
