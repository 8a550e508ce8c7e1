"""Random operators at work: bouts, rock, throttle, oil, and blank spells with their labels. All distributions
are invented.
"""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from tests.physics.breaker import CONTROL_S, Floats, Run, run
from tests.physics.population import Rig, hammer

Doubles = NDArray[np.float64]


class Spell(NamedTuple):
    """Blank from `start_s` to `end_s`; `place` is start, middle, end or whole (of the bout)."""

    start_s: float
    end_s: float
    place: str


@dataclass(frozen=True)
class Truth:
    """A shift as it was. Seconds count from its start. Controls come every CONTROL_S, pressure every GRID_S."""

    seed: int
    hammer: Rig
    bouts: list[tuple[float, float]]
    spells: list[Spell]
    active: NDArray[np.uint8]
    engine_rpm: Floats
    oil_c: Floats
    run: Run

    @property
    def firing_s(self) -> float:
        """Seconds of firing."""
        return float(sum(end - start for start, end in self.bouts))


def _viscosity_mm2_s(oil_c: Floats) -> Doubles:
    """Kinematic viscosity of an ISO VG 46 oil of VI 100 (ASTM D341, from memory: A 9.455829, B 3.699602)."""
    lines = 9.455829 - 3.699602 * np.log10(oil_c.astype(float) + 273.15)
    return np.asarray(10 ** (10**lines) - 0.7)


def draw_bouts(rng: np.random.Generator, minutes: float) -> list[tuple[float, float]]:
    """Firing from 1 to 25 s with pauses of 1 to 30 s, now and then minutes; the pedal moves in steps of
    CONTROL_S.
    """
    bouts: list[tuple[float, float]] = []
    now = float(rng.uniform(5, 30))
    long_s, pause_s = rng.uniform(4, 11), rng.uniform(3, 9)
    while True:
        length = float(np.clip(rng.gamma(2.0, long_s / 2), 1, 25))
        if now + length > minutes * 60 - 2:
            return bouts
        bouts.append((round(now, 2), round(now + length, 2)))
        if rng.random() < 0.03:
            now += length + float(rng.uniform(30, 200))
        else:
            now += length + float(np.clip(rng.exponential(pause_s), 1, 30))


def draw_spells(rng: np.random.Generator, bouts: list[tuple[float, float]]) -> list[Spell]:
    """Blank spells of 0.2 to 8 s; one operator in four does it often."""
    often = rng.uniform(0.25, 0.5) if rng.random() < 0.25 else rng.uniform(0.03, 0.15)
    spells = []
    for start, end in bouts:
        if rng.random() >= often:
            continue
        place = str(rng.choice(["start", "middle", "end", "whole"], p=[0.25, 0.25, 0.4, 0.1]))
        length = float(np.clip(rng.lognormal(np.log(1.3), 0.8), 0.2, 8.0))
        if place == "end":
            length = float(np.clip(rng.lognormal(np.log(1.2), 0.7), 0.3, 4.0))
        if place == "whole" and end - start <= 8.0:
            spells.append(Spell(start, end, "whole"))
            continue
        length = round(min(length, 0.8 * (end - start)), 2)
        if place == "start":
            spells.append(Spell(start, round(start + length, 2), "start"))
        elif place == "middle" and end - start > length + 2.0:
            at = round(float(rng.uniform(start + 1.0, end - length - 1.0)), 2)
            spells.append(Spell(at, round(at + length, 2), "middle"))
        else:
            spells.append(Spell(round(end - length, 2), end, "end"))
    return spells


