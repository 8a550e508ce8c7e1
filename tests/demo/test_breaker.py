"""The models of breaker and oil against the ratios and figures of the project's checks, and independent integrators."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp
from scipy.signal import periodogram

from strikewatch.core.batch import Floats
from strikewatch.demo.machine import Breaker, OilCircuit, approach, crossing_s, pulse
from strikewatch.demo.timeline import Timeline


def struck(breaker: Breaker, rate_hz: float, **how: float) -> Floats:
    """20 s of steady supply pressure sampled at `rate_hz`, bar."""
    timeline = Timeline("HB-01", 0, breaker, OilCircuit(), 40.0, lambda _: 20.0)
    timeline.advance(30.0, 1800.0, firing=True, **how)
    seconds = 5.013 + np.arange(0.0, 20.0, 1.0 / rate_hz)
    return timeline.pressure_bar(np.round(seconds * 1e9).astype(np.int64))


def blows_per_min(pressure_bar: Floats, rate_hz: float) -> float:
    frequency, power = periodogram(pressure_bar, rate_hz, detrend="constant")
    return float(frequency[np.argmax(power)]) * 60.0


def test_throttled_pump() -> None:
    """18 % less flow gives 26 % less pressure and 11 % less rate (CHECKS, blow rate: physics)."""
    breaker = Breaker()
    assert breaker.working_bar(flow=0.82) / breaker.working_bar() == pytest.approx(0.74, abs=1e-12)
    assert breaker.rate_hz(flow=0.82) / breaker.rate_hz() == pytest.approx(0.89, abs=1e-12)


def test_harder_rock() -> None:
    """10 % less pressure, 15 % more rate (CHECKS, blow rate: physics)."""
    breaker = Breaker()
    assert breaker.working_bar(hard=1.0) / breaker.working_bar() == pytest.approx(0.90)
    assert breaker.rate_hz(hard=1.0) / breaker.rate_hz() == pytest.approx(1.15)


@pytest.mark.parametrize("fall", [0.2, 0.4, 0.6])
def test_struck_blank(fall: float) -> None:
    """Pressure and rate both fall, and pulses with them (CHECKS: 20-60 % in pressure)."""
    breaker = Breaker()
    loaded, blank = struck(breaker, 200.0), struck(breaker, 200.0, blank=fall)
    assert blank.mean() / loaded.mean() == pytest.approx(1.0 - fall, rel=5e-3)
    assert blows_per_min(blank, 200.0) < blows_per_min(loaded, 200.0) - 20.0
    assert np.ptp(blank) < np.ptp(loaded)


def test_vented_design_stops_pulsing() -> None:
    assert (
        np.ptp(struck(Breaker(vents=True), 200.0, blank=0.4))
        < 1e-6
        < np.ptp(struck(Breaker(vents=True), 200.0))
    )


@pytest.mark.parametrize("rate", [300.0, 620.0, 1500.0])
def test_blow_rate_shows_in_the_spectrum_of_a_fast_feed(rate: float) -> None:
    """300-1500 blows/min, read with scipy's periodogram from 20 s at 500 Hz (resolution 3 a minute)."""
    assert blows_per_min(struck(Breaker(blows_per_min=rate), 500.0), 500.0) == pytest.approx(rate, abs=3.0)


def test_slow_feed_hides_the_rate() -> None:
    """Sampled at 10 Hz, 900 blows/min appear as 300, and 600 show no pulse at all (CHECKS: aliasing)."""
    assert blows_per_min(struck(Breaker(blows_per_min=900.0), 10.0), 10.0) == pytest.approx(300.0, abs=3.0)
    assert np.ptp(struck(Breaker(blows_per_min=600.0), 10.0)) < 1e-6


def test_pulse_has_mean_0_and_peak_to_peak_1() -> None:
    shape = pulse(np.linspace(0.0, 1.0, 36_000, endpoint=False))
    assert shape.mean() == pytest.approx(0.0, abs=1e-12)
    assert np.ptp(shape) == pytest.approx(1.0, abs=1e-6)


