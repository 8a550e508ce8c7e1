"""Models of a hydraulic breaker at its supply line (pressure level, blow rate, pulses) and of the oil that it heats.

The ratios of the breaker are those of a lumped model, not of a real one: 18 % less flow gives 26 % less pressure
and 11 % less rate; hard rock 10 % less pressure and 15 % more rate (the piston rebounds); a blow struck blank
20 to 60 % less pressure and a lower rate (longer stroke, no rebound). `blank` is that fall, 0 = loaded.

The oil is one heated mass: C dT/dt = P - UA (T - Ta). C in J/K is its heat capacity, P in W the power lost to it, UA in
W/K what the cooler and the walls carry off per degree, Ta in degC the air. For constant P, UA and Ta the exact solution
is an exponential approach, so a whole shift is a chain of exact pieces and does not depend on the sampling grid.

>>> circuit = OilCircuit(volume_l=150.0)
>>> round(circuit.final_c(12_000.0, 30.0), 1), round(circuit.time_constant_s() / 60.0, 1)
(84.5, 18.8)
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

DENSITY_KG_PER_L = 0.87
HEAT_J_PER_KG_K = 1900.0


def approach(start: float, final: float, time_constant_s: float, after_s: float) -> float:
    """Return the value of a first-order system `after_s` seconds after it started from `start` towards `final`."""
    return final + (start - final) * math.exp(-after_s / time_constant_s)


def crossing_s(start: float, final: float, time_constant_s: float, limit: float) -> float | None:
    """Return the seconds until the approach from `start` to `final` reaches `limit`; None if it never does."""
    if (start - limit) * (final - limit) >= 0.0:
        return None
    return time_constant_s * math.log((start - final) / (limit - final))


@dataclass(frozen=True, slots=True)
class OilCircuit:
    """Oil volume in litres; UA in W/K with the fan running and, far less, with the engine off."""

    volume_l: float = 150.0
    ua_w_per_k: float = 220.0
    ua_still_w_per_k: float = 60.0

    def _ua(self, fan: bool) -> float:
        return self.ua_w_per_k if fan else self.ua_still_w_per_k

    def final_c(self, loss_w: float, air_c: float, fan: bool = True) -> float:
        """Return the final temperature at constant loss, degC."""
        return air_c + loss_w / self._ua(fan)

    def time_constant_s(self, fan: bool = True) -> float:
        """Return the time constant, s."""
        return self.volume_l * DENSITY_KG_PER_L * HEAT_J_PER_KG_K / self._ua(fan)
