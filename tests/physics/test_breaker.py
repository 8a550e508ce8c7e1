"""The breaker model obeys its own balances, and its population moves as CHECKS (Blow rate, Physics) says breakers do.

The figures there were computed with a lumped model; no published waveform was found. So these tests hold
medians over random hammers to a range around them.
"""

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.physics.breaker import BAR, GRID_S, Breaker, Run, run, steady
from tests.physics.population import REFERENCE_REBOUND, Hammer, hammer

HAMMERS = 10


@pytest.fixture(scope="module")
def hammers() -> list[Hammer]:
    """The first hammers of the population."""
    return [hammer(seed) for seed in range(HAMMERS)]


def fire(
    b: Breaker, seconds: float, *, rebound: float = 0.0, hang: float = 0.0, step_s: float = 40e-6
) -> Run:
    """Even work with the pedal pressed."""
    n = round(seconds * 100)
    controls = [np.full(n, value, np.float32) for value in (1.0, rebound, hang, 1.0)]
    return run(b, np.ones(n, np.uint8), *controls, step_s=step_s)


def pinned(b: Breaker) -> Breaker:
    """The same, with a piston too heavy to move, all of the flow at once, and no loss in the hose."""
    return b._replace(piston_kg=1e9, ramp_s=1e-9, hose_loss=0.0)


def test_relief_flow_and_leakage_equal_the_flow_of_the_pump(hammers: list[Hammer]) -> None:
    """With the piston pinned, pressure settles where relief and leak take the whole flow (linear, by hand)."""
    for h in hammers:
        b = h.breaker
        slope = b.flow_m3_s / (0.1 * b.relief_pa)
        settles = (b.flow_m3_s + slope * b.relief_pa) / (slope + b.leak_m3_s_pa)
        assert fire(pinned(b), 20).pressure_bar[-1] == pytest.approx(settles / BAR, rel=1e-3)


def test_accumulator_fills_as_a_polytropic_gas(hammers: list[Hammer]) -> None:
    """Oil taken up to a pressure is V·(1 - (charge/p)^(3/4)) beside what the line holds (p·V^(4/3) constant)."""
    for h in hammers:
        b = pinned(h.breaker)._replace(leak_m3_s_pa=0.0, standby_pa=2 * BAR, relief_pa=1e9, flow_m3_s=2e-4)
        after_s = 0.9 * b.accumulator_m3 * (1 - 0.5**0.75) / b.flow_m3_s
        p = float(fire(b, round(after_s, 2)).pressure_bar[-1]) * BAR
        taken = (
            b.accumulator_m3 * max(0.0, 1 - (b.charge_pa / p) ** 0.75)
            + b.line_m3 * (p - b.standby_pa) / b.bulk_pa
        )
        assert taken == pytest.approx(b.flow_m3_s * round(after_s, 2), rel=0.01)


def test_piston_uses_the_flow_that_does_not_leak(hammers: list[Hammer]) -> None:
    """Without rebound a cycle takes upper area times stroke: that stroke lies between port and stop."""
    for h in hammers:
        b = h.breaker
        now = steady(b, rebound=0.0)
        inside = now.pressure_bar * BAR - b.hose_loss * b.flow_m3_s**2
        stroke = (b.flow_m3_s - b.leak_m3_s_pa * inside) / (b.upper_m2 * now.blows_per_min / 60)
        assert b.up_port_m < stroke < b.top_m


def test_blows_take_less_than_the_pump_gives(hammers: list[Hammer]) -> None:
    """Work of the blows is 35 to 95 % of hydraulic power, struck at 3 to 12 m/s (10 is usual,
    from memory).
    """
    for h in hammers:
        b = h.breaker
        out = fire(b, 5)
        late = out.blow_s > 3.0
        blow_w = 0.5 * b.piston_kg * float(np.sum(out.blow_m_s[late] ** 2)) / 2.0
        pump_w = float(out.pressure_bar[3000:].mean()) * BAR * b.flow_m3_s
        assert 0.35 < blow_w / pump_w < 0.95
        assert 3 < np.median(out.blow_m_s[late]) < 12


def test_half_the_time_step_gives_the_same_result(hammers: list[Hammer]) -> None:
    """Pressure within 2 % and rate within 1 % at half the step."""
    for h in hammers:
        coarse, fine = fire(h.breaker, 4), fire(h.breaker, 4, step_s=20e-6)
        assert coarse.pressure_bar[2000:].mean() == pytest.approx(fine.pressure_bar[2000:].mean(), rel=0.02)
        assert np.diff(coarse.blow_s[-12:]).mean() == pytest.approx(
            np.diff(fine.blow_s[-12:]).mean(), rel=0.01
        )


