"""A hydraulic breaker as a lumped model: piston, valve, gas spring, accumulator, pump, relief, tool.

SI units throughout (m, kg, s, Pa, m³/s). The equations are textbook fluid power (continuity of a compliant
volume, Newton for the piston, polytropic gas; from memory, e.g. Merritt, Hydraulic Control Systems, 1967);
the way the breaker is cut into parts (lower area always at supply pressure, upper area switched between
return and supply by a valve that follows the piston) is common practice. The figures of a particular breaker
are invented and come from `population`.

Position x is 0 where the piston meets a tool that is pressed home, and positive upwards. Struck blank, the
tool hangs below: the piston runs on to x = -drop, into a hydraulic cushion, and does not rebound.
"""

from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

STEP_S = 40e-6
GRID_S = 1e-3
CONTROL_S = 0.01
BAR = 1e5
GRAVITY = 9.80665
SLOWEST_BLOW_M_S = 0.8

Floats = NDArray[np.float32]


class Breaker(NamedTuple):
    """One breaker, its pump and its line. Areas in m², volumes in m³, pressures in Pa, flows in m³/s."""

    piston_kg: float
    lower_m2: float  # always at supply pressure: lifts
    upper_m2: float  # at return pressure on the way up, at supply pressure on the way down
    gas_m2: float
    gas_pa: float  # gas spring with the piston at x = 0
    gas_m3: float
    up_port_m: float  # the valve is told to drive down once x passes this
    low_port_m: float  # and to lift once x is below this
    up_delay_s: float
    low_delay_s: float
    top_m: float  # the piston's upper stop
    friction_n: float
    charge_pa: float  # accumulator precharge
    accumulator_m3: float
    line_m3: float
    bulk_pa: float
    flow_m3_s: float  # pump at rated engine speed
    leak_m3_s_pa: float  # at the reference viscosity
    relief_pa: float
    return_pa: float
    port_loss: float  # of the way into the upper chamber, Pa per (m³/s)²
    return_loss: float  # of the way out of it, Pa per (m³/s)²
    hose_loss: float  # from the gauge, at the pump's end of the line, to the hammer, Pa per (m³/s)²
    standby_pa: float
    ramp_s: float  # of the flow, once the pedal is pressed
    decay_s: float  # of the line's pressure, once it is let go
    drop_m: float  # how far the tool hangs when it is not loaded
    bypass: float  # supply to return that a hanging tool opens, m³/s per sqrt(Pa)
    vents: (
        bool  # opened by the piston below -drop/2 instead, and wide, the lower chamber with it: it stays down
    )


class Run(NamedTuple):
    """What happened: supply pressure averaged over each millisecond, bar; the blows."""

    pressure_bar: Floats
    blow_s: NDArray[np.float64]
    blow_blank: NDArray[np.bool_]
    blow_m_s: NDArray[np.float64]  # speed of the piston as it strikes


@njit(cache=True, fastmath=True)
def _compliance(p: float, b: Breaker) -> float:
    """Volume per pressure (m³/Pa) of the line and, above its charge, the accumulator; polytropic exponent 4/3
    (from memory).
    """
    c = b.line_m3 / b.bulk_pa
    if p > b.charge_pa:
        ratio = b.charge_pa / p
        c += 0.75 * b.accumulator_m3 / p * np.sqrt(ratio) * np.sqrt(np.sqrt(ratio))
    return c


