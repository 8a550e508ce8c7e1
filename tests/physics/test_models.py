"""The second and the third model of breakers: what they make is what they say, and another thing than the first."""

from collections.abc import Callable

import numpy as np
import pytest

from tests.physics import conductance, waveform
from tests.physics.work import Truth

SHIFTS = {"conductance": conductance.shift, "waveform": waveform.shift}
SEEDS = range(3000, 3006)


@pytest.fixture(scope="module", params=SHIFTS)
def shifts(request: pytest.FixtureRequest) -> list[Truth]:
    """A quarter of an hour of each of a few hammers."""
    return [SHIFTS[request.param](seed, 15.0) for seed in SEEDS]


def means(truth: Truth) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Mean pressure of each 10 ms; which of them are loaded, and which blank, for half a second."""
    pressure = truth.run.pressure_bar.reshape(truth.active.size, -1).mean(axis=1)
    loaded, blank = np.zeros(truth.active.size, bool), np.zeros(truth.active.size, bool)
    for start, end in truth.bouts:
        loaded[round(100 * start) + 200 : round(100 * end)] = True
    for spell in truth.spells:
        loaded[round(100 * spell.start_s) : round(100 * spell.end_s) + 100] = False
        if spell.start_s > min(start for start, end in truth.bouts if end >= spell.end_s) + 1.0:
            blank[round(100 * spell.start_s) + 50 : round(100 * spell.end_s)] = True
    return pressure, loaded, blank


def test_spells_lie_within_bouts(shifts: list[Truth]) -> None:
    """Bouts follow one another, every spell in one of them, pressed exactly then."""
    for truth in shifts:
        edges = np.array(truth.bouts).ravel()
        assert (np.diff(edges) > 0).all()
        assert truth.active.sum() == pytest.approx(100 * truth.firing_s, abs=2 * len(truth.bouts))
        for spell in truth.spells:
            assert spell.end_s > spell.start_s
            assert any(
                start - 1e-9 <= spell.start_s and spell.end_s <= end + 1e-9 for start, end in truth.bouts
            )


def test_it_works_at_its_pressure_and_rate(shifts: list[Truth]) -> None:
    """Loaded near the rated pressure and rate, struck blank near the lower one; always finite."""
    for truth in shifts:
        pressure, loaded, blank = means(truth)
        assert np.isfinite(truth.run.pressure_bar).all()
        rig = truth.hammer
        assert np.median(pressure[loaded]) == pytest.approx(rig.loaded_bar, rel=0.15)
        if blank.sum() > 300:
            fell = 1 - np.median(pressure[blank]) / np.median(pressure[loaded])
            assert fell > 0.5 * (1 - rig.blank_bar / rig.loaded_bar)
        rate = 60 * np.count_nonzero(~truth.run.blow_blank) / (loaded.sum() / 100 + 2 * len(truth.bouts))
        assert rate == pytest.approx(rig.blows_per_min, rel=0.35)


def test_the_throttle_is_let_down_only_if_asked() -> None:
    """And the same seed gives the same shift, to the last bit."""
    for shift in SHIFTS.values():
        steady, again, changed = shift(3001, 10.0), shift(3001, 10.0), shift(3001, 10.0, throttle_change=True)
        assert np.array_equal(steady.run.pressure_bar, again.run.pressure_bar)
        pressed = steady.active.astype(bool)
        slow = 0.94 * steady.hammer.rated_rpm
        assert np.mean(changed.engine_rpm[pressed] < slow) > 0.05 + np.mean(steady.engine_rpm[pressed] < slow)


def _level_by_speed(shift: Callable[..., Truth], seed: int) -> float:
    truth = shift(seed, 15.0, throttle_change=True)
    pressure, loaded, _ = means(truth)
    slow = truth.engine_rpm < 0.9 * truth.hammer.rated_rpm
    return float(np.median(pressure[loaded & slow]) / np.median(pressure[loaded & ~slow]))


def test_pressure_does_not_always_go_with_the_engine() -> None:
    """A load-sensing pump keeps the pressure at a lower speed, another does not: both are among a few hammers."""
    shares = [_level_by_speed(conductance.shift, seed) for seed in (3000, 3003, 3004, 3010, 3011, 3012)]
    assert np.nanmin(shares) < 0.9 < 0.95 < np.nanmax(shares)
