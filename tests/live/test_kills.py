"""A few kills and broker restarts in every run of the tests; `python -m tests.live.kills` does fifty and ten."""

from pathlib import Path

import pytest

from tests.live.kills import run


@pytest.mark.parametrize(("database", "storms"), [("sqlite", False), ("postgresql", True)])
def test_killed_at_random_nothing_is_missing_and_nothing_comes_twice(
    tmp_path: Path, database: str, storms: bool, request: pytest.FixtureRequest
) -> None:
    tables = {}
    if database == "postgresql":
        tables = {"store": {"url": str(request.getfixturevalue("postgresql").database())}}
    outcome = run(tmp_path, kills=5, broker_restarts=2, seed=3, seconds=900, storms=storms, **tables)
    assert outcome.alerts > 50
    assert (outcome.in_digests > 0) == storms
    assert (outcome.missing, outcome.unexpected, outcome.different) == (0, 0, 0)
    assert (outcome.delivered_under_two_names, outcome.undelivered) == (0, 0)
