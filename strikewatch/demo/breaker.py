"""Model of a hydraulic breaker at its supply line: pressure level, blow rate, pulses and heat.

The ratios are those of a lumped model, not of a real breaker: 18 % less flow gives 26 % less pressure
and 11 % less rate; hard rock 10 % less pressure and 15 % more rate (the piston rebounds); a blow struck blank
20 to 60 % less pressure and a lower rate (longer stroke, no rebound). `blank` is that fall, 0 = loaded.
"""

import math
from dataclasses import dataclass

import numpy as np

from strikewatch.core.batch import Floats

PRESSURE_BY_FLOW = math.log(0.74) / math.log(0.82)
RATE_BY_FLOW = math.log(0.89) / math.log(0.82)
RATE_FALL_BY_BLANK = 0.5
"""A blank blow that loses 40 % of its pressure loses 20 % of its rate."""


@dataclass(frozen=True, slots=True)
class Breaker:
    """Working point at rated flow: level in bar, blows a minute (300-1500), peak-to-peak pulse in bar.

    `vents`: a design that bypasses the oil during blank firing, so that the pulses stop. `rise_s` and `decay_s`
    are the time constants of the supply line at the start of a bout and after release.
    """

    level_bar: float = 145.0
    blows_per_min: float = 620.0
    pulse_bar: float = 16.0
    flow_l_per_min: float = 120.0
    standby_bar: float = 12.0
    rise_s: float = 0.25
    decay_s: float = 0.12
    vents: bool = False

    def working_bar(self, flow: float = 1.0, hard: float = 0.0, blank: float = 0.0) -> float:
        """Return the mean supply pressure, bar. `flow` as a share of rated; `hard` 0..1; `blank` 0..0.6."""
        return self.level_bar * math.pow(flow, PRESSURE_BY_FLOW) * (1.0 - 0.10 * hard) * (1.0 - blank)

    def rate_hz(self, flow: float = 1.0, hard: float = 0.0, blank: float = 0.0) -> float:
        """Return the blow rate, Hz."""
        loaded = self.blows_per_min / 60.0 * math.pow(flow, RATE_BY_FLOW) * (1.0 + 0.15 * hard)
        return loaded * (1.0 - RATE_FALL_BY_BLANK * blank)

    def swing_bar(self, blank: float = 0.0) -> float:
        """Return the peak-to-peak pulse, bar."""
        if blank > 0.0 and self.vents:
            return 0.0
        return self.pulse_bar * (1.0 - blank)

    def loss_w(self, flow: float = 1.0, hard: float = 0.0, blank: float = 0.0) -> float:
        """Return the heat left in the oil, W: 55 % of the hydraulic power (bar x L/min / 600 kW), or all if blank."""
        power_w = self.working_bar(flow, hard, blank) * self.flow_l_per_min * flow / 600.0 * 1000.0
        return power_w * (1.0 if blank > 0.0 else 0.55)


def pulse(phase: Floats) -> Floats:
    """Return the pulse of a blow over its phase [n], in blows: mean 0, peak to peak 1; slow rise, quick fall."""
    turn = 2.0 * np.pi * phase
    shape: Floats = (np.sin(turn) - 0.5 * np.sin(2.0 * turn)) / PEAK_TO_PEAK
    return shape


PEAK_TO_PEAK = 1.5 * math.sqrt(3.0)
"""Of sin x - sin(2x)/2: its extremes, at 120 and 240 degrees, are +-3 sqrt(3)/4."""
