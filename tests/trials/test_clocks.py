"""Short forms of the trials with clocks that are wrong or jump; the long forms are `python -m tests.trials clocks`."""

from pathlib import Path

import pytest

from tests.trials import clocks, summer_time


@pytest.mark.parametrize("trial", [clocks.TRIALS[k] for k in clocks.SHORT], ids=lambda trial: trial.name)
def test_a_bent_clock_changes_nothing_else(tmp_path: Path, trial: clocks.Trial) -> None:
    """No alert missing, none too many, as fresh and delivered as with good clocks."""
    outcome = clocks.outcome(tmp_path, trial, 200)
    assert outcome.alerts > 8
    assert outcome.bad == 0, outcome


@pytest.mark.parametrize("night", summer_time.NIGHTS, ids=lambda night: night.name)
def test_hours_of_the_week_go_by_the_clock_on_the_wall(tmp_path: Path, night: summer_time.Night) -> None:
    """Across the night in which it changes."""
    outcome = summer_time.outcome(tmp_path, night, 260)
    assert 0 < outcome.wanted < outcome.raised
    assert outcome.wrong == 0, outcome
