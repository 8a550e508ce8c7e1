"""The blow rate from a fast feed, against known truths, scipy's periodogram and a packaged pulse recording."""

import importlib.util
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy import signal

from strikewatch.detectors.blank_firing import blow_counter
from strikewatch.detectors.kernels import kernel

SHAPES = {
    "sine": lambda turn: np.sin(turn),
    "slow rise": lambda turn: signal.sawtooth(turn, 0.8),
    "quick rise": lambda turn: signal.sawtooth(turn, 0.2),
    "square": lambda turn: signal.square(turn, 0.4),
    "two harmonics": lambda turn: 0.8 * np.sin(turn) - 0.4 * np.sin(2 * turn),
    "rebound": lambda turn: (
        2 * np.exp(-60 * (turn / 2 / np.pi % 1 - 0.3) ** 2)
        + 0.5 * np.exp(-60 * (turn / 2 / np.pi % 1 - 0.75) ** 2)
    ),
}


def pulses(
    shape: str, hz: float, sample_hz: float, noise: float, rng: np.random.Generator
) -> tuple[Any, float]:
    """Ten seconds of pressure about 140 bar with pulses 20 bar wide, whose rate wanders a little; and the mean rate."""
    n = round(10 * sample_hz)
    wander = np.cumsum(rng.normal(0, 0.01, n)) / np.sqrt(sample_hz)
    phase = np.arange(n) * hz / sample_hz + wander + rng.random()
    first = round(1.5 * sample_hz)
    truth = (phase[-1] - phase[first]) / (n - 1 - first) * sample_hz
    return 140 + 10 * (SHAPES[shape](2 * np.pi * phase) + 2 * noise * rng.normal(size=n)), truth


@pytest.mark.parametrize("sample_hz", [200, 250, 500, 1000])
@pytest.mark.parametrize("shape", SHAPES)
def test_the_rate_is_within_two_percent(shape: str, sample_hz: int) -> None:
    """From 300 to 1500 blows/min, with noise of up to a tenth of the pulse: no multiple, no fraction, within 2 %."""
    rng = np.random.default_rng(sample_hz)
    for hz in (5.0, 6.3, 8.1, 10.0, 12.7, 16.0, 20.3, 25.0):
        for noise in (0.0, 0.03, 0.1):
            pressure_bar, truth = pulses(shape, hz, sample_hz, noise, rng)
            measured_hz, share = measure(pressure_bar, sample_hz)
            assert measured_hz == pytest.approx(truth, rel=0.02), (hz, noise)
            assert share > 0.4, (hz, noise)


@pytest.mark.parametrize("shape", SHAPES)
def test_rate_agrees_with_the_periodogram(shape: str) -> None:
    """scipy.signal.periodogram, its first harmonic: the lowest line with a fifth of the power of the strongest."""
    rng = np.random.default_rng(1)
    for hz in (5.0, 9.4, 17.0, 24.0):
        pressure_bar, _ = pulses(shape, hz, 500, 0.05, rng)
        line_hz, power = signal.periodogram(pressure_bar[750:], 500, window="hann", nfft=1 << 16)
        near = (line_hz > 3) & (power > 0.2 * power[line_hz > 3].max())
        first = line_hz[near][0]
        band = (line_hz > 0.9 * first) & (line_hz < 1.2 * first)
        reference_hz = line_hz[band][power[band].argmax()]
        assert measure(pressure_bar, 500)[0] == pytest.approx(reference_hz, rel=0.02), hz


def test_rate_of_a_recorded_pulse() -> None:
    """The pulse wave that ships with the package heartpy (data.csv, 100 Hz, about 58.9 beats/min), played ten times as
    fast, so that it lies in a breaker's range."""
    spec = importlib.util.find_spec("heartpy")
    assert spec is not None
    assert spec.submodule_search_locations
    wave = np.loadtxt(Path(spec.submodule_search_locations[0]) / "data" / "data.csv", skiprows=1)
    measured_hz, _ = measure(wave, 1000, skip_s=0.3)
    assert measured_hz * 6 == pytest.approx(58.9, rel=0.02)


@pytest.mark.parametrize("sample_hz", [100, 200, 500, 1000])
def test_no_rate_where_nothing_is_periodic(sample_hz: int) -> None:
    """White noise, a random walk and a constant have no blow rate (but for one sample in a hundred of noise)."""
    rng = np.random.default_rng(2)
    n = 30 * sample_hz
    for values in (
        140 + 5 * rng.normal(size=n),
        140 + np.cumsum(rng.normal(size=n)) / np.sqrt(sample_hz),
        np.full(n, 140.0),
    ):
        assert measure(values, sample_hz)[1] < 0.01


def test_no_rate_from_too_few_samples() -> None:
    """A blow with less than eight samples has no rate: 900 blows/min at 100 Hz would do for a guess, and is refused."""
    rng = np.random.default_rng(3)
    for hz, sample_hz, has_rate in (
        (15.0, 100, False),
        (15.0, 150, True),
        (5.0, 50, True),
        (24.0, 150, False),
    ):
        pressure_bar, _ = pulses("sine", hz, sample_hz, 0.0, rng)
        assert (measure(pressure_bar, sample_hz)[0] > 0) == has_rate, (hz, sample_hz)


@kernel
def _mean_rate(time_ns: Any, pressure_bar: Any, state: Any, tally: Any, skip: int, known: Any) -> float:
    s = state[0]
    blow_counter.restart(s, time_ns[0])
    for i in range(len(time_ns)):
        blow_counter.take(s, pressure_bar[i], time_ns[i])
        known[i] = blow_counter.rate_known(s)
        blow_counter.tally(tally[0], s)
        if i == skip:
            blow_counter.clear(tally[0])
    return blow_counter.mean_rate(tally[0])


def measure(pressure_bar: Any, sample_hz: float, skip_s: float = 1.5) -> tuple[float, float]:
    """Return the blow rate of a signal, Hz (NaN if unknown), and the share of the signal in which it is known."""
    time_ns = np.round(np.arange(len(pressure_bar)) * 1e9 / sample_hz).astype(np.int64)
    known = np.zeros(len(pressure_bar), bool)
    skip = round(skip_s * sample_hz)
    state, tally = np.zeros(1, blow_counter.STATE), np.zeros(1, blow_counter.TALLY)
    rate_hz = _mean_rate(time_ns, np.asarray(pressure_bar, float), state, tally, skip, known)
    return rate_hz, float(known[skip:].mean())
