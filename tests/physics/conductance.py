"""A second model of breakers at work, of other equations than `breaker`: the hammer as a flow conductance that goes
with the phase of its cycle, behind a hose with inertia, fed by one of three kinds of pump.

    C_pump dp/dt     = pump(p, engine) - flow - relief(p)
    I dflow/dt       = p - p_hammer - loss · flow |flow|
    C_hammer dp_h/dt = flow - G · shape(phase) · sqrt(p_h - p_return)
    dphase/dt        = consumed flow / volume of a cycle

Struck blank, the conductance is larger and so is the volume of a cycle; a venting design stops cycling. All figures
are invented. Pressures in bar, volumes in l, flows in l/s: it needs no SI to be consistent.
"""

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.signal import lfilter

from tests.physics.breaker import CONTROL_S, GRID_S, Floats, Run
from tests.physics.population import Rig, Sensor
from tests.physics.work import Spell, Truth

STEPS = 4
"""Steps of the integration in each GRID_S."""
FIXED, POWER, SENSING = 0.0, 1.0, 2.0
"""Pump of fixed displacement; regulated to a power; load-sensing, whose flow does not go with engine speed."""


@njit(cache=True, fastmath=True)
def _simulate(
    figures: Floats,
    active: NDArray[np.uint8],
    engine: Floats,
    opening: Floats,
    cycle: Floats,
    cycling: NDArray[np.uint8],
    shared: Floats,
    pressure: Floats,
    blow_s: NDArray[np.float64],
    blow_blank: NDArray[np.bool_],
) -> int:
    (kind, flow_rated, power, leak, c_pump, inertia, loss, c_hammer, charge, swing, sharp, relief, back,
     standby, ramp_s, decay_s) = figures  # fmt: skip
    per_control = round(CONTROL_S / GRID_S)
    dt = GRID_S / STEPS
    p = p_h = standby
    flow, phase, opened = 0.0, 0.3, 0.0
    blows = 0
    for g in range(pressure.size):
        c = g // per_control
        if not active[c]:
            p = standby + (p - standby) * np.exp(-GRID_S / decay_s)
            p_h, flow, opened = p, 0.0, 0.0
            pressure[g] = p
            continue
        total = 0.0
        for _ in range(STEPS):
            opened += dt / ramp_s * (1.0 - opened)
            offered = flow_rated * engine[c]
            if kind == POWER:
                offered = min(offered, power * engine[c] / max(p, 20.0))
            elif kind == SENSING:
                offered = flow_rated * min(1.0, 1.25 * engine[c])
            offered *= opened * (1.0 - shared[c])
            over = max(0.0, p - relief) * 0.06
            p += dt * (offered - leak * p - flow - over) / c_pump
            flow += dt * (p - p_h - loss * flow * abs(flow)) / inertia
            demand = 1.0
            if cycling[c]:
                # a slow lift and a short strike, between which the demand swings
                demand = 1.0 + swing * np.tanh(sharp * np.sin(6.2831853 * phase - 1.0)) / np.tanh(sharp)
            used = opening[c] * demand * np.sqrt(max(0.0, p_h - back))
            stores = c_hammer
            if p_h > charge:
                stores += c_hammer * 6.0 * (charge / p_h) ** 1.7
            p_h = max(1.0, p_h + dt * (flow - used) / stores)
            if cycling[c]:
                phase += dt * used / cycle[c]
                if phase >= 1.0:
                    phase -= 1.0
                    if blows < blow_s.size:
                        blow_s[blows] = g * GRID_S
                        blow_blank[blows] = cycling[c] == 2
                        blows += 1
            total += p
        pressure[g] = total / STEPS
    return blows


