"""Some power cuts in every run of the tests; `python -m tests.store.power` makes two hundred of each kind."""

from pathlib import Path

from tests.store.power import run


def test_nothing_acknowledged_is_lost_in_a_power_cut(tmp_path: Path) -> None:
    outcome = run(tmp_path, 20)
    assert outcome.cuts == 20
    assert outcome.acknowledged_rows > 10_000
    assert (outcome.lost_rows, outcome.damaged) == (0, 0)


def test_without_a_sync_at_each_commit_the_same_loses_something(tmp_path: Path) -> None:
    assert run(tmp_path, 20, "NORMAL").lost_rows > 0
