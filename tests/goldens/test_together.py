"""A folder of shifts replayed at once is the sum of its shifts replayed alone."""

import json
from collections import Counter
from pathlib import Path

import pytest

from strikewatch.cli.main import main
from strikewatch.service.recordings import Recordings
from strikewatch.service.replay import ReplayResult
from strikewatch.settings.tree import load
from tests.goldens.bless import NAMES, SHIFTS

WINDOWED = {
    *("same_spot", "hot_oil", "cold_oil", "low_engine_speed", "end_of_stroke", "over_side", "off_square"),
    *("feed_force", "prying", "submerged", "sensor_fault"),
}
"""Faults that need no more of the past than a few minutes. Clocks of upkeep and what was learned of a hammer go on from
one shift to the next, and differ."""


def _replayed(*paths: Path) -> ReplayResult:
    recordings = Recordings(paths, load())
    return recordings.replay(recordings.open())


@pytest.fixture(scope="module")
def alone() -> dict[str, ReplayResult]:
    return {name: _replayed(SHIFTS / name) for name in NAMES}


@pytest.fixture(scope="module")
def together() -> ReplayResult:
    return _replayed(SHIFTS)


def _faults(result: ReplayResult) -> Counter[tuple[str, str, str]]:
    return Counter(
        (one["hammer"], one["fault"], one["onset"]) for one in result.records if one["fault"] in WINDOWED
    )


def _bouts(result: ReplayResult) -> list[tuple[tuple[str, str], int, int]]:
    return sorted((one.bout.key, one.bout.start, one.bout.end) for one in result.bouts())


def _hours(result: ReplayResult, column: str) -> Counter[str]:
    hours = Counter[str]()
    for one in result.stretches():
        hours[one.stretch.key[1]] += getattr(one.stretch, column) / 3.6e12
    return hours


def test_the_sum_of_the_shifts_is_the_whole(alone: dict[str, ReplayResult], together: ReplayResult) -> None:
    """Rows used and left out, alerts, bouts, and firing and operating hours by hammer.

    Each shift is replayed under its own settings, alone and together.
    """
    for name in ("used", "duplicate", "late", "wrong_clock"):
        assert getattr(together.counts, name) == sum(getattr(one.counts, name) for one in alone.values()), (
            name
        )
    assert together.counts.late == 0
    assert _faults(together) == sum((_faults(one) for one in alone.values()), Counter())
    assert _bouts(together) == sorted(bout for result in alone.values() for bout in _bouts(result))
    for column, hold_s in (("firing_ns", 2), ("operating_ns", 10)):
        whole = _hours(together, column)
        parts = sum((_hours(one, column) for one in alone.values()), Counter())
        # The last value of a shift holds on where another one follows, and not where the recording ends with it.
        most = hold_s * len(NAMES) / 3600
        for hammer in parts:
            assert parts[hammer] - 1e-6 <= whole[hammer] <= parts[hammer] + most, (hammer, column)


def test_the_order_of_the_paths_does_not_matter(together: ReplayResult) -> None:
    backwards = _replayed(*(SHIFTS / name for name in reversed(NAMES)))
    assert backwards.records == together.records


def test_nobody_is_blamed_for_what_settings_show_to_be_wrong(together: ReplayResult) -> None:
    """op-16 lingers nowhere by the labels; without the lengths of the arm in the shift's settings it looks so."""
    assert not [one for one in together.records if (one["fault"], one["operator"]) == ("same_spot", "op-16")]


def test_wear_over_all_shifts_is_that_over_the_shift_with_inspections(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """A clock at the year 2000 in another recording of the hammer costs no hours between its inspections."""
    found = []
    for path in (SHIFTS / "hired-out", SHIFTS):
        assert main(["wear", str(path), "--hammer", "HB-05", "--json"]) == 0
        found.append(json.loads(capsys.readouterr().out)["hammers"][0])
    alone, whole = found
    trends = [one["readings"][0]["trend"]["mm_per_100_h"] for one in (alone, whole)]
    assert trends[1] == pytest.approx(trends[0], rel=0.02)
