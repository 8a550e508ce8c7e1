"""The oil's heat balance against the figures of the project's checks and an independent integrator."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from strikewatch.demo.oil import OilCircuit, approach, crossing_s

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
def test_crossing_is_where_the_approach_meets_the_limit(start: float, final: float, limit: float) -> None:
    """A crossing is found just where the limit lies strictly between, and there the temperature is it."""
    after_s = crossing_s(start, final, 1000.0, limit)
    between = min(start, final) < limit < max(start, final)
    if after_s is None:
        gap = min(abs(start - limit), abs(final - limit))
        assert not between or gap < 1e-100 or math.isclose(gap, 0.0, abs_tol=1e-12)
    else:
        assert between
        assert after_s >= 0.0
        assert approach(start, final, 1000.0, after_s) == pytest.approx(limit, abs=1e-9)


def test_pieces_add_up() -> None:
    """Two steps of an approach are one: a whole shift does not depend on how it is cut."""
    parts = np.array([0.5, 7.25, 300.0, 1234.5])
    oil_c = 40.0
    for part_s in parts:
        oil_c = approach(oil_c, 84.5, 1127.0, float(part_s))
    assert oil_c == pytest.approx(approach(40.0, 84.5, 1127.0, float(parts.sum())), abs=1e-10)