def test_heat_is_a_share_of_hydraulic_power() -> None:
    """150 bar x 120 L/min = 30.0 kW (CHECKS: kW = bar L/min / 600): half is lost loaded, all blank."""
    breaker = Breaker(level_bar=150.0, flow_l_per_min=120.0)
    assert breaker.loss_w() == pytest.approx(0.55 * 30_000.0)
    assert breaker.loss_w(blank=0.4) == pytest.approx(0.6 * 30_000.0)


def test_pressure_rises_at_the_start_and_decays_after_release() -> None:
    timeline = Timeline("HB-01", 0, Breaker(pulse_bar=0.0), OilCircuit(), 40.0, lambda _: 20.0)
    timeline.advance(5.0, 1800.0)
    timeline.advance(5.0, 1800.0, firing=True)
    timeline.advance(5.0, 1800.0)
    pressure_bar = timeline.pressure_bar(np.array([4_999, 5_250, 9_999, 10_120, 14_999], np.int64) * 10**6)
    rise, fall = 1.0 - np.exp(-1.0), np.exp(-1.0)
    assert pressure_bar == pytest.approx(
        [12.0, 12.0 + 133.0 * rise, 145.0, 12.0 + 133.0 * fall, 12.0], abs=0.02
    )


temperatures = st.floats(-20.0, 120.0)


def test_final_temperature_and_time_constant() -> None:
    """12 kW into 150 L (870 kg/m3, 1900 J/kgK), UA 220 W/K, air 30 degC: 84.5 degC, 18.8 min (CHECKS)."""
    circuit = OilCircuit(volume_l=150.0, ua_w_per_k=220.0)
    assert circuit.final_c(12_000.0, 30.0) == pytest.approx(84.5, abs=0.05)
    assert circuit.time_constant_s() / 60.0 == pytest.approx(18.8, abs=0.05)


def test_approach_solves_the_heat_balance() -> None:
    """Against scipy's Runge-Kutta integration of C dT/dt = P - UA (T - Ta)."""
    circuit = OilCircuit()
    capacity = 150.0 * 0.870 * 1900.0
    solved = solve_ivp(
        lambda _, oil_c: (12_000.0 - 220.0 * (oil_c - 30.0)) / capacity,
        (0.0, 3600.0),
        [45.0],
        t_eval=[600.0, 1800.0, 3600.0],
        rtol=1e-10,
        atol=1e-10,
    )
    final_c, tau_s = circuit.final_c(12_000.0, 30.0), circuit.time_constant_s()
    ours = [approach(45.0, final_c, tau_s, after_s) for after_s in solved.t]
    assert ours == pytest.approx(solved.y[0].tolist(), abs=1e-6)


def test_cools_far_slower_without_the_fan() -> None:
    assert OilCircuit().time_constant_s(fan=False) == pytest.approx(18.8 * 60.0 * 220.0 / 60.0, rel=3e-3)


@given(temperatures, temperatures, temperatures)
def test_crossing_is_found_exactly_if_the_limit_lies_between(
    start: float, final: float, limit: float
) -> None:
    """A crossing exists if the limit lies strictly between start and final value, and there the value is the limit."""
    after_s = crossing_s(start, final, 1000.0, limit)
    between = min(start, final) < limit < max(start, final)
    if after_s is None:
        gap = min(abs(start - limit), abs(final - limit))
        assert not between or gap < 1e-100 or math.isclose(gap, 0.0, abs_tol=1e-12)
    else:
        assert between
        assert after_s >= 0.0
        assert approach(start, final, 1000.0, after_s) == pytest.approx(limit, abs=1e-9)


def test_two_steps_of_an_approach_equal_one() -> None:
    """So a whole shift does not depend on how it is cut."""
    parts = np.array([0.5, 7.25, 300.0, 1234.5])
    oil_c = 40.0
    for part_s in parts:
        oil_c = approach(oil_c, 84.5, 1127.0, float(part_s))
    assert oil_c == pytest.approx(approach(40.0, 84.5, 1127.0, float(parts.sum())), abs=1e-10)
