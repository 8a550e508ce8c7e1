"""Runs the blow finder over a signal, for holding it against references."""

from typing import Any

import numpy as np

from strikewatch.detectors.blank_firing import blow_counter
from strikewatch.detectors.kernels import kernel


@kernel
def _over(time_ns: Any, pressure_bar: Any, state: Any, tally: Any, skip: int, known: Any) -> float:
    s = state[0]
    blow_counter.restart(s, time_ns[0])
    for i in range(len(time_ns)):
        blow_counter.take(s, pressure_bar[i], time_ns[i])
        known[i] = blow_counter.rate_known(s)
        blow_counter.tally(tally[0], s)
        if i == skip:
            blow_counter.clear(tally[0])
    return blow_counter.mean_rate(tally[0])


def measure(pressure_bar: Any, sample_hz: float, skip_s: float = 1.5) -> tuple[float, float]:
    """The blow rate over a signal in Hz, NaN where none may be known, and the share of it in which one may."""
    time_ns = np.round(np.arange(len(pressure_bar)) * 1e9 / sample_hz).astype(np.int64)
    known = np.zeros(len(pressure_bar), bool)
    skip = round(skip_s * sample_hz)
    state, tally = np.zeros(1, blow_counter.STATE), np.zeros(1, blow_counter.TALLY)
    rate_hz = _over(time_ns, np.asarray(pressure_bar, float), state, tally, skip, known)
    return rate_hz, float(known[skip:].mean())
