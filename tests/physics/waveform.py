"""A third model of breakers at work, without hydraulics: a level that follows its causes with a lag, times a pulse of
arbitrary shape. Nothing was tuned on it: it gives the final figures.

    level  = rated · engine^a · ground · oil · (1 - fall · hang), followed with other lags up and down
    rate   = rated · engine^b · ground^-c · (1 - slower · hang) · a scatter for each blow
    p      = level · (1 + sum of five harmonics of the phase) + slow noise

All figures are invented.
"""

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.signal import lfilter

from tests.physics.breaker import CONTROL_S, GRID_S, Floats, Run
from tests.physics.population import Rig, Sensor
from tests.physics.work import Spell, Truth

Doubles = NDArray[np.float64]
PER = round(CONTROL_S / GRID_S)


@njit(cache=True)
def _follow(
    target: Doubles, active: NDArray[np.uint8], up: float, down: float, rest: float, decay: float
) -> Doubles:
    """A first-order lag, by the direction of the change; towards `rest` while not active."""
    out = np.empty(target.size)
    level = rest
    for i in range(target.size):
        goal = target[i] if active[i] else rest
        tau = decay if not active[i] else up if goal > level else down
        level += (goal - level) * (1.0 - np.exp(-CONTROL_S / tau))
        out[i] = level
    return out


def _work(rng: np.random.Generator, minutes: float) -> tuple[list[tuple[float, float]], list[Spell]]:
    """Boulders, each broken in a few bouts, the last of which breaks through; a mood that comes and goes."""
    bouts: list[tuple[float, float]] = []
    spells: list[Spell] = []
    now = float(rng.uniform(3, 40))
    usual, between = rng.uniform(3, 12), rng.uniform(2, 7)
    careless = rng.beta(0.8, 4.0)
    while True:
        count = int(rng.integers(1, 7))
        for k in range(count):
            length = float(np.clip(rng.weibull(1.4) * usual, 0.8, 40))
            start, end = round(now, 2), round(now + length, 2)
            if end > 60 * minutes - 2:
                return bouts, spells
            tail = float(rng.weibull(1.1) * 1.6 + 0.2)
            last = k == count - 1
            if rng.random() < careless * (1.0 if last else 0.25) and tail < 0.7 * length:
                spells.append(Spell(round(end - tail, 2), end, "end"))
            elif rng.random() < 0.3 * careless and 0.5 * length > 0.5:
                spells.append(
                    Spell(start, round(start + min(0.5 * length, rng.weibull(1.2) * 1.5 + 0.2), 2), "start")
                )
            elif rng.random() < 0.15 * careless and length > 5:
                at = start + float(rng.uniform(1.5, length - 3.0))
                until = min(end - 1.0, at + rng.weibull(1.2) * 1.5 + 0.3)
                spells.append(Spell(round(at, 2), round(until, 2), "middle"))
            elif rng.random() < 0.05 * careless and length < 8:
                spells.append(Spell(start, end, "whole"))
            bouts.append((start, end))
            now = end + float(np.clip(rng.gamma(1.5, between / 1.5), 0.6, 90))
        now += float(rng.uniform(5, 100))