@njit(cache=True, fastmath=True)
def simulate(
    b: Breaker,
    active: NDArray[np.uint8],
    speed: Floats,
    rebound: Floats,
    hang: Floats,
    leak: Floats,
    pressure_bar: Floats,
    blow_s: NDArray[np.float64],
    blow_blank: NDArray[np.bool_],
    blow_m_s: NDArray[np.float64],
    per_grid: int,
) -> int:
    """Run the breaker along its controls, one of each every CONTROL_S; returns the number of blows.

    `active` pedal pressed; `speed` engine speed over rated; `rebound` share of the impact speed that comes
    back; `hang` how far the tool hangs, as a share of drop_m (0 = loaded); `leak` leakage relative to the
    reference.
    `pressure_bar` (every GRID_S) and the blows are filled in. `per_grid` steps are made in each GRID_S.
    """
    per_control = round(CONTROL_S / GRID_S)
    dt = GRID_S / per_grid
    x, v, p = 0.0, 0.0, b.standby_pa
    driving, pending, opened, struck = False, 0.0, 0.0, False
    blows = 0
    for g in range(pressure_bar.size):
        c = g // per_control
        if not active[c]:
            p = b.standby_pa + (p - b.standby_pa) * np.exp(-GRID_S / b.decay_s)
            x, v, driving, pending, opened = -hang[c] * b.drop_m, 0.0, False, 0.0, 0.0
            pressure_bar[g] = p / BAR
            continue
        total = 0.0
        pumped = b.flow_m3_s * speed[c]
        plane = -hang[c] * b.drop_m
        for k in range(per_grid):
            opened = min(1.0, opened + dt / b.ramp_s)
            ratio = b.gas_m3 / (b.gas_m3 - b.gas_m2 * x)
            gas = b.gas_pa * ratio * np.sqrt(np.sqrt(ratio))  # polytropic exponent 1.25
            turbulent = b.upper_m2 * v * abs(b.upper_m2 * v)
            upper = p + b.port_loss * turbulent if driving else b.return_pa + b.return_loss * turbulent
            below = x < -0.5 * b.drop_m and plane < -1e-3
            lower = b.return_pa if b.vents and below else p
            force = lower * b.lower_m2 - upper * b.upper_m2 - gas * b.gas_m2 - b.piston_kg * GRAVITY
            if v > 0.0:
                force -= b.friction_n
            elif v < 0.0:
                force += b.friction_n
            if x < 0.0 and v < 0.0 and plane < -1e-3:  # cushion: stronger the nearer to the stop
                depth = min(1.0, x / plane)
                force += b.piston_kg * v * v * 3.0 * depth / -plane
            v += force / b.piston_kg * dt
            was, x = x, x + v * dt
            strikes = was > 0.0 >= x if plane < -1e-3 else x <= plane
            if strikes and v < -SLOWEST_BLOW_M_S and not struck and blows < blow_s.size:
                struck = True  # once a cycle: small rebounds are no blows
                blow_s[blows] = g * GRID_S + (k + 1) * dt
                blow_blank[blows] = plane < -1e-3
                blow_m_s[blows] = -v
                blows += 1
            if x <= plane:
                x = plane
                v = -rebound[c] * v if v < 0.0 and plane > -1e-3 else 0.0
            elif x >= b.top_m:
                x, v = b.top_m, min(v, 0.0)
            # the valve, told by the piston's ports, follows after a delay
            if driving:
                if x < b.low_port_m or pending > 0.0:
                    pending += dt
                    if pending >= b.low_delay_s:
                        driving, pending = False, 0.0
            elif x > b.up_port_m or pending > 0.0:
                pending += dt
                if pending >= b.up_delay_s:
                    driving, pending, struck = True, 0.0, False
            used = (b.lower_m2 - b.upper_m2) * v if driving else b.lower_m2 * v
            flow = pumped * opened - b.leak_m3_s_pa * leak[c] * p - used
            if p > b.relief_pa:
                flow -= (p - b.relief_pa) / (0.1 * b.relief_pa) * b.flow_m3_s
            if (below or not b.vents) and p > b.return_pa:
                flow -= hang[c] * b.bypass * np.sqrt(p - b.return_pa)
            p = max(BAR, p + flow * dt / _compliance(p, b))
            total += p
        pressure_bar[g] = (total / per_grid + b.hose_loss * (pumped * opened) ** 2) / BAR
    return blows


def run(
    b: Breaker,
    active: NDArray[np.uint8],
    speed: Floats,
    rebound: Floats,
    hang: Floats,
    leak: Floats,
    *,
    step_s: float = STEP_S,
) -> Run:
    """`simulate` with its outputs allocated: arrays of one length, one entry every CONTROL_S."""
    seconds = active.size * CONTROL_S
    pressure = np.empty(round(seconds / GRID_S), np.float32)
    most = int(seconds * 40) + 40
    blow_s, blow_blank, blow_m_s = np.empty(most), np.empty(most, np.bool_), np.empty(most)
    per_grid = round(GRID_S / step_s)
    n = simulate(b, active, speed, rebound, hang, leak, pressure, blow_s, blow_blank, blow_m_s, per_grid)
    return Run(pressure, blow_s[:n].copy(), blow_blank[:n].copy(), blow_m_s[:n].copy())


class Steady(NamedTuple):
    """A breaker working evenly: mean pressure (bar), spread of the pulses (5th to 95th percentile, bar),
    blows per minute.
    """

    pressure_bar: float
    spread_bar: float
    blows_per_min: float


def steady(
    b: Breaker,
    *,
    speed: float = 1.0,
    rebound: float = 0.15,
    hang: float = 0.0,
    leak: float = 1.0,
    seconds: float = 5.0,
) -> Steady:
    """Fire `seconds`, look at the last half."""
    n = round(seconds / CONTROL_S)
    even = [np.full(n, value, np.float32) for value in (speed, rebound, hang, leak)]
    out = run(b, np.ones(n, np.uint8), *even)
    tail = out.pressure_bar[out.pressure_bar.size // 2 :]
    low, high = np.percentile(tail, [5, 95])
    late = out.blow_s[out.blow_s > seconds / 2]
    rate = 60.0 * (late.size - 1) / (late[-1] - late[0]) if late.size > 2 else 0.0
    return Steady(float(tail.mean()), float(high - low), float(rate))
