"""Model of the oil of a breaker circuit as one heated mass: C dT/dt = P - UA (T - Ta).

C in J/K is the heat capacity of the oil, P in W the power lost to it, UA in W/K what the cooler and the walls
carry off per degree, Ta in degC the air. For constant P, UA and Ta the exact solution is an exponential
approach, so a whole shift is a chain of exact pieces and does not depend on the sampling grid.

>>> circuit = OilCircuit(volume_l=150.0)
>>> round(circuit.final_c(12_000.0, 30.0), 1), round(circuit.time_constant_s() / 60.0, 1)
(84.5, 18.8)
"""

import math
from dataclasses import dataclass

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