def _speed(
    rng: np.random.Generator, bouts: list[tuple[float, float]], n: int, minutes: float, throttle_change: bool
) -> Floats:
    """Engine speed over rated: set per bout with some jitter, droop and hunting; with `throttle_change`
    lasting steps down and back.
    """
    at = np.arange(n) * CONTROL_S
    lever = np.ones(n)
    if throttle_change:
        for _ in range(max(1, round(minutes / 60 * rng.uniform(1, 2.5)))):
            start = rng.uniform(0.15, 0.75) * minutes * 60
            end = start + rng.uniform(0.1, 0.35) * minutes * 60
            lever[(at >= start) & (at < end)] = 1 - rng.uniform(0.10, 0.25)
    jitter = rng.uniform(0.002, 0.015)
    offset, droop = np.zeros(n), np.zeros(n)
    for start, end in bouts:
        a, z = round(start / CONTROL_S), round(end / CONTROL_S)
        offset[a:] = rng.normal(0, jitter)
        droop[a:z] = rng.uniform(0.0, 0.015) * (1 - np.exp(-(at[a:z] - start) / 0.4))
    hunting = 0.003 * np.sin(2 * np.pi * at * rng.uniform(0.2, 0.8))
    return np.asarray(lever + offset - droop + hunting, np.float32)


def _rebound(rng: np.random.Generator, bouts: list[tuple[float, float]], n: int) -> Floats:
    """Rebound coefficient 0 (soft) to 0.32 (hard): a level for the site, one per boulder, wandering within a
    bout, and by blow.
    """
    site, level = rng.uniform(0.06, 0.24), 0.0
    out = np.zeros(n)
    left = 0
    for start, end in bouts:
        if left == 0:
            left, level = int(rng.integers(1, 8)), float(np.clip(rng.normal(site, 0.05), 0.0, 0.32))
        left -= 1
        a, z = round(start / CONTROL_S), round(end / CONTROL_S)
        wander = np.cumsum(rng.normal(0, 0.003, z - a)) * np.sqrt(CONTROL_S / 0.1)
        ease = rng.normal(0, 0.03) * np.linspace(0, 1, z - a)
        out[a:z] = level + wander + ease + rng.normal(0, 0.03, z - a)
    return np.asarray(np.clip(out, 0.0, 0.4), np.float32)


def _oil(rng: np.random.Generator, active: NDArray[np.uint8]) -> Floats:
    """Oil warms with firing towards an end temperature, time constant 10 to 25 min (heat balance of first
    order).
    """
    air, end = rng.uniform(0, 30), rng.uniform(55, 80)
    tau = rng.uniform(600, 1500)
    share = np.add.reduceat(active, np.arange(0, active.size, 100)) / 100.0
    oil = np.empty(share.size)
    now = rng.uniform(air + 5, max(air + 6, end - 15))
    typical = max(0.3, float(share.mean()))
    for i, s in enumerate(share):
        now += (air + (end - air) * min(1.4, s / typical) - now) / tau
        oil[i] = now
    return np.asarray(np.interp(np.arange(active.size) / 100.0, np.arange(share.size), oil), np.float32)


def shift(seed: int, minutes: float = 60.0, *, throttle_change: bool = False) -> Truth:
    """The shift of this seed: another seed is another hammer, operator and site. The same seed gives the same
    shift.
    """
    made = hammer(seed)
    rng = np.random.default_rng([seed, 2])
    n = round(minutes * 60 / CONTROL_S)
    bouts = draw_bouts(rng, minutes)
    spells = draw_spells(rng, bouts)
    active, hang = np.zeros(n, np.uint8), np.zeros(n, np.float32)
    for start, end in bouts:
        active[round(start / CONTROL_S) : round(end / CONTROL_S)] = 1
    rebound = _rebound(rng, bouts, n)
    for spell in spells:
        a, z = round(spell.start_s / CONTROL_S), round(spell.end_s / CONTROL_S)
        depth = rng.uniform(0.8, 1.0)
        fallen = np.minimum(1.0, 0.2 + np.arange(z - a) * CONTROL_S / 0.15)  # a tool falls for about 0.15 s
        hang[a:z] = depth * (np.ones(z - a) if spell.place in ("start", "whole") else fallen)
    speed = _speed(rng, bouts, n, minutes, throttle_change)
    oil = _oil(rng, active)
    wear = 1 + rng.uniform(0, 0.1) * np.linspace(0, 1, n)
    leak = np.asarray(
        _viscosity_mm2_s(np.full(1, 55.0, np.float32)) / _viscosity_mm2_s(oil) * wear, np.float32
    )
    out = run(made.breaker, active, speed, rebound, hang, leak)
    return Truth(seed, made, bouts, spells, active, speed * np.float32(made.rated_rpm), oil, out)
