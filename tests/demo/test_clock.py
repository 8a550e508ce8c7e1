"""The accelerated wall clock, by an injected monotonic clock."""

import pytest

from strikewatch.core.instant import SECOND
from strikewatch.demo.clock import PacedClock


def test_runs_pace_times_as_fast_from_its_creation() -> None:
    now_ns = [5_000]
    clock = PacedClock(100 * SECOND, 60.0, lambda: now_ns[0])
    assert clock.now_ns() == 100 * SECOND
    now_ns[0] += SECOND // 2
    assert clock.now_ns() == 130 * SECOND
    assert clock.real_s_until(190 * SECOND) == pytest.approx(1.0)
    assert clock.real_s_until(129 * SECOND) == 0.0


@pytest.mark.parametrize("pace", [0.0, -1.0])
def test_refuses_to_stand_still_or_run_back(pace: float) -> None:
    with pytest.raises(ValueError, match="above 0"):
        PacedClock(0, pace)
