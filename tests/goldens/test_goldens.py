"""What the code finds in the recorded shifts is what it found before: each shift alone, and all together."""

import difflib
import json
from collections import Counter
from pathlib import Path

import pytest

from strikewatch.cli.main import main
from strikewatch.service.recorded.recordings import Recordings
from strikewatch.service.recorded.replay import ReplayResult
from strikewatch.settings.tree import load
from tests.goldens.bless import GOLDEN, NAMES, SHIFTS, findings


@pytest.mark.parametrize("name", NAMES)
def test_findings_are_the_golden(name: str) -> None:
    golden = (SHIFTS / name / GOLDEN).read_text(encoding="utf-8").splitlines()
    changed = list(difflib.unified_diff(golden, findings(name), "golden", "now", lineterm="", n=0))
    assert not changed, "\n".join(
        [*changed[:40], "If this is meant: python -m tests.goldens.bless, and a line in the behaviour log."]
    )


WINDOWED = {
    *("same_spot", "hot_oil", "cold_oil", "low_engine_speed", "end_of_stroke", "over_side", "off_square"),
    *("feed_force", "prying", "submerged", "sensor_fault"),
}
"""Faults that depend on no more than a few minutes. Timers and baselines continue from one shift to the next."""


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
    return Counter((r["hammer"], r["fault"], r["onset"]) for r in result.records if r["fault"] in WINDOWED)


def _bouts(result: ReplayResult) -> list[tuple[tuple[str, str], int, int]]:
    return sorted((b.bout.key, b.bout.start, b.bout.end) for b in result.bouts())


def _hours(result: ReplayResult, column: str) -> Counter[str]:
    hours = Counter[str]()
    for attributed in result.stretches():
        stretch = attributed.stretch
        hours[stretch.key[1]] += getattr(stretch, column) / 3.6e12
    return hours


def test_shifts_replayed_together_are_the_sum_of_each_alone(
    alone: dict[str, ReplayResult], together: ReplayResult
) -> None:
    """Rows used and left out, alerts, bouts, and firing and operating hours by hammer.

    Each shift is replayed under its own settings, alone and together.
    """
    for name in ("used", "duplicate", "late", "wrong_clock"):
        assert getattr(together.counts, name) == sum(
            getattr(result.counts, name) for result in alone.values()
        ), name
    assert together.counts.late == 0
    assert _faults(together) == sum((_faults(result) for result in alone.values()), Counter())
    assert _bouts(together) == sorted(bout for result in alone.values() for bout in _bouts(result))
    for column, hold_s in (("firing_ns", 2), ("operating_ns", 10)):
        whole = _hours(together, column)
        parts = sum((_hours(result, column) for result in alone.values()), Counter())
        # The last value of a shift is held only if another shift follows.
        most = hold_s * len(NAMES) / 3600
        for hammer in parts:
            assert parts[hammer] - 1e-6 <= whole[hammer] <= parts[hammer] + most, (hammer, column)


def test_the_order_of_the_paths_does_not_matter(together: ReplayResult) -> None:
    backwards = _replayed(*(SHIFTS / name for name in reversed(NAMES)))
    assert backwards.records == together.records


def test_settings_of_a_shift_also_count_in_a_replay_of_all(together: ReplayResult) -> None:
    """Without the lengths of the arm in its settings, a shift would show same_spot by op-16, who lingered nowhere."""
    assert not [r for r in together.records if (r["fault"], r["operator"]) == ("same_spot", "op-16")]


def test_wear_over_all_shifts_equals_wear_over_the_shift_with_inspections(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """A clock at the year 2000 in another recording of the hammer costs no hours between its inspections."""
    found = []
    for path in (SHIFTS / "hired-out", SHIFTS):
        assert main(["wear", str(path), "--hammer", "HB-05", "--json"]) == 0
        found.append(json.loads(capsys.readouterr().out)["hammers"][0])
    alone, whole = found
    trends = [hammer["readings"][0]["trend"]["mm_per_100_h"] for hammer in (alone, whole)]
    assert trends[1] == pytest.approx(trends[0], rel=0.02)
