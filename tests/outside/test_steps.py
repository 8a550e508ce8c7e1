"""CUSUM and EWMA against published worked examples and run lengths."""

import math

import numpy as np
import pytest

from strikewatch.detectors.blank_firing.cusum import cusum, ewma
from strikewatch.detectors.kernels import kernel

CUSUM_DATA = (
    "324.925 324.675 324.725 324.350 325.350 325.225 324.125 324.525 325.225 324.600 324.625 325.150 328.325 "
    "327.250 327.825 328.500 326.675 327.775 326.875 328.350"
)
"""NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.3: target 325, allowance 0.3175, decision interval 4.1959."""
EWMA_DATA = "52 47 53 49.3 50.1 47 51 50.1 51.2 50.5 49.6 47.6 49.9 51.3 47.8 51.2 52.6 52.4 53.6 52.1"
"""The same, 6.3.2.4: weight 0.3, target 50, s = 2.0539, limits 47.4115 and 52.5884."""


Array = np.ndarray[tuple[int], np.dtype[np.float64]]


@kernel
def put_sums(deviations: Array, allowance: float, out: Array) -> None:
    total = 0.0
    for i in range(len(deviations)):
        total = cusum(total, deviations[i], allowance, math.inf)
        out[i] = total


@kernel
def put_means(values: Array, start: float, gain: float, out: Array) -> None:
    mean = start
    for i in range(len(values)):
        mean = ewma(mean, values[i], gain)
        out[i] = mean


@kernel
def count_signals(deviations: Array, allowance: float, limit: float) -> int:
    """Count how often either of the two sums passes the limit; both begin anew after each."""
    signals = 0
    high = 0.0
    low = 0.0
    for i in range(len(deviations)):
        high = cusum(high, deviations[i], allowance, math.inf)
        low = cusum(low, -deviations[i], allowance, math.inf)
        if high > limit or low > limit:
            signals += 1
            high = 0.0
            low = 0.0
    return signals


def test_cusum_is_that_of_the_nist_handbook() -> None:
    """NIST/SEMATECH 6.3.2.3: the upper sums from sample 13 on, and the first signal at sample 14."""
    deviations = np.array(CUSUM_DATA.split(), float) - 325.0
    high = np.empty_like(deviations)
    put_sums(deviations, 0.3175, high)
    assert high[12:15] == pytest.approx([3.0075, 4.94, 7.4475], abs=1e-9)
    assert int(np.argmax(high > 4.1959)) == 13


def test_ewma_is_that_of_the_nist_handbook() -> None:
    """NIST/SEMATECH 6.3.2.4: ends at 51.99 and stays within the limits."""
    values = np.array(EWMA_DATA.split(), float)
    mean = np.empty_like(values)
    put_means(values, 50.0, 0.3, mean)
    assert mean[-1] == pytest.approx(51.99, abs=0.005)
    assert ((mean > 47.4115) & (mean < 52.5884)).all()


@pytest.mark.parametrize(
    ("limit", "shift", "published"),
    [
        (5, 0.0, 465.4),
        (5, 0.5, 38.0),
        (5, 1.0, 10.38),
        (5, 2.0, 4.01),
        (4, 0.0, 167.7),
        (4, 0.5, 26.6),
        (4, 1.0, 8.38),
        (4, 2.0, 3.34),
    ],
)
def test_cusum_run_lengths_are_as_published(limit: float, shift: float, published: float) -> None:
    """Average run lengths of the two-sided sum with allowance 0.5 (integral equation; see the NIST/SEMATECH table
    for h = 4 and 5), within four standard errors of some 20,000 simulated runs; a run's spread is about its mean."""
    runs = 20_000
    deviations = np.random.default_rng(1).standard_normal(round(published * runs)) + shift
    signals = count_signals(deviations, 0.5, limit)
    assert len(deviations) / signals == pytest.approx(published, rel=4 / math.sqrt(runs) + 0.002)
