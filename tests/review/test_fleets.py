"""Short forms of `python -m tests.long.fleets`, seeded, with generous bounds."""

import pytest

from tests.long.fleets.fleet import Fleet
from tests.long.fleets.score import score


@pytest.mark.parametrize("bad_days", [0.0, 0.5])
def test_hardly_a_review_singles_anyone_out_where_nobody_differs(bad_days: float) -> None:
    found = score(Fleet(6, 2.0, bad_days=bad_days), 40)
    assert found.singled <= 0.05
    assert found.limits >= 0.94
    assert (found.dispersion > 1.5) == (bad_days > 0)


def test_intervals_hold_the_true_rates() -> None:
    found = score(Fleet(8, 2.0, hours=(4.0, 40.0), spread=0.5), 25)
    assert 0.94 <= found.limits_often <= 0.98
    assert 0.91 <= found.shrunk <= 0.98


def test_three_times_the_rate_over_ten_hours_is_found() -> None:
    found = score(Fleet(8, 2.0, threefold=True), 25)
    assert found.found >= 0.8
    assert found.innocent <= 0.1