def test_pressure_pulses_at_the_rate_of_the_blows(hammers: list[Hammer]) -> None:
    """The strongest line of the spectrum, or half of it, is the rate counted from blows."""
    for h in hammers:
        out = fire(h.breaker, 12, rebound=REFERENCE_REBOUND)
        tail = out.pressure_bar[4000:].astype(float)
        power = np.abs(np.fft.rfft((tail - tail.mean()) * np.hanning(tail.size)))
        peak = np.fft.rfftfreq(tail.size, GRID_S)[power.argmax()]
        rate = 1 / np.diff(out.blow_s[out.blow_s > 4]).mean()
        assert min(abs(peak / rate - 1), abs(peak / rate - 2)) < 0.03


def test_population_spans_breakers(hammers: list[Hammer]) -> None:
    """300 to 1500 blows/min at 100 to 180 bar."""
    for h in hammers:
        assert 300 < h.blows_per_min < 1500
        assert 95 < h.loaded_bar < 185


def test_struck_blank_pressure_and_rate_fall(hammers: list[Hammer]) -> None:
    """By 20 to 60 % in pressure, and more slowly; designs that vent stop pulsing and stay low."""
    assert {h.breaker.vents for h in hammers} == {True, False}
    for h in hammers:
        blank = steady(h.breaker, rebound=0.0, hang=1.0)
        if h.breaker.vents:
            assert (blank.blows_per_min, blank.spread_bar < 1) == (0, True)
            assert blank.pressure_bar < 0.5 * h.loaded_bar
        else:
            assert 0.18 < 1 - blank.pressure_bar / h.loaded_bar < 0.62
            assert blank.blows_per_min < 0.95 * h.blows_per_min


def change(h: Hammer, **work: float) -> NDArray[np.float64]:
    """Relative change of pressure and rate against reference work."""
    before, after = (
        steady(h.breaker, rebound=REFERENCE_REBOUND),
        steady(h.breaker, **{"rebound": 0.15, **work}),
    )
    return np.array(
        [after.pressure_bar / before.pressure_bar - 1, after.blows_per_min / before.blows_per_min - 1]
    )


def test_a_throttled_pump_lowers_pressure_and_rate(hammers: list[Hammer]) -> None:
    """18 % less flow: about -26 % pressure and -11 % rate."""
    pressure, rate = np.median([change(h, speed=0.82) for h in hammers], axis=0)
    assert -0.31 < pressure < -0.20
    assert -0.15 < rate < -0.08


def test_hard_rock_lowers_pressure_and_raises_the_rate(hammers: list[Hammer]) -> None:
    """From soft to hard: about -10 % pressure and +15 % rate."""
    moved = np.array([change(h, rebound=0.3) - change(h, rebound=0.0) for h in hammers])
    pressure, rate = np.median(moved, axis=0)
    assert -0.20 < pressure < -0.04
    assert 0.09 < rate < 0.20


def test_warm_oil_lowers_pressure(hammers: list[Hammer]) -> None:
    """Twice the leakage: less pressure and a lower rate."""
    for h in hammers:
        assert np.all(change(h, leak=2.0) < 0)


def test_lower_charge_widens_the_pulses(hammers: list[Hammer]) -> None:
    """With a quarter of its charge pulses are about 39/16 as wide, at unchanged flow."""
    wider = []
    for h in hammers:
        weak = h.breaker._replace(charge_pa=0.25 * h.breaker.charge_pa)
        wider.append(steady(weak).spread_bar / steady(h.breaker).spread_bar)
    assert min(wider) > 1.4
    assert 1.8 < np.median(wider) < 3.2


def test_pressure_rises_at_the_start_and_decays_to_standby(hammers: list[Hammer]) -> None:
    """Neither is the level of work: the first tenth of a second lies below it, and so does what comes after release."""
    for h in hammers:
        n = 800
        active = np.zeros(n, np.uint8)
        active[100:500] = 1
        even = [np.full(n, value, np.float32) for value in (1.0, REFERENCE_REBOUND, 0.0, 1.0)]
        bar = run(h.breaker, active, *even).pressure_bar
        assert bar[1000:1100].max() < 0.8 * h.loaded_bar
        assert bar[-1] == pytest.approx(h.breaker.standby_pa / BAR, abs=2)
