"""Greasing every 2 operating hours, four times in an 8 h shift (common practice, no published source)."""

from datetime import datetime

import numpy as np
import pytest

from strikewatch.core.events import Event
from strikewatch.core.instant import SECOND
from tests.detectors.recorded import SITE, faults_of, replayed
from tests.outside.feed import START, rows_of

HOURS = 8
ROWS = rows_of(HOURS * 3600 + 1, 1.0, active=np.zeros(HOURS * 3600 + 1))


@pytest.mark.parametrize(
    ("greased_after_s", "overdue_after_s"),
    [
        # Four times in the shift, each just in time: never overdue.
        ([7199, 14398, 21597, 28796], []),
        # Three times, the second left out: overdue 2 h after the first.
        ([7199, 21597, 28796], [14399]),
        # Not once.
        ([], [7200]),
    ],
)
def test_the_clock_over_a_shift(greased_after_s: list[int], overdue_after_s: list[int]) -> None:
    events = [
        Event(SITE, "HB-01", "grease", START + s * SECOND, {"strokes": [12, 12], "method": "manual"})
        for s in greased_after_s
    ]
    records = replayed({"HB-01": ROWS}, {"HB-01": events}, faults_of({})).records
    overdue = [datetime.fromisoformat(r["onset"]) for r in records if r["fault"] == "grease_overdue"]
    assert [at.timestamp() - START / SECOND for at in overdue] == overdue_after_s
    assert not [r for r in records if r["fault"] == "grease_short"]


@pytest.mark.parametrize(
    ("strokes", "short"),
    [([10, 10], False), ([15, 15], False), ([12, 9], True), ([15], False), ([20], False), ([14], True)],
)
def test_strokes_a_hammer_needs(strokes: list[int], short: bool) -> None:
    """10 to 15 strokes to each of two nipples, 15 to 20 to a single one (common practice, no published source)."""
    event = Event(SITE, "HB-01", "grease", START + SECOND, {"strokes": strokes, "method": "manual"})
    records = replayed({"HB-01": rows_of(10)}, {"HB-01": [event]}, faults_of({})).records
    assert [r["fault"] for r in records] == (["grease_short"] if short else [])
