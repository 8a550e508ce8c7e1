"""A shift with other pulses and other ground than its model gives, so that the weights of the score do not rest on how
these models pulse and sway.

    p' = (slow + scale · (p - slow)) · exp(sway)

slow: mean over one loaded blow. sway: a first-order autoregressive process (Ornstein-Uhlenbeck). Scale, deviation and
time constant are drawn for each hammer. All figures are invented.
"""

from dataclasses import replace

import numpy as np
from scipy.ndimage import uniform_filter1d
from scipy.signal import lfilter

from tests.physics.breaker import CONTROL_S, GRID_S
from tests.physics.work import Truth


def varied(truth: Truth) -> Truth:
    """The same shift with its pressure changed. The same seed gives the same change."""
    rng = np.random.default_rng([truth.seed, 7])
    scale = float(np.exp(rng.uniform(np.log(0.5), np.log(2.5))))
    deviation = float(np.exp(rng.uniform(np.log(0.004), np.log(0.05))))
    tau_s = float(np.exp(rng.uniform(np.log(0.5), np.log(8.0))))
    pressure = truth.run.pressure_bar.astype(float)
    blow = max(1, round(60.0 / truth.hammer.blows_per_min / GRID_S))
    slow = uniform_filter1d(pressure, blow, mode="nearest")
    keep = float(np.exp(-CONTROL_S / tau_s))
    drawn = deviation * np.sqrt(1 - keep**2) * rng.standard_normal(truth.active.size)
    sway = lfilter([1.0], [1.0, -keep], drawn)
    per = round(CONTROL_S / GRID_S)
    active = np.repeat(truth.active.astype(bool), per)[: pressure.size]
    changed = np.where(active, slow + scale * (pressure - slow), pressure)
    changed *= np.exp(np.repeat(sway, per)[: pressure.size])
    return replace(truth, run=truth.run._replace(pressure_bar=np.maximum(changed, 0.0).astype(np.float32)))