def _steady(figures: Floats, opening: float, cycle: float, cycling: int) -> float:
    """Mean pressure of even work at rated speed, bar."""
    n = 300
    even = [np.full(n, value, np.float32) for value in (1.0, opening, cycle, 0.0)]
    pressure = np.empty(n * round(CONTROL_S / GRID_S), np.float32)
    blow_s, blow_blank = np.empty(0), np.empty(0, np.bool_)
    pressed, cycles = np.ones(n, np.uint8), np.full(n, cycling, np.uint8)
    _simulate(figures, pressed, even[0], even[1], even[2], cycles, even[3], pressure, blow_s, blow_blank)
    return float(pressure[pressure.size // 2 :].mean())


def _opening(figures: Floats, wanted: float, first: float, cycle: float, cycling: int) -> float:
    """The conductance that works at a wanted pressure: by bisection, for pressure falls with it."""
    low, high = 0.3 * first, 8.0 * first
    for _ in range(14):
        middle = float(np.sqrt(low * high))
        if _steady(figures, middle, cycle, cycling) > wanted:
            low = middle
        else:
            high = middle
    return float(np.sqrt(low * high))


def _bouts(rng: np.random.Generator, minutes: float) -> list[tuple[float, float]]:
    """Series of bouts at one place, of one of three habits: short taps, even work, long drives; walks between."""
    habit = rng.choice(3, p=[0.25, 0.5, 0.25])
    middle = (2.5, 7.0, 15.0)[habit] * rng.uniform(0.8, 1.25)
    bouts = []
    now = rng.uniform(2, 20)
    while True:
        for _ in range(int(rng.geometric(0.12))):
            length = round(float(np.clip(rng.lognormal(np.log(middle), 0.55), 0.6, 60)), 2)
            if now + length > 60 * minutes - 2:
                return bouts
            bouts.append((round(now, 2), round(now + length, 2)))
            now += length + float(np.clip(rng.lognormal(np.log(4.0), 0.7), 0.5, 60))
        now += float(rng.uniform(15, 150))


def _spells(rng: np.random.Generator, bouts: list[tuple[float, float]]) -> list[Spell]:
    """Habits: sets the tool late, stays on when through, slips; each with its own rate, 0.2 to 10 s long."""
    late, through, slips, whole = rng.gamma(0.8, 1.0, 4) * (0.06, 0.15, 0.04, 0.02)
    spells = []
    for start, end in bouts:
        lasted = end - start
        if rng.random() < whole and lasted < 6.0:
            spells.append(Spell(start, end, "whole"))
            continue
        begin, finish = start, end
        if rng.random() < late:
            begin = round(start + min(0.6 * lasted, rng.exponential(1.5) + 0.25), 2)
            spells.append(Spell(start, begin, "start"))
        if rng.random() < through:
            finish = round(end - min(0.4 * lasted, rng.exponential(1.8) + 0.25), 2)
        for at in np.sort(
            rng.uniform(begin + 1.0, max(begin + 1.0, finish - 1.0), rng.poisson(slips * lasted / 6.0))
        ):
            length = min(rng.exponential(1.4) + 0.3, 10.0)
            if at > begin + 0.8 and at + length < finish - 0.8:
                spells.append(Spell(round(at, 2), round(at + length, 2), "middle"))
                begin = at + length
        if finish < end:
            spells.append(Spell(finish, end, "end"))
    return spells


def _engine(rng: np.random.Generator, active: NDArray[np.uint8], throttle_change: bool) -> Floats:
    """Share of rated speed: a lever, an idle that the engine leaves when the pedal is pressed, a governor that lags."""
    n = active.size
    lever = np.full(n, 1.0)
    if throttle_change:
        at = rng.uniform(0.12, 0.5) * n
        while at < n:
            until = min(n, at + rng.uniform(0.05, 0.3) * n)
            lever[int(at) : int(until)] = rng.uniform(0.72, 0.92)
            at = until + rng.uniform(0.05, 0.4) * n
    idles = rng.random() < 0.3
    wait = round(rng.uniform(4, 8) / CONTROL_S)
    if idles:
        since = np.full(n, n)
        last = -n
        for k in np.flatnonzero(np.diff(np.concatenate([[0], active])) != 0):
            since[last if last > 0 else 0 : k] = np.arange(k - max(last, 0))
            last = k
        lever = np.where((active == 0) & (since > wait) & (since < n), np.minimum(lever, 0.6), lever)
    droop = 0.02 * rng.uniform(0, 1) * active
    sought = lever - droop + 0.002 * np.cumsum(rng.normal(0, 0.01, n))
    return _lagged(sought, rng.uniform(0.1, 0.45)).astype(np.float32)


def _lagged(x: NDArray[np.float64], tau_s: float) -> NDArray[np.float64]:
    keep = float(np.exp(-CONTROL_S / tau_s))
    y, _ = lfilter([1 - keep], [1, -keep], x, zi=[keep * x[0]])
    return np.asarray(y)


def _ground(rng: np.random.Generator, bouts: list[tuple[float, float]], n: int) -> NDArray[np.float64]:
    """How the ground moves the conductance, as a factor: by boulder, by layer inside a bout, and a slow wander."""
    out = np.ones(n)
    spread, layer = rng.uniform(0.01, 0.045), rng.uniform(0.0, 0.05)
    boulder = 0.0
    for start, end in bouts:
        if rng.random() < 0.3:
            boulder = rng.normal(0, spread)
        a, z = round(start / CONTROL_S), round(end / CONTROL_S)
        here = np.full(z - a, boulder + rng.normal(0, 0.3 * spread))
        if rng.random() < layer * (end - start) / 5.0 and z - a > 300:
            k = int(rng.integers(100, z - a - 100))
            here[k:] += rng.normal(0, 0.04)
        here += np.cumsum(rng.normal(0, 0.0006, z - a))
        out[a:z] = np.exp(np.clip(here, -0.15, 0.15))
    return out


def shift(seed: int, minutes: float = 60.0, *, throttle_change: bool = False) -> Truth:
    """The shift of this seed in this model."""
    rng = np.random.default_rng([seed, 11])
    pressure, rate_hz = rng.uniform(95, 185), float(np.exp(rng.uniform(np.log(5.0), np.log(20.0))))
    flow = 2.2 * (8.0 / rate_hz) ** 0.8 * rng.uniform(0.6, 1.6)
    back = rng.uniform(2, 10)
    kind = float(rng.choice([FIXED, POWER, SENSING], p=[0.5, 0.25, 0.25]))
    loss = rng.uniform(2, 14) / flow**2
    opening = flow / np.sqrt(pressure - back)
    vents = rng.random() < 0.15
    fall = rng.uniform(0.7, 0.9) if vents else rng.uniform(0.2, 0.6)
    slower = rng.uniform(0.02, 0.45)
    ramp_s, decay_s = float(np.exp(rng.uniform(np.log(0.05), np.log(0.5)))), rng.uniform(0.05, 0.6)
    per_cycle = flow / rate_hz
    figures = np.array(
        [
            kind,
            flow,
            flow * pressure * rng.uniform(0.9, 1.3),
            flow * rng.uniform(0.01, 0.05) / pressure,
            per_cycle * rng.uniform(0.002, 0.012),
            pressure / flow / rate_hz * rng.uniform(0.004, 0.02),
            loss,
            per_cycle * rng.uniform(0.002, 0.008),
            pressure * rng.uniform(0.3, 0.6),
            rng.uniform(0.3, 0.85),
            rng.uniform(0.5, 3.0),
            pressure * rng.uniform(1.25, 1.6),
            back,
            rng.uniform(5, 35),
            ramp_s,
            decay_s,
        ],
        np.float32,
    )
    opening = _opening(figures, pressure, opening, per_cycle, 1)
    blank_opening = _opening(
        figures, pressure * (1 - fall), opening, per_cycle * (1 + slower), 0 if vents else 2
    )
    n = round(minutes * 60 / CONTROL_S)
    bouts = _bouts(rng, minutes)
    spells = _spells(rng, bouts)
    active, cycling = np.zeros(n, np.uint8), np.ones(n, np.uint8)
    for start, end in bouts:
        active[round(start / CONTROL_S) : round(end / CONTROL_S)] = 1
    engine = _engine(rng, active, throttle_change)
    hang = np.zeros(n)
    for spell in spells:
        a, z = round(spell.start_s / CONTROL_S), round(spell.end_s / CONTROL_S)
        hang[a:z] = rng.uniform(0.75, 1.0)
        if spell.place in ("middle", "end"):  # the tool slides out
            reach = min(z - a, round(rng.uniform(0.02, 0.3) / CONTROL_S))
            hang[a : a + reach] *= np.linspace(0.1, 1.0, reach)
        if rng.random() < 0.2 and z - a > 120:  # and touches now and then
            k = int(rng.integers(a + 40, z - 40))
            hang[k : k + int(rng.integers(5, 20))] = 0.0
        cycling[a:z] = 0 if vents else 2
    # flow that another movement of the machine takes
    shared = np.zeros(n)
    takes = rng.uniform(0, 0.02)
    for start, end in bouts:
        for at in rng.uniform(start, end, rng.poisson(takes * (end - start))):
            a = round(at / CONTROL_S)
            shared[a : a + round(rng.uniform(0.2, 1.2) / CONTROL_S)] = rng.uniform(0.02, 0.08)
    at = np.arange(n) * CONTROL_S
    oil = 45 + rng.uniform(-10, 10) + rng.uniform(5, 30) * (1 - np.exp(-at / rng.uniform(600, 2400)))
    drift = 1 + rng.uniform(-0.04, 0.06) * (1 - np.exp(-at / rng.uniform(600, 2400)))
    wide = (blank_opening / opening) ** hang
    ground = _ground(rng, bouts, n)
    openings = opening * drift * ground * wide
    cycles = per_cycle * ground * (1 + slower * hang) * np.exp(rng.normal(0, 0.02, n))
    pressures = np.empty(n * round(CONTROL_S / GRID_S), np.float32)
    most = round(minutes * 60 * 40) + 40
    blow_s, blow_blank = np.empty(most), np.empty(most, np.bool_)
    count = _simulate(
        figures,
        active,
        engine,
        openings.astype(np.float32),
        cycles.astype(np.float32),
        cycling,
        shared.astype(np.float32),
        pressures,
        blow_s,
        blow_blank,
    )
    sensor = Sensor(
        offset_bar=rng.uniform(-3, 3),
        noise_bar=float(np.exp(rng.uniform(np.log(0.2), np.log(2.0)))),
        resolution_bar=float(rng.choice([0.05, 0.25, 1.0])),
        lag_s=rng.uniform(0.001, 0.01),
    )
    rig = Rig(
        rated_rpm=float(rng.choice([1650, 1750, 1850, 2100])),
        sensor=sensor,
        loaded_bar=float(pressure),
        blank_bar=float(pressure * (1 - fall)),
        blows_per_min=60 * rate_hz,
    )
    run = Run(pressures, blow_s[:count].copy(), blow_blank[:count].copy(), np.full(count, np.nan))
    return Truth(
        seed, rig, bouts, spells, active, engine * np.float32(rig.rated_rpm), oil.astype(np.float32), run
    )