def _engine(
    rng: np.random.Generator,
    bouts: list[tuple[float, float]],
    active: NDArray[np.uint8],
    throttle_change: bool,
) -> Doubles:
    """Share of rated speed: a dial with a few positions, changed between bouts; droop and hunting of the governor."""
    n = active.size
    dial = np.ones(n)
    if throttle_change:
        positions = np.sort(rng.uniform(0.75, 0.95, 3))
        for start, _ in bouts:
            if rng.random() < 2.5 / len(bouts):
                dial[round(start / CONTROL_S) - 50 :] = rng.choice(positions)
            elif rng.random() < 1.5 / len(bouts):
                dial[round(start / CONTROL_S) - 50 :] = 1.0
        if dial.min() == 1.0:
            dial[n // 3 : 2 * n // 3] = positions[0]
    at = np.arange(n) * CONTROL_S
    hunting = rng.uniform(0, 0.006) * np.sin(2 * np.pi * rng.uniform(0.1, 0.6) * at)
    keep = float(np.exp(-CONTROL_S / rng.uniform(0.2, 0.6)))
    sought = dial * (1 + hunting) - rng.uniform(0, 0.025) * active
    return np.asarray(lfilter([1 - keep], [1, -keep], sought, zi=[keep * sought[0]])[0])


def shift(seed: int, minutes: float = 60.0, *, throttle_change: bool = False) -> Truth:
    """The shift of this seed in this model."""
    rng = np.random.default_rng([seed, 23])
    n = round(minutes * 60 / CONTROL_S)
    at = np.arange(n) * CONTROL_S
    rated, rate_hz = rng.uniform(90, 190), rng.uniform(5.0, 22.0)
    vents = rng.random() < 0.1
    fall = rng.uniform(0.75, 0.92) if vents else rng.uniform(0.2, 0.6)
    bouts, spells = _work(rng, minutes)
    active, hang, ground = np.zeros(n, np.uint8), np.zeros(n), np.ones(n)
    boulder = rng.uniform(0.01, 0.05)
    stone, left = 0.0, 0
    for start, end in bouts:
        a, z = round(start / CONTROL_S), round(end / CONTROL_S)
        active[a:z] = 1
        if left == 0:
            stone, left = float(rng.normal(0, boulder)), int(rng.integers(1, 7))
        left -= 1
        soften = rng.normal(0, 0.6 * boulder) * np.linspace(0, 1, z - a) ** rng.uniform(0.5, 4)
        ground[a:z] = np.exp(np.clip(stone + soften, -0.12, 0.12))
    for spell in spells:
        a, z = round(spell.start_s / CONTROL_S), round(spell.end_s / CONTROL_S)
        hang[a:z] = rng.uniform(0.7, 1.0)
    engine = _engine(rng, bouts, active, throttle_change)
    oil = 70 - rng.uniform(5, 45) * np.exp(-at / rng.uniform(500, 2500))
    thin = np.exp(-rng.uniform(0, 0.12) * (oil - 50) / 50)
    target = rated * engine ** rng.uniform(0.8, 2.0) * ground * thin * (1 - fall * hang)
    up = float(np.exp(rng.uniform(np.log(0.05), np.log(0.6))))
    level = _follow(target, active, up, rng.uniform(0.04, 0.35), rng.uniform(4, 40), rng.uniform(0.05, 0.5))
    rate = rate_hz * engine ** rng.uniform(0.4, 0.8) * ground ** -rng.uniform(0, 1.5) * thin**0.5
    rate *= 1 - rng.uniform(0.05, 0.4) * hang
    beats = active * (hang == 0.0) if vents else active
    jitter = np.repeat(np.exp(rng.normal(0, 0.05, n // 5 + 1)), 5)[:n]
    steps = np.repeat(rate * jitter * beats * CONTROL_S / PER, PER)
    phase = np.cumsum(steps)
    harmonics = np.arange(1, 6)
    height = rng.exponential(1.0, 5) / harmonics
    height *= rng.uniform(0.04, 0.22) / height.sum()
    turn = rng.uniform(0, 2 * np.pi, 5)
    pulse = np.zeros(phase.size)
    for k, h, t in zip(harmonics, height, turn, strict=True):
        pulse += h * np.sin(2 * np.pi * k * phase + t)
    beating = np.repeat(beats.astype(float), PER)
    slow_keep = float(np.exp(-CONTROL_S / rng.uniform(0.3, 3.0)))
    slow = lfilter([np.sqrt(1 - slow_keep**2)], [1, -slow_keep], rng.normal(0, rng.uniform(0.003, 0.02), n))
    fine = np.interp(np.arange(phase.size) / PER, np.arange(n) + 0.5, level * (1 + slow * active))
    pressure: Floats = np.maximum(1.0, fine * (1 + pulse * beating)).astype(np.float32)
    blows = np.flatnonzero(np.diff(np.floor(phase)) > 0)
    rig = Rig(
        rated_rpm=float(rng.choice([1600, 1800, 2000, 2200])),
        sensor=Sensor(
            offset_bar=rng.uniform(-5, 5),
            noise_bar=rng.uniform(0.2, 2.5),
            resolution_bar=float(rng.choice([0.1, 0.5, 1.0])),
            lag_s=rng.uniform(0.001, 0.02),
        ),
        loaded_bar=float(rated),
        blank_bar=float(rated * (1 - fall)),
        blows_per_min=60 * rate_hz,
    )
    run = Run(pressure, blows * GRID_S, hang[blows // PER] > 0.0, np.full(blows.size, np.nan))
    rpm = (engine * rig.rated_rpm).astype(np.float32)
    return Truth(seed, rig, bouts, spells, active, rpm, oil.astype(np.float32), run)
